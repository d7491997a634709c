"""The build: tables, dataset, shapes, rules, SQLite, N-Quads and Turtle, all or nothing."""

from __future__ import annotations

import errno
import gc
import hashlib
import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import kg
from kg import agreement, catalogue, checks, paths, released, store
from kg.derive import Rule, derive, load_rules
from kg.graph import Dataset, table_quads, vocabulary_quads
from kg.mappings import Mapping, read_mappings
from kg.problem import BuildError, Problem, errors
from kg.tables import Row, Table, check_references, load_tables, read_rows

Progress = Callable[[str, float], None]
_PAGE_SIZE = 4096
_DISK_ERRORS = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)


@dataclass
class Summary:
    """What a build made, for its last lines and for ``build_info``."""

    counts: dict[str, int] = field(default_factory=dict)
    rules: dict[str, int] = field(default_factory=dict)
    warnings: list[Problem] = field(default_factory=list)
    files: list[Path] = field(default_factory=list)


@dataclass
class Sources:
    """The folders that a build reads; tests give their own."""

    ontology: Path = field(default_factory=lambda: Path(paths.resource("ontology")))
    queries: Path = field(default_factory=lambda: Path(paths.resource("queries")))


def build(output: Path, sources: Sources | None = None, progress: Progress = lambda step, share: None,
          local_catalogue: Path | None = None) -> Summary:
    """Build the database and the two RDF files beside it.

    Args:
        output: the SQLite file; ``.nq`` and ``.ttl`` of the same name are written beside it.
        sources: the folders to read.
        progress: called with the name of each step and the share of the work done, 0 to 1.
        local_catalogue: a test catalogue to import; the demonstration laboratory when not given.

    Raises:
        BuildError: something is wrong with the facts; nothing was written.
        OSError: a file cannot be written; nothing that was there before was changed.
    """
    sources = sources or Sources()
    summary = Summary()
    progress("read the tables", 0.0)
    tables, rows = _read(sources.ontology / "facts", summary)
    catalogue_file = local_catalogue or sources.ontology / "demonstration" / "catalogue.csv"
    progress("make the graph", 0.15)
    dataset = Dataset()
    dataset.add(vocabulary_quads(sources.ontology / "vocabulary.ttl"))
    for table in tables:
        dataset.add(table_quads(table, rows[table.name]))
    progress("check the shapes", 0.25)
    problems, shapes, nodes = checks.check_shapes(dataset, sources.ontology / "shapes.ttl")
    summary.counts.update(shapes=shapes, nodes_checked=nodes)
    _stop_or_note(problems, summary)
    gc.collect()  # rdflib's graphs refer to themselves and would stay in memory until the end
    progress("derive", 0.6)
    rules = load_rules(sources.queries / "rules")
    summary.rules = derive(dataset, rules)
    progress("check the graph", 0.7)
    _stop_or_note(checks.check_queries(dataset, sources.queries / "checks"), summary)
    progress("write", 0.75)
    mappings = _mappings(sources.ontology / "mappings", rows, summary)
    output.parent.mkdir(parents=True, exist_ok=True)
    with _replacing(output) as (database, nquads, turtle):
        try:
            _write_database(database, tables, rows, dataset, rules, mappings, catalogue_file, sources, summary)
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in _DISK_ERRORS:
                raise
            raise OSError(errno.EIO, str(error), str(output)) from error
        rows.clear()  # the graph holds what they say; writing it needs their memory
        progress("write the graph", 0.9)
        dataset.finish_queries()
        summary.counts["quads"] = dataset.write_nquads(nquads)
        dataset.write_turtle(turtle)
    summary.files = [output, output.with_suffix(".nq"), output.with_suffix(".ttl")]
    progress("done", 1.0)
    return summary


def _read(folder: Path, summary: Summary) -> tuple[list[Table], dict[str, list[Row]]]:
    tables = load_tables(folder)
    if not tables:
        raise BuildError(f"{folder}: there is no fact table")
    rows: dict[str, list[Row]] = {}
    problems: list[Problem] = []
    for table in tables:
        rows[table.name], faults = read_rows(table)
        problems += faults
    if not problems:
        problems = check_references(row for table_rows in rows.values() for row in table_rows)
        problems += released.check(rows, folder.parent)
    _stop_or_note(problems, summary)
    return tables, rows


def _stop_or_note(problems: list[Problem], summary: Summary) -> None:
    fatal = errors(problems)
    if fatal:
        raise BuildError(f"{len(fatal)} problems; nothing was written", fatal)
    summary.warnings += problems


def _mappings(folder: Path, rows: dict[str, list[Row]], summary: Summary) -> list[Mapping]:
    known = {row.id for table_rows in rows.values() for row in table_rows if row.table.is_concept}
    found: list[Mapping] = []
    problems: list[Problem] = []
    for path in sorted(folder.glob("*.sssom.tsv")):
        mappings, faults = read_mappings(path, known)
        found += mappings
        problems += faults
    _stop_or_note(problems, summary)
    return found


@contextmanager
def _replacing(output: Path) -> Iterator[tuple[Path, Path, Path]]:
    """Give three temporary paths and put them in place together once the block has succeeded."""
    for target in (output, output.with_suffix(".nq"), output.with_suffix(".ttl")):
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, "a folder of this name is in the way", str(target))
    with tempfile.TemporaryDirectory(prefix=".tubelore-", dir=output.parent) as folder:
        made = tuple(Path(folder) / f"new{suffix}" for suffix in (".sqlite", ".nq", ".ttl"))
        yield made  # type: ignore[misc]
        for path, target in zip(reversed(made), (output.with_suffix(".ttl"), output.with_suffix(".nq"), output), strict=True):
            os.replace(path, target)


def _write_database(path: Path, tables: list[Table], rows: dict[str, list[Row]], dataset: Dataset, rules: list[Rule],
                    mappings: list[Mapping], catalogue_file: Path, sources: Sources, summary: Summary) -> None:
    from kg.explain import responses  # with numpy; what came before needs the memory

    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA page_size = {_PAGE_SIZE}")
        connection.execute("PRAGMA foreign_keys = OFF")
        store.create(connection, tables)
        words = store.Words(rows, dataset)
        store.write_descriptions(connection, tables, dataset)
        store.write_facts(connection, rows, words)
        store.write_derived(connection, dataset, rules, words)
        store.write_names(connection, rows, mappings)
        store.write_closure(connection, store.hierarchy(rows, dataset))
        _stop_or_note(agreement.compare(connection), summary)
        responses.write(connection)
        catalogue.write(connection, catalogue.read(catalogue_file, connection))
        _describe(connection, rows, catalogue_file, sources, summary)
        connection.commit()
    store.finish(path, tables)


def _describe(connection: sqlite3.Connection, rows: dict[str, list[Row]], catalogue_file: Path, sources: Sources,
              summary: Summary) -> None:
    for name, query in store.COUNTS.items():
        summary.counts[name] = connection.execute(query).fetchone()[0]
    share = agreement.chemical_share(connection)
    summary.counts.update(chemical_effects_published=share.published, chemical_effects_derived=share.derived)
    info = {"code_version": kg.__version__, "data_version": kg.DATA_VERSION, "catalogue": catalogue_file.name,
            **{f"count_{key}": str(value) for key, value in summary.counts.items()}}
    connection.executemany("INSERT INTO build_info VALUES (?, ?)", sorted(info.items()))
    inputs = [*sorted(sources.ontology.rglob("*.csv")), *sorted(sources.ontology.rglob("*.ttl")),
              *sorted(sources.ontology.rglob("*.tsv")), *sorted((sources.queries / "rules").glob("*.rq"))]
    size = {table_rows[0].table.path: len(table_rows) for table_rows in rows.values() if table_rows}
    values = [(os.path.relpath(path, sources.ontology.parent), _digest(path), size.get(path, 0)) for path in inputs]
    if catalogue_file not in inputs:
        values.append((catalogue_file.name, _digest(catalogue_file), 0))
    connection.executemany("INSERT OR REPLACE INTO build_input VALUES (?, ?, ?)", values)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
