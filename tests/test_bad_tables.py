"""What a person is told about a broken fact table: file, row, field, what is wrong and what would be right.

Each fault is planted in a miniature checkout and met through the command line, on top of an earlier build.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.miniature import Miniature

Contents = Callable[[Path], dict[str, bytes]]
ANALYTES_HEADER = ("id,label,synonyms,discipline,property,unit,conventional_unit,factor_to_si,formula,definition,"
                   "source,locator,basis,note")


@dataclass(frozen=True)
class Fault:
    """A table made wrong, and what the report must say of it."""

    table: str
    row: int
    field: str
    says: tuple[str, ...]
    plant: Callable[[Miniature], None]

    @property
    def place(self) -> str:
        """How the report names file and row; no row for the whole file."""
        return f"{self.table}.csv:{self.row}:" if self.row else f"{self.table}.csv:"


def _field(table: str, row: int, column: str, value: str, *says: str) -> Fault:
    return Fault(table, row, column, says, lambda small: small.break_field(table, row, column, value))


def _bytes(table: str, row: int, field: str, change: Callable[[bytes], bytes], *says: str) -> Fault:
    def plant(small: Miniature) -> None:
        path = small.table(table)
        before = path.read_bytes()
        path.write_bytes(change(before))
        assert path.read_bytes() != before, "nothing was planted"

    return Fault(table, row, field, says, plant)


def _swap(old: str, new: str) -> Callable[[bytes], bytes]:
    return lambda raw: raw.replace(old.encode(), new.encode(), 1)


def _columns(change: Callable[[list[str]], list[str]]) -> Callable[[bytes], bytes]:
    def rewrite(raw: bytes) -> bytes:
        rows = [change(row) for row in csv.reader(io.StringIO(raw.decode()))]
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows(rows)
        return out.getvalue().encode()

    return rewrite


def _semicolons(raw: bytes) -> bytes:
    rows = csv.reader(io.StringIO(raw.decode()))
    out = io.StringIO()
    csv.writer(out, delimiter=";", lineterminator="\n").writerows(rows)
    return out.getvalue().encode()


FAULTS = {
    # the file
    "an empty file": _bytes("analytes", 0, "", lambda raw: b"", "the file is empty", "header row and at least one row"),
    "a file of blank lines": _bytes("analytes", 0, "", lambda raw: b"\n \n", "the file is empty"),
    "a header without rows": _bytes("analytes", 0, "", lambda raw: raw.splitlines(True)[0],
                                    "the table has a header but no rows", "add rows"),
    "UTF-16": _bytes("analytes", 0, "", lambda raw: raw.decode().encode("utf-16"), "encoded as UTF-16", "save it as CSV UTF-8"),
    "UTF-16 without a mark": _bytes("analytes", 1, "", lambda raw: raw.decode().encode("utf-16-le"),
                                    "control character U+0000", "CSV UTF-8"),
    "Latin-1": _bytes("mechanisms", 4, "", lambda raw: raw.replace(b"Cation", "Kätion".encode("latin-1"), 1),
                      "byte 0xe4 is not UTF-8", "save the file as CSV UTF-8"),
    "semicolons between cells": _bytes("analytes", 1, "", _semicolons, "separated by semicolons", "save the table with commas"),
    "tabs between cells": _bytes("fluids", 1, "", lambda raw: raw.replace(b",", b"\t"), "separated by tabs"),
    # the header
    "a missing column": _bytes("analytes", 1, "unit", _columns(lambda row: row[:5] + row[6:]), "the column is missing",
                               ANALYTES_HEADER.replace(",", ", ")),
    "an unknown column": _bytes("analytes", 1, "synonym", _swap("synonyms", "synonym"), "unknown column",
                                "did you mean 'synonyms'?"),
    "a column twice": _bytes("analytes", 1, "label", _columns(lambda row: [*row, row[1]]), "the column occurs twice", "keep one"),
    # the row
    "a row with too few cells": _bytes("analytes", 3, "", _swap('"Calcium, total",Ca,', '"Calcium, total",'),
                                       "the row has 13 cells where the header has 14", "quote a cell that holds a comma"),
    "a row with too many cells": _bytes("analytes", 3, "", _swap('"Calcium, total"', "Calcium, total"),
                                        "the row has 15 cells where the header has 14"),
    "an empty line": _bytes("analytes", 4, "", _swap("calcium-ionised", "\ncalcium-ionised"), "the row has 0 cells"),
    "an unclosed quote": _bytes("analytes", 6, "", _swap("Glucose", '"Glucose'), "cannot be split into cells",
                                "quotation mark that is not closed"),
    "a cell of ten megabytes": _bytes("analytes", 6, "", _swap("Glucose", "G" * 10_000_000), "field larger than field limit"),
    # the cell
    "a long cell": _field("analytes", 6, "definition", "x" * 5000, "the cell has 5,000 characters", "at most 4,000"),
    "NUL": _bytes("analytes", 6, "label", _swap("Glucose", "Glu\0cose"), "the control character U+0000", "remove it"),
    "a form feed": _bytes("analytes", 6, "label", _swap("Glucose", "Glu\x0ccose"), "the control character U+000C"),
    "an escape sequence": _field("analytes", 6, "label", "Glu\x1b[31mcose", "the control character U+001B"),
    "a line separator": _field("analytes", 6, "label", "Glu\u2028cose", "the control character U+2028"),
    "a C1 control": _field("analytes", 6, "label", "Glu\x85cose", "the control character U+0085"),
    "a blank before": _field("analytes", 6, "label", " Glucose", "' Glucose' has blanks at its ends", "remove them"),
    "a no-break space behind": _field("analytes", 6, "label", "Glucose\u00a0", "has blanks at its ends"),
    "an empty cell that must be filled": _field("analytes", 6, "property", "", "the cell is empty", "must be filled"),
    "a list with an empty part": _field("analytes", 2, "synonyms", "K;;kalium", "'K;;kalium' has an empty part", "one semicolon"),
    "a list that ends in a semicolon": _field("analytes", 2, "synonyms", "K;", "'K;' has an empty part"),
    "a list with a blank in it": _field("analytes", 2, "synonyms", "K; kalium", "has blanks beside a semicolon"),
    "a list that repeats itself": _field("analytes", 2, "synonyms", "K;K", "names a part twice"),
    "a decimal comma": _field("analytes", 2, "factor_to_si", "0,2558", "'0,2558' is not a plain number", "0.33"),
    "an exponent": _field("analytes", 2, "factor_to_si", "2e-1", "'2e-1' is not a plain number", "0.33"),
    "a comparator": _field("analytes", 2, "factor_to_si", "<0.3", "'<0.3' is not a plain number"),
    "not a number": _field("analytes", 2, "factor_to_si", "NaN", "'NaN' is not a plain number"),
    "digits of another script": _field("analytes", 2, "factor_to_si", "٣", "'٣' is not a plain number"),
    "a fraction for a whole number": _field("draw_order", 2, "position", "1.0", "'1.0' is not a whole number", "digits only"),
    "a word that is not in the list": _field("analytes", 2, "discipline", "chemsitry", "'chemsitry' is not allowed",
                                             "chemistry, endocrine, drug, immunology"),
    "a basis that does not exist": _field("binding", 2, "basis", "seen", "'seen' is not allowed", "read, abstract, memory, practice"),
    "a unit that UCUM lacks": _field("analytes", 2, "unit", "millimol", "'millimol' is not a UCUM unit", "mmol/L"),
    "an id with capitals": _field("fluids", 2, "id", "Potassium-Infusion", "'Potassium-Infusion' is not allowed", "[a-z0-9]"),
    # ids across tables
    "an unknown id": _field("measurands", 2, "analyte", "potasium", "'potasium' is unknown",
                            "an id of analytes.csv or analyte_groups.csv is needed", "did you mean potassium?"),
    "an unknown id in a list": _field("analyte_groups", 5, "members", "potassium;calcium-totl", "'calcium-totl' is unknown",
                                      "did you mean calcium-total"),
    "an id of another table": _field("composition", 2, "species", "potassium", "'potassium' is in analytes.csv",
                                     "an id of species.csv is needed", "potassium-ion"),
    "an id twice in a table": _field("analytes", 4, "id", "potassium", "'potassium' was used in row 2 already", "of its own"),
    "an id twice across tables": _field("species", 2, "id", "glucose", "'glucose' is already used in analytes.csv:6",
                                        "unique across all tables"),
}


def _refused(small: Miniature, fault: Fault, database: Path, contents: Contents) -> None:
    before = contents(database.parent)
    done = small.command("build", "--output", str(database))
    assert done.returncode == 1, done.stdout
    line = next((line for line in done.stderr.splitlines() if line.startswith(fault.place)), "")
    assert line, done.stderr
    assert not fault.field or f" {fault.field}:" in line
    for words in fault.says:
        assert words in line
    assert "nothing was written" in done.stderr
    assert "Traceback" not in done.stderr and "Warning" not in done.stderr
    assert contents(database.parent) == before


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS)
def test_a_broken_table_is_refused_with_file_row_and_field_and_the_earlier_build_stays(
        fault: Fault, small_sources: Miniature, previous: Path, contents: Contents) -> None:
    fault.plant(small_sources)
    _refused(small_sources, fault, previous, contents)


def test_a_missing_table_is_named(small_sources: Miniature, previous: Path, contents: Contents) -> None:
    small_sources.table("analytes").unlink()
    _refused(small_sources, Fault("analytes", 0, "", ("the file cannot be read", "No such file"), lambda small: None),
             previous, contents)


def test_every_fault_of_all_tables_is_reported_at_once(small_sources: Miniature, previous: Path) -> None:
    small_sources.break_field("analytes", 2, "unit", "millimol")
    small_sources.break_field("analytes", 5, "discipline", "chem")
    small_sources.break_field("species", 3, "charge", "two")
    done = small_sources.command("build", "--output", str(previous), "--json")
    told = json.loads(done.stdout)
    assert done.returncode == 1
    assert [(p["where"], p["row"], p["field"]) for p in told["problems"]] == [
        ("analytes.csv", 2, "unit"), ("analytes.csv", 5, "discipline"), ("species.csv", 3, "charge")]
    assert told["error"] == "3 problems; nothing was written"


def test_a_row_is_named_as_an_editor_counts_it_when_cells_before_it_hold_line_ends(small_sources: Miniature, previous: Path,
                                                                                contents: Contents) -> None:
    path = small_sources.table("analytes")
    path.write_text(path.read_text(encoding="utf-8").replace("Potassium,", '"Potas\nsium",', 1), encoding="utf-8")
    lines = path.read_text(encoding="utf-8").split("\n")
    row = next(number for number, line in enumerate(lines, 1) if line.startswith("glucose,"))
    fault = _bytes("analytes", row, "discipline", _swap("Glucose,,chemistry", "Glucose,,chem"), "'chem' is not allowed")
    fault.plant(small_sources)
    _refused(small_sources, fault, previous, contents)


@pytest.mark.parametrize("change", [lambda raw: b"\xef\xbb\xbf" + raw, lambda raw: raw.replace(b"\n", b"\r\n"),
                                    lambda raw: raw.removesuffix(b"\n")],
                         ids=["a byte order mark", "line ends of Windows", "no line end at the end"])
def test_what_spreadsheets_do_to_a_file_is_accepted_and_changes_nothing(
        change: Callable[[bytes], bytes], small_sources: Miniature, previous: Path, tmp_path: Path) -> None:
    for path in small_sources.table("analytes").parent.glob("*.csv"):
        path.write_bytes(change(path.read_bytes()))
    small_sources.build(tmp_path / "new.sqlite")
    assert (tmp_path / "new.nq").read_bytes() == previous.with_suffix(".nq").read_bytes()


MAPPING_FAULTS = {
    "an unknown subject": (_swap("tubelore:potassium", "tubelore:potasium"), 3, "subject_id: 'potasium' is unknown"),
    "a code without its system": (_swap("LOINC:2823-3", "2823-3"), 3, "object_id: '2823-3' has no prefix"),
    "a row with too few cells": (_swap("\tPotassium\t", "\t"), 3, "the row has 5 cells where the header has 6"),
    "a column that is missing": (_swap("mapping_justification", "why"), 0, "the columns mapping_justification are missing"),
    "an empty file": (lambda raw: b"", 0, "are missing"),
    "Latin-1": (lambda raw: raw.replace(b"Potassium", "Kälium".encode("latin-1")), 3, "byte 0xe4 is not UTF-8"),
    "the same code twice": (lambda raw: raw + raw.splitlines(True)[-1].replace(b"Potassium", b"Other"), 4,
                            "potassium is matched with LOINC:2823-3 already"),
}


@pytest.mark.parametrize(("change", "row", "says"), MAPPING_FAULTS.values(), ids=MAPPING_FAULTS)
def test_a_broken_mapping_is_refused_with_file_and_row(change: Callable[[bytes], bytes], row: int, says: str,
                                                       small_sources: Miniature, previous: Path, contents: Contents) -> None:
    path = small_sources.root / "ontology" / "mappings" / "miniature.sssom.tsv"
    path.write_bytes(change(path.read_bytes()))
    before = contents(previous.parent)
    done = small_sources.command("build", "--output", str(previous))
    place = f"miniature.sssom.tsv:{row}: " if row else "miniature.sssom.tsv: "
    assert done.returncode == 1
    assert any(line.startswith(place) and says in line for line in done.stderr.splitlines()), done.stderr
    assert "Traceback" not in done.stderr
    assert contents(previous.parent) == before
