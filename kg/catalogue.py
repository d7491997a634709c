"""The local test catalogue: read from CSV, checked by row, and joined to the knowledge base."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from kg import paths
from kg.database import DatabaseError, open_database
from kg.problem import BuildError, Problem
from kg.tables import Row, load_table, read_rows

_LINKS = (
    # column of the file, table, column of the link, kinds of concept allowed
    ("analytes", "test_analyte", "analyte", ("Analyte",)),
    ("materials", "test_material", "material", ("SpecimenMaterial",)),
    ("containers", "test_container", "container", ("Container",)),
    ("handling", "test_handling", "requirement", ("HandlingRequirement",)),
)
_PLAIN = (
    "code name kind method volume_ml minimum_volume_ml dead_volume_ml stability_hours stability_temperature "
    "separate_within_minutes turnround_hours department loinc status remark"
).split()


def read(path: Path, connection: sqlite3.Connection) -> list[Row]:
    """Read a catalogue file and check that each id in it is known.

    Args:
        path: a CSV file with the columns of the demonstration catalogue.
        connection: a database that holds the concepts.

    Raises:
        BuildError: with a problem for each faulty row; nothing of the file is taken in then.
    """
    table = load_table(Path(paths.resource("ontology", "demonstration", "catalogue.csv-metadata.json")))
    rows, problems = read_rows(table, path)
    kinds = dict(connection.execute("SELECT id, kind FROM concept"))
    for row in rows:
        for column, _, _, allowed in _LINKS:
            for part in row.values[column] or ():  # type: ignore[union-attr]
                if kinds.get(str(part)) not in allowed:
                    problems.append(_unknown(path.name, row, column, str(part), connection, allowed))
        method = row.values["method"]
        if method and kinds.get(str(method)) != "Method":
            problems.append(_unknown(path.name, row, "method", str(method), connection, ("Method",)))
    if problems:
        problems.sort(key=lambda problem: problem.row)
        raise BuildError(f"{path.name}: {len(problems)} problems; nothing was imported", problems)
    return rows


def _unknown(where: str, row: Row, field: str, value: str, connection: sqlite3.Connection,
             kinds: tuple[str, ...]) -> Problem:
    from kg.names import nearest

    near = nearest(connection, value, kinds)
    fix = f"did you mean {' or '.join(near)}?" if near else "see 'tubelore search' for the ids"
    return Problem(where, row.line, field, f"'{value}' is not a known id", fix)


def write(connection: sqlite3.Connection, rows: list[Row]) -> None:
    """Replace the catalogue in a database that is under construction."""
    for table in ("test_handling", "test_container", "test_material", "test_analyte", "test_member", "test"):
        connection.execute(f"DELETE FROM {table}")
    for row in rows:
        values = [row.values[column] for column in _PLAIN]
        marks = ", ".join("?" * (len(_PLAIN) + 1))
        numbers = [float(v) if hasattr(v, "as_tuple") else v for v in values]  # type: ignore[arg-type]
        connection.execute(f"INSERT INTO test VALUES ({marks})", [*numbers, row.line])
    for row in rows:
        code = row.values["code"]
        for position, member in enumerate(row.values["members"] or (), 1):  # type: ignore[arg-type]
            connection.execute("INSERT INTO test_member VALUES (?, ?, ?)", (code, member, position))
        for column, table, _, _ in _LINKS:
            for position, part in enumerate(row.values[column] or (), 1):  # type: ignore[arg-type]
                if table in ("test_material", "test_container"):
                    connection.execute(f"INSERT INTO {table} VALUES (?, ?, ?)", (code, part, position))
                else:
                    connection.execute(f"INSERT INTO {table} VALUES (?, ?)", (code, part))


def import_file(path: Path, database: Path) -> int:
    """Replace the catalogue of a built database, all or nothing, and keep the file for later builds.

    Args:
        path: the catalogue.
        database: the built database.

    Returns:
        the number of tests and panels taken in.

    Raises:
        BuildError: the file has problems, or there is no database yet.
    """
    try:
        open_database(str(database)).close()
    except DatabaseError as error:
        raise BuildError(str(error)) from error
    with tempfile.TemporaryDirectory(prefix=".tubelore-", dir=database.parent) as folder:
        copy = Path(folder) / "new.sqlite"
        shutil.copyfile(database, copy)
        with closing(sqlite3.connect(copy)) as connection:
            rows = read(path, connection)
            write(connection, rows)
            connection.execute("INSERT OR REPLACE INTO build_info VALUES ('catalogue', ?)", (path.name,))
            connection.execute("INSERT INTO test_fts(test_fts) VALUES ('rebuild')")
            connection.commit()
            connection.execute("VACUUM")
        kept = database.with_name("catalogue.csv")
        if path.resolve() != kept.resolve():
            shutil.copyfile(path, Path(folder) / "catalogue.csv")
            os.replace(Path(folder) / "catalogue.csv", kept)
        os.replace(copy, database)
    return len(rows)
