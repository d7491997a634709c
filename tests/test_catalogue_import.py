"""Importing a local test catalogue: every faulty row named, all or nothing, and kept for later builds."""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.miniature import REPOSITORY, Miniature, run_command, write_table

Contents = Callable[[Path], dict[str, bytes]]
DEMONSTRATION = REPOSITORY / "ontology" / "demonstration"


def _catalogue(small: Miniature) -> list[list[str]]:
    with (small.root / "ontology" / "demonstration" / "catalogue.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def _local(small: Miniature, tmp_path: Path, *changes: tuple[int, str, str]) -> Path:
    """Write a local catalogue with some fields overwritten; rows count as an editor does."""
    rows = _catalogue(small)
    for row, column, value in changes:
        rows[row - 1][rows[0].index(column)] = value
    path = tmp_path / "local.csv"
    write_table(path, rows)
    return path


def _ask(database: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as connection:
        return connection.execute(query).fetchall()


def test_the_demonstration_catalogue_can_be_imported_as_it_is(database: Path, tmp_path: Path) -> None:
    copy = tmp_path / "tubelore.sqlite"
    shutil.copy(database, copy)
    done = run_command("catalogue", "import", str(DEMONSTRATION / "catalogue.csv"), "--database", str(copy), "--json")
    with (DEMONSTRATION / "catalogue.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {"imported": len(rows), "database": str(copy)}
    for table in ("test", "test_member", "test_analyte", "test_material", "test_container", "test_handling"):
        assert _ask(copy, f"SELECT * FROM {table} ORDER BY 1, 2") == _ask(database, f"SELECT * FROM {table} ORDER BY 1, 2"), table
    containers = {(row["code"], part, n) for row in rows for n, part in enumerate(row["containers"].split(";"), 1) if part}
    assert set(_ask(copy, "SELECT test, container, position FROM test_container")) == containers


def test_an_import_replaces_the_whole_catalogue_and_is_found_by_search(small_sources: Miniature, previous: Path, tmp_path: Path) -> None:
    rows = _catalogue(small_sources)
    rows[1][rows[0].index("name")] = "Kalium im Serum"
    local = tmp_path / "local.csv"
    write_table(local, rows[:2])
    done = small_sources.command("catalogue", "import", str(local), "--database", str(previous))
    assert done.returncode == 0, done.stderr
    assert f"1 tests and panels of {local} are now in {previous}" in done.stdout
    assert _ask(previous, "SELECT code, name, volume_ml, row FROM test") == [("T-K", "Kalium im Serum", 0.5, 2)]
    assert _ask(previous, "SELECT test, analyte FROM test_analyte") == [("T-K", "potassium")]
    assert _ask(previous, "SELECT count(*) FROM test_member") == [(0,)]
    found = "SELECT t.code FROM test_fts JOIN test t ON t.rowid = test_fts.rowid WHERE test_fts MATCH '{}'"
    assert _ask(previous, found.format("kalium")) == [("T-K",)]
    assert _ask(previous, found.format("calcium")) == []
    assert _ask(previous, "SELECT value FROM build_info WHERE key = 'catalogue'") == [("local.csv",)]
    assert _ask(previous, "PRAGMA foreign_key_check") == [] and _ask(previous, "PRAGMA integrity_check") == [("ok",)]


def test_the_next_build_takes_the_imported_catalogue_again(small_sources: Miniature, previous: Path, tmp_path: Path) -> None:
    local = _local(small_sources, tmp_path, (2, "name", "Kalium im Serum"))
    assert small_sources.command("catalogue", "import", str(local), "--database", str(previous)).returncode == 0
    assert previous.with_name("catalogue.csv").read_bytes() == local.read_bytes()
    done = small_sources.command("build", "--output", str(previous))
    assert done.returncode == 0, done.stderr
    assert _ask(previous, "SELECT name FROM test WHERE code = 'T-K'") == [("Kalium im Serum",)]


FAULTS = {
    "an unknown analyte": ((2, "analytes", "potasium"), ("'potasium' is not a known id", "did you mean", "potassium")),
    "an unknown container": ((3, "containers", "tube-plain;tube-k2edta"), ("'tube-k2edta' is not a known id", "tube-k2-edta")),
    "an unknown material": ((2, "materials", "serun"), ("'serun' is not a known id", "serum")),
    "an unknown method": ((3, "method", "ocpc-calcum"), ("'ocpc-calcum' is not a known id", "ocpc-calcium")),
    "an unknown handling requirement": ((3, "handling", "keep-on-icee"), ("'keep-on-icee' is not a known id", "keep-on-ice")),
    "an additive in place of a container": ((2, "containers", "k2-edta"), ("'k2-edta' is not a known id", "tube-k2-edta")),
    "a group in place of an analyte": ((2, "analytes", "electrolytes"), ("'electrolytes' is not a known id",)),
    "a code twice": ((3, "code", "T-K"), ("'T-K' was used in row 2 already",)),
    "a code with a blank": ((3, "code", "T CA"), ("'T CA' is not allowed",)),
    "an unknown kind": ((4, "kind", "bundle"), ("'bundle' is not allowed", "test, panel")),
    "a volume with a comma": ((2, "volume_ml", "0,5"), ("'0,5' is not a plain number",)),
    "an empty name": ((2, "name", ""), ("the cell is empty",)),
    "a control character": ((2, "remark", "a\x1b]0;b"), ("control character U+001B",)),
}


@pytest.mark.parametrize("change", [change for change, _ in FAULTS.values()], ids=FAULTS)
def test_a_faulty_row_is_named_and_neither_database_nor_kept_catalogue_is_touched(
        change: tuple[int, str, str], small_sources: Miniature, previous: Path, tmp_path: Path,
        contents: Contents) -> None:
    says = next(words for planted, words in FAULTS.values() if planted == change)
    previous.with_name("catalogue.csv").write_text("the catalogue of before\n", encoding="utf-8")
    before = contents(previous.parent)
    local = _local(small_sources, tmp_path, change)
    done = small_sources.command("catalogue", "import", str(local), "--database", str(previous))
    row, field, _ = change
    line = next((line for line in done.stderr.splitlines() if line.startswith(f"local.csv:{row}: {field}:")), "")
    assert done.returncode == 1
    assert line, done.stderr
    for words in says:
        assert words in line
    assert "nothing was imported" in done.stderr and "Traceback" not in done.stderr and done.stdout == ""
    assert contents(previous.parent) == before
    assert not list(previous.parent.glob(".tubelore-*"))


def test_all_faulty_rows_are_told_at_once_in_order_and_as_json(small_sources: Miniature, previous: Path, tmp_path: Path) -> None:
    local = _local(small_sources, tmp_path, (4, "kind", "bundle"), (3, "analytes", "calcum-total"), (2, "materials", "serun"))
    done = small_sources.command("catalogue", "import", str(local), "--database", str(previous), "--json")
    told = json.loads(done.stdout)
    assert done.returncode == 1
    assert set(told) == {"error", "problems"}
    assert [(p["where"], p["row"], p["field"]) for p in told["problems"]] == [
        ("local.csv", 2, "materials"), ("local.csv", 3, "analytes"), ("local.csv", 4, "kind")]
    assert all(set(p) == {"where", "row", "field", "what", "fix", "severity"} for p in told["problems"])
    assert told["error"] == "local.csv: 3 problems; nothing was imported"


FILES = {
    "empty": (b"", "the file is empty"),
    "UTF-16": ("code,name".encode("utf-16"), "encoded as UTF-16"),
    "with semicolons": (b"code;name;kind\nT-K;Potassium;test\n", "separated by semicolons"),
    "a picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "not UTF-8"),
    "with other columns": (b"code,name\nT-K,Potassium\n", "the column is missing"),
}


@pytest.mark.parametrize(("raw", "says"), FILES.values(), ids=FILES)
def test_a_file_that_is_no_catalogue_is_refused(raw: bytes, says: str, small_sources: Miniature, previous: Path, tmp_path: Path,
                                                contents: Contents) -> None:
    before = contents(previous.parent)
    (tmp_path / "local.csv").write_bytes(raw)
    done = small_sources.command("catalogue", "import", str(tmp_path / "local.csv"), "--database", str(previous))
    assert done.returncode == 1
    assert says in done.stderr and "local.csv" in done.stderr and "Traceback" not in done.stderr
    assert contents(previous.parent) == before


@pytest.mark.parametrize("name", ["no-such-file.csv", "."])
def test_a_catalogue_that_cannot_be_read_is_named(name: str, small_sources: Miniature, previous: Path, contents: Contents) -> None:
    before = contents(previous.parent)
    done = small_sources.command("catalogue", "import", name, "--database", str(previous))
    assert done.returncode == 1
    assert "the file cannot be read" in done.stderr and "Traceback" not in done.stderr
    assert contents(previous.parent) == before


def test_an_import_without_a_database_says_to_build_first(small_sources: Miniature, tmp_path: Path) -> None:
    local = _local(small_sources, tmp_path)
    done = small_sources.command("catalogue", "import", str(local))
    assert done.returncode == 1
    assert "run 'tubelore build' first" in done.stderr
    assert not (small_sources.root / "no-home").exists()


def test_a_kept_catalogue_that_no_longer_fits_stops_the_build_with_its_row(small_sources: Miniature, previous: Path,
                                                                       tmp_path: Path, contents: Contents) -> None:
    shutil.copy(_local(small_sources, tmp_path, (3, "analytes", "calcum-total")), previous.with_name("catalogue.csv"))
    before = contents(previous.parent)
    done = small_sources.command("build", "--output", str(previous))
    assert done.returncode == 1
    assert "catalogue.csv:3: analytes: 'calcum-total' is not a known id" in done.stderr
    assert contents(previous.parent) == before


def test_the_mistakes_of_the_demonstration_are_really_in_its_catalogue() -> None:
    with (DEMONSTRATION / "catalogue.csv").open(encoding="utf-8", newline="") as file:
        catalogue = {row["code"]: row for row in csv.DictReader(file)}
    with (DEMONSTRATION / "mistakes.csv").open(encoding="utf-8", newline="") as file:
        mistakes = list(csv.DictReader(file))
    assert len(mistakes) >= 10
    for mistake in mistakes:
        assert catalogue[mistake["code"]][mistake["field"]] == mistake["wrong"], mistake["code"]
        assert mistake["right"] != mistake["wrong"] and mistake["why"] and mistake["kind"]


def test_the_demonstration_without_its_mistakes_can_be_imported_too(database: Path, tmp_path: Path) -> None:
    with (DEMONSTRATION / "catalogue.csv").open(encoding="utf-8", newline="") as file:
        header, *rows = list(csv.reader(file))
    with (DEMONSTRATION / "mistakes.csv").open(encoding="utf-8", newline="") as file:
        for mistake in csv.DictReader(file):
            row = next(row for row in rows if row[0] == mistake["code"])
            row[header.index(mistake["field"])] = mistake["right"]
    write_table(tmp_path / "clean.csv", [header, *rows])
    shutil.copy(database, tmp_path / "tubelore.sqlite")
    done = run_command("catalogue", "import", str(tmp_path / "clean.csv"), "--database", str(tmp_path / "tubelore.sqlite"))
    assert done.returncode == 0, done.stderr
