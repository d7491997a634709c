"""The same screening on an engine that holds more than one machine can: a table expression of Ibis.

The engine reads, spreads and writes; what it runs on each batch of rows is the very function that screens a file here. Needs the
optional ``ibis-framework`` with the backend of the engine, and this package where the engine runs.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kg.explain.model import read_causes
from kg.screening.columns import Column
from kg.screening.judge import Judge, judge_rows, make_judge

if TYPE_CHECKING:
    import ibis

_PANDAS = ("pyspark",)
"""Engines that hand whole batches to functions on pandas; the others do so to functions on Arrow."""
_CLOSED = [0.0, -1.0]
"""Stands for no verdict inside the engine, since not every engine lets a function return null."""


def screened(connection: sqlite3.Connection, table: ibis.Table, columns: Sequence[Column], threshold: float) -> ibis.Table:
    """Return the table with two columns more: ``probability`` of an artefact in each panel, and the likeliest ``cause``.

    Both are null where the panel certainly stays below the threshold, holds fewer than two results, or one that cannot be.

    Args:
        connection: the database of this project.
        table: of panels, on any engine that Ibis reaches and that runs functions on batches of rows.
        columns: of its results, from ``read_columns``.
        threshold: probability of an artefact from which a panel is flagged.
    """
    import ibis

    there = [table[column.header].notnull().cast("int64") * (1 << i) for i, column in enumerate(columns)]
    kinds = table.select(kind=sum(there[1:], there[0])).distinct().to_pyarrow()["kind"].to_pylist()
    judges = {kind: make_judge(connection, [column.analyte for i, column in enumerate(columns) if kind >> i & 1], threshold)
              for kind in kinds if kind.bit_count() >= 2}
    names = [cause.id for cause in read_causes(connection)]
    kind = "pandas" if table.get_backend().name in _PANDAS else "pyarrow"
    function: Any = getattr(ibis.udf.scalar, kind)(_on_batches(columns, judges, names, kind), signature=(("array<float64>",), "array<float64>"))
    found = table.mutate(screened=function(ibis.array([table[column.header].cast("float64") for column in columns])))
    cause = ibis.cases(*[(found.screened[1] == i, name) for i, name in enumerate(names)])
    probability = ibis.ifelse(found.screened[1] >= 0, found.screened[0], ibis.null("float64"))
    return found.mutate(probability=probability, cause=cause).drop("screened")


def _on_batches(columns: Sequence[Column], judges: dict[int, Judge], names: Sequence[str], kind: str) -> Callable[[Any], Any]:
    """Return what the engine runs on each batch: from lists of results to a list of probability and place of the cause in ``names``."""
    factors, offsets, low, high = (np.array(part) for part in zip(*[(c.factor, c.offset, c.low, c.high) for c in columns], strict=True))
    place = {name: float(i) for i, name in enumerate(names)}

    def judged(given: NDArray[np.float64]) -> list[list[float]]:
        results = given * factors + offsets
        can_be = np.isnan(results) | ((results >= low) & (results <= high))
        usable = can_be.all(axis=1) & (np.isfinite(results).sum(axis=1) >= 2)
        probability, cause = np.full(len(results), np.nan), np.full(len(results), "", dtype=object)
        probability[usable], cause[usable], _ = judge_rows(results[usable], judges.__getitem__)
        return [[p, place[c]] if c else _CLOSED for p, c in zip(probability.tolist(), cause.tolist(), strict=True)]

    def on_arrow(results: Any) -> Any:
        import pyarrow as pa

        whole = results.combine_chunks() if isinstance(results, pa.ChunkedArray) else results
        given = np.asarray(whole.flatten().to_numpy(zero_copy_only=False), dtype=float).reshape(-1, len(columns))
        return pa.array(judged(given), type=pa.list_(pa.float64()))

    def on_pandas(results: Any) -> Any:
        import pandas as pd

        given = np.array([np.asarray(row, dtype=float) for row in results]).reshape(-1, len(columns))
        return pd.Series(judged(given), dtype=object)

    return on_pandas if kind == "pandas" else on_arrow
