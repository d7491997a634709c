"""Fact tables: CSV files described by CSV-on-the-Web metadata, read with every fault named by row.

The metadata beside each table (``NAME.csv-metadata.json``) is read with the ``csvw`` library, which
also parses each cell by its datatype. What this module adds is a check of the raw file and an error
text a person can act on. Two annotations of our own are understood in the metadata: ``refersTo``
(the tables in which a cell's id must be found) and ``sentence`` (how a row reads in words).
"""

from __future__ import annotations

import csv
import difflib
import functools
import io
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

import csvw

from kg import terms
from kg.problem import BuildError, Problem

Value = str | Decimal | int | list[str] | None

MAX_FILE_BYTES = 64 * 1024 * 1024
MAX_CELL_CHARACTERS = 4000
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029]")
_NUMBERS = {
    "decimal": (re.compile(r"-?[0-9]+(\.[0-9]+)?"), "a plain number", "write digits with a decimal point, such as 0.33"),
    "integer": (re.compile(r"-?[0-9]+"), "a whole number", "write digits only, such as 4"),
}
_TEMPLATE = re.compile(r"\{(\w+)\}")


@dataclass(frozen=True)
class Column:
    """One column of a fact table, as its CSVW metadata describes it."""

    name: str
    predicate: str
    subject: str
    value_prefix: str | None
    refers_to: tuple[str, ...]
    is_unit: bool
    description: str
    parser: Any

    @property
    def many(self) -> bool:
        """Whether a cell holds a list."""
        return self.parser.separator is not None

    @property
    def datatype(self) -> str:
        """The base datatype: ``string``, ``decimal`` or ``integer``."""
        return self.parser.datatype.base if self.parser.datatype else "string"

    @property
    def allowed(self) -> str:
        """The allowed words or the pattern, for an error text."""
        pattern = self.parser.datatype.format if self.parser.datatype else None
        return str(pattern or "")


@dataclass(frozen=True)
class Table:
    """One fact table: where it lies, what it means and how its rows read."""

    name: str
    path: Path
    title: str
    description: str
    is_concept: bool
    may_be_empty: bool
    sentence: str
    about: str
    key: str
    columns: tuple[Column, ...]
    fixed: tuple[tuple[str, str, str], ...]
    """Statements made for each row: templates of subject, property and object."""

    @property
    def rdf_class(self) -> str:
        """The class of which each row is an instance."""
        return next(value for subject, prop, value in self.fixed if subject == self.about and prop == terms.RDF_TYPE)

    def column(self, name: str) -> Column | None:
        """Return a column by its name, or None."""
        return next((column for column in self.columns if column.name == name), None)


@dataclass
class Row:
    """One row that passed its own checks, with its place for later messages."""

    table: Table
    line: int
    values: dict[str, Value] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """The row's id."""
        return str(self.values[self.table.key])


def load_table(metadata: Path) -> Table:
    """Read the CSVW description of one table.

    Raises:
        BuildError: the metadata is not valid CSVW or lacks what this project needs.
    """
    try:
        described = csvw.Table.from_file(metadata)
        schema = described.tableSchema
        about = str(schema.aboutUrl)
        columns = tuple(_column(c, about) for c in schema.columns if not c.virtual)
        fixed = tuple(
            (str(c.aboutUrl or about), str(c.propertyUrl), str(c.valueUrl)) for c in schema.columns if c.virtual
        )
        notes = described.common_props
        return Table(
            name=str(described.url).removesuffix(".csv"),
            path=metadata.parent / str(described.url),
            title=notes["dc:title"],
            description=notes["dc:description"],
            is_concept=notes[terms.VOCAB + "concept"],
            may_be_empty=notes.get(terms.VOCAB + "mayBeEmpty", False),
            sentence=notes[terms.VOCAB + "sentence"],
            about=about,
            key=schema.primaryKey[0],
            columns=columns,
            fixed=fixed,
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise BuildError(
            f"{metadata}: the description of the table cannot be read ({type(error).__name__}: {error}); "
            "it must be CSVW with dc:title, dc:description, and the project's sentence and concept notes"
        ) from error


def _column(parser: Any, about: str) -> Column:
    value_url = str(parser.valueUrl) if parser.valueUrl else None
    datatype = parser.datatype
    return Column(
        name=parser.name,
        predicate=str(parser.propertyUrl),
        subject=str(parser.aboutUrl or about),
        value_prefix=value_url.split("{")[0] if value_url else None,
        refers_to=tuple(parser.common_props.get(terms.VOCAB + "refersTo", ())),
        is_unit=bool(parser.common_props.get(terms.VOCAB + "unit", False)),
        description=str(parser.common_props.get("dc:description") or (datatype.common_props if datatype else {}).get("dc:description", "")),
        parser=parser,
    )


def load_tables(folder: Path) -> list[Table]:
    """Read the descriptions of all tables of a folder, in the order of their names."""
    return [load_table(path) for path in sorted(folder.glob("*.csv-metadata.json"))]


def read_rows(table: Table, path: Path | None = None) -> tuple[list[Row], list[Problem]]:
    """Read one table, checking each cell by itself.

    Args:
        table: the description of the table.
        path: another file with the same columns (a local catalogue, say).

    Returns:
        the rows without a fault, and a problem for each fault of the others.
    """
    path = path or table.path
    where = path.name
    text, problems = _decode(path, where)
    if text is None:
        return [], problems
    rows: list[Row] = []
    seen: dict[str, int] = {}
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    line = 1
    try:
        header = next(reader, None)
        fault = _check_header(table, header, where)
        if fault:
            return [], [*problems, *fault]
        assert header is not None
        line = reader.line_num + 1
        for cells in reader:
            row, faults = _read_row(table, header, cells, where, line)
            if not faults and row.id in seen:
                faults = [Problem(where, line, table.key, f"the {table.key} '{row.id}' was used in row {seen[row.id]} already",
                                  f"give this row a {table.key} of its own")]
            problems.extend(faults)
            if not faults:
                seen[row.id] = line
                rows.append(row)
            line = reader.line_num + 1
    except csv.Error as error:
        problems.append(Problem(where, line, "", f"the row cannot be split into cells ({error})",
                                "check for a quotation mark that is not closed, or doubled where it should be"))
    if not rows and not problems and not table.may_be_empty:
        problems.append(Problem(where, 0, "", "the table has a header but no rows", "add rows or remove the table"))
    return rows, problems


def _decode(path: Path, where: str) -> tuple[str | None, list[Problem]]:
    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            return None, [Problem(where, 0, "", f"the file has {size:,} bytes",
                                  f"a table may have at most {MAX_FILE_BYTES:,}")]
        raw = path.read_bytes()
    except OSError as error:
        return None, [Problem(where, 0, "", f"the file cannot be read ({error.strerror})", "check its place and rights")]
    if not raw.strip():
        return None, [Problem(where, 0, "", "the file is empty", "it needs a header row and at least one row")]
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return None, [Problem(where, 0, "", "the file is encoded as UTF-16", "save it as CSV UTF-8")]
    try:
        return raw.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return None, [Problem(where, line, "", f"byte {error.object[error.start]:#04x} is not UTF-8",
                              "save the file as CSV UTF-8 (it looks like a Windows or Latin encoding)")]


def _check_header(table: Table, header: list[str] | None, where: str) -> list[Problem]:
    wanted = [column.name for column in table.columns]
    if not header:
        return [Problem(where, 1, "", "there is no header row", f"it must be: {','.join(wanted)}")]
    if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
        mark = "semicolons" if ";" in header[0] else "tabs"
        return [Problem(where, 1, "", f"the cells are separated by {mark}", "save the table with commas")]
    bad = _CONTROL.search("".join(header))
    if bad:
        return [Problem(where, 1, "", f"the header holds the control character U+{ord(bad.group()):04X}",
                        "save the table as CSV UTF-8")]
    problems = []
    for name in dict.fromkeys(name for name in header if header.count(name) > 1):
        problems.append(Problem(where, 1, name, "the column occurs twice", "keep one of them"))
    for name in header:
        if name not in wanted:
            near = difflib.get_close_matches(name, wanted, 1)
            fix = f"did you mean '{near[0]}'?" if near else f"the columns are: {', '.join(wanted)}"
            problems.append(Problem(where, 1, name, "unknown column", fix))
    for name in wanted:
        if name not in header:
            problems.append(Problem(where, 1, name, "the column is missing", f"the columns are: {', '.join(wanted)}"))
    return problems


def _read_row(table: Table, header: list[str], cells: list[str], where: str, line: int) -> tuple[Row, list[Problem]]:
    row = Row(table, line)
    if len(cells) != len(header):
        what = f"the row has {len(cells)} cells where the header has {len(header)}"
        return row, [Problem(where, line, "", what, "quote a cell that holds a comma, or fill up with empty cells")]
    problems = []
    by_name = dict(zip(header, cells, strict=True))
    for column in table.columns:
        value, fault = _read_cell(column, by_name[column.name])
        row.values[column.name] = value
        if fault:
            problems.append(Problem(where, line, column.name, *fault))
    return row, problems


def _read_cell(column: Column, cell: str) -> tuple[Value, tuple[str, str] | None]:
    """Return the value of a cell, or what is wrong with it and what would be right."""
    if len(cell) > MAX_CELL_CHARACTERS:
        return None, (f"the cell has {len(cell):,} characters", f"at most {MAX_CELL_CHARACTERS:,} are allowed")
    bad = _CONTROL.search(cell)
    if bad:
        return None, (f"the cell holds the control character U+{ord(bad.group()):04X}", "remove it")
    if cell != cell.strip():
        return None, (f"'{cell}' has blanks at its ends", "remove them")
    pattern, kind, right = _NUMBERS.get(column.datatype, (None, "", ""))
    if pattern and cell and not pattern.fullmatch(cell):
        return None, (f"'{cell}' is not {kind}", right)
    try:
        value = column.parser.read(cell)
    except (ValueError, ArithmeticError):
        if not cell:
            return None, ("the cell is empty", "this column must be filled")
        return None, (f"'{cell}' is not allowed", f"allowed: {column.allowed.replace('|', ', ')}")
    if isinstance(value, list):
        if any(not part for part in value):
            return None, (f"'{cell}' has an empty part", "separate parts by one semicolon, none at the ends")
        if any(part != part.strip() for part in value):
            return None, (f"'{cell}' has blanks beside a semicolon", "remove them")
        if len(set(value)) < len(value):
            return None, (f"'{cell}' names a part twice", "name each part once")
    if column.is_unit and value and not is_unit(str(value)):
        return None, (f"'{cell}' is not a UCUM unit", "write it as UCUM does, e.g. mmol/L, 10*9/L, [IU]/mL, Cel, %")
    return value, None


@functools.cache
def _ucum_grammar() -> Any:
    from ucumvert.parser import get_ucum_parser

    return get_ucum_parser()


@functools.cache
def is_unit(text: str) -> bool:
    """Whether a text is a UCUM unit, by the grammar of the ``ucumvert`` library."""
    from lark.exceptions import LarkError

    try:
        _ucum_grammar().parse(text)
    except LarkError:
        return False
    return True


def check_references(rows: Iterable[Row]) -> list[Problem]:
    """Find ids that are used twice in the knowledge base, or that refer to nothing.

    Args:
        rows: all rows of all tables.
    """
    rows = list(rows)
    owner: dict[str, Row] = {}
    ids: dict[str, set[str]] = {}
    problems = []
    for row in rows:
        if row.id in owner:
            other = owner[row.id]
            problems.append(Problem(row.table.path.name, row.line, "id", f"the id '{row.id}' is already used in "
                                    f"{other.table.path.name}:{other.line}", "ids are unique across all tables"))
        owner[row.id] = row
        ids.setdefault(row.table.name, set()).add(row.id)
    for row in rows:
        for column in row.table.columns:
            if column.refers_to:
                problems.extend(_dangling(row, column, ids, owner))
    return problems


def _dangling(row: Row, column: Column, ids: dict[str, set[str]], owner: dict[str, Row]) -> Iterator[Problem]:
    value = row.values[column.name]
    for part in value if isinstance(value, list) else [value]:
        if part is None or any(part in ids.get(name, ()) for name in column.refers_to):
            continue
        where = " or ".join(f"{name}.csv" for name in column.refers_to)
        if str(part) in owner:
            what = f"'{part}' is in {owner[str(part)].table.name}.csv"
        else:
            what = f"'{part}' is unknown"
        known = sorted(set().union(*(ids.get(name, set()) for name in column.refers_to)))
        near = difflib.get_close_matches(str(part), known, 3)
        fix = f"an id of {where} is needed" + (f"; did you mean {' or '.join(near)}?" if near else "")
        yield Problem(row.table.path.name, row.line, column.name, what, fix)
