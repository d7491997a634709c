"""Tables of panels: read in parts, the rows that cannot be judged set aside with their reason, written at once.

Polars reads, converts and writes; a part is small enough for any machine.
"""

from __future__ import annotations

import csv
import os
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from kg.forms import FormError
from kg.screening.columns import Column
from kg.screening.judge import LEAST

Array = NDArray[np.float64]
ROW, EXTRA = "__row", "__more"
_PATIENT, _TIME, _GOOD, _HOURS, _EARLIER = "__patient", "__time", "__good", "__hours", "__earlier"
_TIMES = ("%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M")
PART = 200_000
"""Rows that are read at a time."""
_SAMPLE = 2_000


class Reject(NamedTuple):
    """A row that cannot be judged."""

    row: int
    """Line of a CSV file, the header being 1; number of the row, the first being 1, of a Parquet file."""
    field: str
    what: str


class Part(NamedTuple):
    """Some rows: the results, not-a-number where missing, and the columns that are passed on."""

    rows: NDArray[np.int64]
    results: Array
    before: Array
    """The results of the earlier panel of the same patient."""
    hours: Array
    """By which it is older; not a number where there is none."""
    earlier_row: NDArray[np.int64]
    """The row it stands in; 0 where there is none."""
    others: pl.DataFrame
    rejects: list[Reject]
    undated: list[Reject]
    """Rows that are judged, but have no patient or no time that can be read."""


class Series(NamedTuple):
    """The columns by which panels of the same patient are found."""

    patient: str
    collected: str


class Table(NamedTuple):
    """A file that can be read in parts."""

    path: str
    headers: tuple[str, ...]
    first_row: int
    frame: pl.LazyFrame
    size: int
    """Rows, or 0 when that is not known."""


def open_table(path: str) -> Table:
    """Open a CSV or Parquet file.

    Raises:
        FormError: it cannot be read, or has no header.
    """
    if not Path(path).is_file():
        raise FormError(f"{path}: there is no such file")
    try:
        if path.lower().endswith((".parquet", ".pq")):
            frame = pl.scan_parquet(path)
            names = tuple(frame.collect_schema().names())
            return Table(path, names, 1, frame.with_row_index(ROW), int(frame.select(pl.len()).collect().item()))
        headers = _headers(path)
        frame = pl.scan_csv(path, has_header=False, skip_lines=1, schema=dict.fromkeys((*headers, EXTRA), pl.String), truncate_ragged_lines=True, missing_columns="insert",
                            row_index_name=ROW)
        return Table(path, headers, 2, frame, 0)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise FormError(f"{path}: cannot be read: {_first_line(error)}") from error


def _headers(path: str) -> tuple[str, ...]:
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            names = tuple(name.strip() for name in next(csv.reader(file), []))
    except UnicodeDecodeError as error:
        raise FormError(f"{path}:1: the header is not UTF-8; save the file as UTF-8") from error
    if not any(names):
        raise FormError(f"{path}:1: there is no header; the first line names the columns")
    double = next((name for i, name in enumerate(names) if name in names[:i]), None)
    if double is not None:
        raise FormError(f"{path}:1: two columns are named '{double}'; give each a name of its own")
    return names


def middles(table: Table) -> dict[str, float | None]:
    """Return the median of the first rows of each column, None where there is no number.

    Raises:
        FormError: the file cannot be read.
    """
    try:
        found = table.frame.head(_SAMPLE).select([pl.col(name).cast(pl.Float64, strict=False).median() for name in table.headers]).collect()
    except pl.exceptions.PolarsError as error:
        raise FormError(f"{table.path}: cannot be read: {_first_line(error)}") from error
    return {name: found[name][0] for name in table.headers}


def parts(table: Table, columns: Sequence[Column], others: Sequence[str], series: Series | None = None) -> Iterator[Part]:
    """Yield the rows of a table, some at a time.

    Args:
        table: from ``open_table``.
        columns: of the results.
        others: headers to pass on.
        series: by which the panel of the same patient before each is found: of those that can be judged the last in order of time,
            of two at the same time the one further down.

    Raises:
        FormError: the file cannot be read any further, or no time can be read.
    """
    numbers = [(pl.col(column.header).cast(pl.String).str.strip_chars().cast(pl.Float64, strict=False) * column.factor + column.offset).alias(f"{i}")
               for i, column in enumerate(columns)]
    texts = [pl.col(column.header).cast(pl.String).str.strip_chars().alias(f"text {i}") for i, column in enumerate(columns)]
    more = [pl.col(EXTRA)] if EXTRA in table.frame.collect_schema().names() else []
    whose = [pl.col(series.patient).cast(pl.String).str.strip_chars().alias(_PATIENT), _time(table, series).alias(_TIME)] if series else []
    chosen = table.frame.select([pl.col(ROW), *numbers, *texts, *whose, *[pl.col(name).alias(f"other {name}") for name in others], *more])
    chosen = chosen.with_columns(_usable(columns, bool(more)).alias(_GOOD))
    if series:
        _check_times(table, series, chosen)
        chosen = chosen.join(_before(chosen, len(columns)), on=ROW, how="left", maintain_order="left")
    try:
        for batch in chosen.collect_batches(chunk_size=PART, maintain_order=True):
            yield _part(batch, table.first_row, columns, others)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise FormError(f"{table.path}: cannot be read any further: {_first_line(error)}") from error


def _usable(columns: Sequence[Column], ragged: bool) -> pl.Expr:
    """Return whether each result that is given is a number that can be, and at least two are."""
    sound = [_missing(i) | pl.col(f"{i}").is_between(column.low, column.high).fill_null(False) for i, column in enumerate(columns)]
    enough = pl.sum_horizontal(*[(~_missing(i)).cast(pl.Int32) for i in range(len(columns))]) >= LEAST
    return pl.all_horizontal(*sound, enough, *([pl.col(EXTRA).is_null()] if ragged else []))


def _missing(i: int) -> pl.Expr:
    return pl.col(f"text {i}").fill_null("") == ""


def _time(table: Table, series: Series) -> pl.Expr:
    """Return the time of collection of each row, null where it cannot be read."""
    kind = table.frame.collect_schema()[series.collected]
    if kind == pl.Datetime or isinstance(kind, pl.Datetime):
        return pl.col(series.collected).dt.replace_time_zone(None).cast(pl.Datetime("us"))
    text = pl.col(series.collected).cast(pl.String).str.strip_chars()
    return pl.coalesce([text.str.to_datetime(form, strict=False, time_unit="us") for form in _TIMES])


def _check_times(table: Table, series: Series, chosen: pl.LazyFrame) -> None:
    try:
        known = chosen.select(pl.col(_TIME).is_not_null().any()).collect().item()
    except (OSError, pl.exceptions.PolarsError) as error:
        raise FormError(f"{table.path}: cannot be read: {_first_line(error)}") from error
    if not known:
        raise FormError(f"{table.path}: column {series.collected}: no time can be read; write each like 2026-01-31T08:30")


def _before(chosen: pl.LazyFrame, count: int) -> pl.LazyFrame:
    """Return for each row with a patient and a time the panel before."""
    known = chosen.filter(pl.col(_GOOD) & (pl.col(_PATIENT).fill_null("") != "") & pl.col(_TIME).is_not_null())
    names = [f"{i}" for i in range(count)]
    ordered = known.select(ROW, _PATIENT, _TIME, *names).sort(_PATIENT, _TIME, ROW)
    hours = (pl.col(_TIME) - pl.col(_TIME).shift(1)).over(_PATIENT).dt.total_seconds() / 3600
    return ordered.select(ROW, *[pl.col(name).shift(1).over(_PATIENT).alias(f"before {name}") for name in names],
                          hours.alias(_HOURS), pl.col(ROW).shift(1).over(_PATIENT).alias(_EARLIER))


def _part(batch: pl.DataFrame, first_row: int, columns: Sequence[Column], others: Sequence[str]) -> Part:
    good = batch[_GOOD].to_numpy()
    there = batch.filter(pl.Series(good))
    rejects = [reject for row in batch.filter(pl.Series(~good)).iter_rows(named=True) for reject in _reasons(row, first_row, columns)]
    numbers, size = there[ROW].to_numpy().astype(np.int64) + first_row, len(columns)
    results = _array(there, [f"{i}" for i in range(size)])
    kept = there.select([pl.col(f"other {name}").alias(name) for name in others])
    if _HOURS not in batch.columns:
        return Part(numbers, results, np.full_like(results, np.nan), np.full(len(numbers), np.nan), np.zeros(len(numbers), dtype=np.int64), kept, rejects, [])
    earlier = there[_EARLIER].cast(pl.Int64).fill_null(-first_row).to_numpy() + first_row
    nobody, never = (there[_PATIENT].fill_null("") == "").to_numpy(), there[_TIME].is_null().to_numpy()
    undated = [Reject(int(numbers[i]), "", "no patient is named" if nobody[i] else "its time of collection cannot be read") for i in np.flatnonzero(nobody | never)]
    return Part(numbers, results, _array(there, [f"before {i}" for i in range(size)]), there[_HOURS].fill_null(np.nan).to_numpy(), earlier, kept, rejects, undated)


def _array(frame: pl.DataFrame, names: Sequence[str]) -> Array:
    return np.column_stack([frame[name].fill_null(np.nan).to_numpy() for name in names])


def _reasons(row: dict[str, Any], first_row: int, columns: Sequence[Column]) -> list[Reject]:
    """Return why a row cannot be judged."""
    number = row[ROW] + first_row
    if row.get(EXTRA) is not None:
        return [Reject(number, "", "more fields than the header names; a decimal comma needs quotes")]
    found = []
    for i, column in enumerate(columns):
        text, value = row[f"text {i}"], row[f"{i}"]
        if text and (value is None or not np.isfinite(value)):
            found.append(Reject(number, column.header, f"'{text}' is not a number"))
        elif text and not column.low <= value <= column.high:
            found.append(Reject(number, column.header, f"{text} {column.unit} is not possible in a specimen"))
    return found or [Reject(number, "", "fewer than two results")]


def write_table(path: str, frame: pl.DataFrame) -> None:
    """Write a table as CSV or Parquet, all or nothing.

    Raises:
        FormError: the ending of the name is neither, or the file cannot be written.
    """
    target = Path(path)
    writers: dict[str, Any] = {".csv": frame.write_csv, ".parquet": frame.write_parquet, ".pq": frame.write_parquet}
    writer = writers.get(target.suffix.lower())
    if writer is None:
        raise FormError(f"{path}: the name must end in .csv or .parquet")
    try:
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".tubelore-") as folder:
            made = Path(folder) / target.name
            writer(made)
            os.replace(made, target)
    except OSError as error:
        raise FormError(f"{path}: cannot be written ({error.strerror})") from error


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__
