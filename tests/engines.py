"""Engines that Ibis reaches, started on this machine and stopped again."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ENGINES = ("duckdb", "pyspark")


@contextmanager
def started(engine: str, folder: Path) -> Iterator[Any]:
    """Give an Ibis backend of one of ``ENGINES``; what it keeps on disk goes to a folder."""
    import ibis

    if engine == "duckdb":
        backend = ibis.duckdb.connect()
        try:
            yield backend
        finally:
            backend.disconnect()
        return
    from pyspark.sql import SparkSession

    os.environ.update(SPARK_LOCAL_IP="127.0.0.1", PYSPARK_PYTHON=sys.executable)
    session = (SparkSession.builder.master("local[1]").config("spark.ui.enabled", "false").config("spark.driver.host", "127.0.0.1")
               .config("spark.sql.shuffle.partitions", "2").config("spark.sql.warehouse.dir", str(folder / "warehouse")).getOrCreate())
    try:
        yield ibis.pyspark.connect(session)
    finally:
        session.stop()
