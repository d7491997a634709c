"""The database that questions read cannot be changed, cannot reach other files, and says what to do when it is not there."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from kg.database import DatabaseError, open_database
from tests.miniature import Miniature

REFUSED = {
    "INSERT": "INSERT INTO build_info VALUES ('a', 'b')",
    "UPDATE": "UPDATE effect SET direction = 'no-effect'",
    "DELETE": "DELETE FROM effect",
    "REPLACE": "REPLACE INTO build_info VALUES ('data_version', 'x')",
    "CREATE TABLE": "CREATE TABLE extra (x)",
    "CREATE TEMP TABLE": "CREATE TEMP TABLE extra (x)",
    "CREATE TRIGGER": "CREATE TEMP TRIGGER t AFTER INSERT ON fact BEGIN SELECT 1; END",
    "DROP": "DROP TABLE effect",
    "ALTER": "ALTER TABLE effect RENAME TO other",
    "REINDEX": "REINDEX",
    "ANALYZE": "ANALYZE",
    "VACUUM": "VACUUM",
    "VACUUM INTO": "VACUUM INTO '{folder}/copy.sqlite'",
    "ATTACH": "ATTACH '{folder}/other.sqlite' AS other",
    "ATTACH in memory": "ATTACH ':memory:' AS other",
    "PRAGMA user_version": "PRAGMA user_version = 7",
    "PRAGMA writable_schema": "PRAGMA writable_schema = ON",
    "PRAGMA journal_mode": "PRAGMA journal_mode = WAL",
    "PRAGMA query_only": "PRAGMA query_only = OFF",
    "PRAGMA temp_store_directory": "PRAGMA temp_store_directory = '{folder}'",
    "load_extension": "SELECT load_extension('{folder}/evil.so')",
    "readfile": "SELECT readfile('/etc/passwd')",
    "writefile": "SELECT writefile('{folder}/file', 'x')",
    "printf bomb": "SELECT printf('%.1000000000c', 'x')",
    "zeroblob bomb": "SELECT zeroblob(1000000000)",
    "randomblob bomb": "SELECT hex(randomblob(500000000))",
    "replace bomb": "SELECT replace(replace('aaaaaaaaaa', 'a', 'aaaaaaaaaa'), 'a', 'aaaaaaaaaa')",
    "fts3_tokenizer": "SELECT fts3_tokenizer('simple')",
    "index of the search": "INSERT INTO fact_fts(fact_fts) VALUES ('rebuild')",
}


@pytest.fixture
def small_connection(small_build: Path, tmp_path: Path) -> sqlite3.Connection:
    shutil.copy(small_build, tmp_path / "tubelore.sqlite")
    return open_database(str(tmp_path / "tubelore.sqlite"))


@pytest.mark.parametrize("statement", REFUSED.values(), ids=REFUSED)
def test_a_statement_that_is_not_a_question_is_refused(statement: str, small_connection: sqlite3.Connection, tmp_path: Path) -> None:
    path = tmp_path / "tubelore.sqlite"
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    with closing(small_connection), pytest.raises(sqlite3.DatabaseError):
        small_connection.execute(statement.replace("{folder}", str(tmp_path))).fetchall()
    assert hashlib.sha256(path.read_bytes()).hexdigest() == digest
    assert [file.name for file in tmp_path.iterdir()] == ["tubelore.sqlite"]


def test_several_statements_at_once_are_refused(small_connection: sqlite3.Connection) -> None:
    with closing(small_connection), pytest.raises((sqlite3.ProgrammingError, sqlite3.Warning)):
        small_connection.execute("SELECT 1; DROP TABLE effect")
    with pytest.raises(sqlite3.Error):
        small_connection.executescript("DROP TABLE effect")


def test_a_cell_larger_than_any_fact_is_refused(small_connection: sqlite3.Connection) -> None:
    bomb = "SELECT group_concat(s) FROM (SELECT a.sentence AS s FROM fact a, fact b, fact c LIMIT 400000)"
    with closing(small_connection), pytest.raises(sqlite3.DatabaseError, match="too big"):
        small_connection.execute(bomb).fetchall()


def test_questions_are_answered_all_the_same(connection: sqlite3.Connection) -> None:
    searched = connection.execute("SELECT f.sentence FROM fact_fts JOIN fact f ON f.rowid = fact_fts.rowid "
                                  "WHERE fact_fts MATCH 'chelation OR potassium' ORDER BY bm25(fact_fts) LIMIT 5").fetchall()
    assert len(searched) == 5
    assert connection.execute("WITH RECURSIVE n(i) AS (SELECT 1 UNION SELECT i + 1 FROM n WHERE i < 9) SELECT max(i) FROM n"
                              ).fetchone()[0] == 9
    row = connection.execute("SELECT id, label FROM concept WHERE id = 'k2-edta'").fetchone()
    assert (row["id"], row["label"]) == ("k2-edta", "K2EDTA")


def _not_ours(kind: str, folder: Path) -> Path:
    path = folder / "tubelore.sqlite"
    if kind == "a text":
        path.write_text("not a database at all, but long enough to be looked at\n" * 200, encoding="utf-8")
    elif kind == "an empty file":
        path.touch()
    elif kind == "a folder":
        path.mkdir()
    elif kind == "another database":
        with closing(sqlite3.connect(path)) as other:
            other.execute("CREATE TABLE build_info (key, value)")
    return path


@pytest.mark.parametrize("kind", ["a text", "an empty file", "a folder", "another database"])
def test_a_file_that_is_not_ours_is_refused_with_what_to_do(kind: str, tmp_path: Path) -> None:
    path = _not_ours(kind, tmp_path)
    with pytest.raises(DatabaseError) as refused:
        open_database(str(path))
    assert str(path) in str(refused.value)
    assert "not a database of Tubelore; run 'tubelore build'" in str(refused.value)


def test_a_missing_file_is_refused_with_what_to_do_and_is_not_made(tmp_path: Path) -> None:
    path = tmp_path / "nothing.sqlite"
    with pytest.raises(DatabaseError, match="there is no database here; run 'tubelore build' first"):
        open_database(str(path))
    assert not path.exists()


@pytest.mark.parametrize("arguments", [("why", "potassium", "k2-edta"), ("derivation",), ("browse", "--no-open", "--port", "0"),
                                       ("catalogue", "import", "ontology/demonstration/catalogue.csv")])
@pytest.mark.parametrize("kind", ["a missing file", "a text"])
def test_a_command_without_a_database_says_what_to_do_and_fails(arguments: tuple[str, ...], kind: str, small_sources: Miniature,
                                                               tmp_path: Path) -> None:
    path = _not_ours(kind, tmp_path)
    done = small_sources.command(*arguments, "--database", str(path))
    assert done.returncode == 1
    assert "run 'tubelore build'" in done.stderr and "Traceback" not in done.stderr
    assert done.stdout == ""


@pytest.mark.parametrize("name", ["a b.sqlite", "ä?x#y%20.sqlite", "q&mode=rwc.sqlite"])
def test_a_path_with_marks_of_an_address_opens_that_very_file_read_only(name: str, small_build: Path, tmp_path: Path) -> None:
    shutil.copy(small_build, tmp_path / name)
    with closing(open_database(str(tmp_path / name))) as opened:
        assert opened.execute("SELECT count(*) FROM effect").fetchone()[0] > 10
    assert [path.name for path in tmp_path.iterdir()] == [name]
