"""What tests share: one full build of the shipped knowledge, and a miniature that is built in a second."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from kg.database import open_database
from tests.miniature import Miniature, run_command, write_miniature

if TYPE_CHECKING:
    from kg.validation.spoil import Ground


def _once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """Make a folder once for all workers of a session, and return it."""
    base = factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent
    folder = base / name
    with (base / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / "done").exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            make(folder)
            (folder / "done").touch()
    return folder


@pytest.fixture(scope="session")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The database of one full build of the shipped knowledge; read it, never write it."""

    def make(folder: Path) -> None:
        done = run_command("build", "--output", str(folder / "tubelore.sqlite"), PYTHONHASHSEED="1")
        assert done.returncode == 0, done.stderr

    return _once(tmp_path_factory, "full-build", make) / "tubelore.sqlite"


@pytest.fixture
def connection(database: Path) -> Iterator[sqlite3.Connection]:
    """The full database as every question sees it."""
    with closing(open_database(str(database))) as opened:
        yield opened


@pytest.fixture(scope="session")
def small_build(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The database of the unbroken miniature; copy it before changing it."""

    def make(folder: Path) -> None:
        write_miniature(folder / "checkout").build(folder / "tubelore.sqlite")

    return _once(tmp_path_factory, "small-build", make) / "tubelore.sqlite"


@pytest.fixture
def small_sources(tmp_path: Path) -> Miniature:
    """A miniature checkout of the test's own."""
    return write_miniature(tmp_path / "checkout")


@pytest.fixture
def previous(small_build: Path, tmp_path: Path) -> Path:
    """A database, with its two RDF files, that was built before the test."""
    folder = tmp_path / "built"
    folder.mkdir()
    for suffix in (".sqlite", ".nq", ".ttl"):
        shutil.copy(small_build.with_suffix(suffix), folder / f"tubelore{suffix}")
    return folder / "tubelore.sqlite"


@pytest.fixture
def contents() -> Callable[[Path], dict[str, bytes]]:
    """A function that returns every file of a folder with its bytes."""

    def read(folder: Path) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}

    return read


@pytest.fixture(scope="session")
def opened(database: Path) -> Iterator[sqlite3.Connection]:
    """The full database, opened once."""
    with closing(open_database(str(database))) as connection:
        yield connection


@pytest.fixture(scope="session")
def ground(opened: sqlite3.Connection) -> Ground:
    """What synthetic patients are drawn from, for the results of ``METABOLIC``."""
    import numpy as np

    from kg.validation.spoil import make_ground
    from tests.synthetic import METABOLIC

    return make_ground(opened, METABOLIC, np.random.default_rng(5))


@pytest.fixture(scope="session")
def small(opened: sqlite3.Connection) -> dict[str, Any]:
    """A small validation as its JSON; it takes long, so that every test reads the same."""
    from kg.validation.report import validation

    found: dict[str, Any] = json.loads(json.dumps(validation(opened, "3", "20").to_json()))
    return found
