"""The built database, opened for reading only."""

from __future__ import annotations

import os
import sqlite3

from kg import paths
from kg.problem import TubeloreError

_ALLOWED = frozenset({sqlite3.SQLITE_SELECT, sqlite3.SQLITE_READ, sqlite3.SQLITE_RECURSIVE, sqlite3.SQLITE_FUNCTION})
_FUNCTIONS = frozenset({"avg", "coalesce", "count", "group_concat", "ifnull", "instr", "length", "like", "lower", "match", "max", "upper",
                        "min", "sum", "bm25", "snippet", "substr", "total", "json_each", "row_number", "abs"})


class DatabaseError(TubeloreError):
    """The database is missing or is not one that this version can read."""


def open_database(path: str | None = None) -> sqlite3.Connection:
    """Open the built database.

    The connection reads only: the file is opened read-only, other files cannot be attached, and
    statements other than SELECT are refused.

    Args:
        path: the file; the default place when not given.

    Raises:
        DatabaseError: there is no such file, or it is not a database of this project.
    """
    path = path or paths.database_path()
    if not os.path.exists(path):
        raise DatabaseError(f"{path}: there is no database here; run 'tubelore build' first")
    try:
        connection = sqlite3.connect(f"file:{_as_uri(path)}?mode=ro", uri=True, check_same_thread=False)
    except sqlite3.OperationalError as error:
        raise DatabaseError(f"{path}: this is not a database of Tubelore; run 'tubelore build'") from error
    try:
        connection.execute("SELECT value FROM build_info WHERE key = 'data_version'").fetchone()[0]
    except (sqlite3.DatabaseError, TypeError) as error:
        connection.close()
        raise DatabaseError(f"{path}: this is not a database of Tubelore; run 'tubelore build'") from error
    connection.row_factory = sqlite3.Row
    connection.setlimit(sqlite3.SQLITE_LIMIT_ATTACHED, 0)
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 10_000_000)
    connection.set_authorizer(_authorize)
    return connection


def _as_uri(path: str) -> str:
    """Escape the three characters that mean something in a file URI."""
    return path.replace("%", "%25").replace("?", "%3f").replace("#", "%23")


def _authorize(action: int, first: str | None, second: str | None, *_: str | None) -> int:
    if action == sqlite3.SQLITE_FUNCTION and (second or "").lower() not in _FUNCTIONS:
        return sqlite3.SQLITE_DENY
    if action == sqlite3.SQLITE_PRAGMA and first == "data_version":
        return sqlite3.SQLITE_OK
    if action == sqlite3.SQLITE_UPDATE and first == "sqlite_master":
        # Full-text tables announce their columns so when they are first used; the file itself is read-only.
        return sqlite3.SQLITE_OK
    return sqlite3.SQLITE_OK if action in _ALLOWED else sqlite3.SQLITE_DENY


_texts: dict[str, str] = {}


def named_query(name: str) -> str:
    """Return the text of ``queries/questions/NAME.sql``."""
    if name not in _texts:
        with open(paths.resource("queries", "questions", f"{name}.sql"), encoding="utf-8") as file:
            _texts[name] = file.read()
    return _texts[name]


def rows(connection: sqlite3.Connection, name: str, **values: object) -> list[sqlite3.Row]:
    """Run a named query and return all its rows.

    Raises:
        DatabaseError: the database lacks a table or column, since another version built it.
    """
    try:
        return connection.execute(named_query(name), values).fetchall()
    except sqlite3.OperationalError as error:
        if "no such" not in str(error):
            raise
        raise DatabaseError(f"the database was built by another version ({error}); run 'tubelore build'") from error
