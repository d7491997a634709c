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

Array = NDArray[np.float64]
ROW, EXTRA = "__row", "__more"
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
    others: pl.DataFrame
    rejects: list[Reject]


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


def parts(table: Table, columns: Sequence[Column], others: Sequence[str]) -> Iterator[Part]:
    """Yield the rows of a table, some at a time.

    Args:
        table: from ``open_table``.
        columns: of the results.
        others: headers to pass on.

    Raises:
        FormError: the file cannot be read any further.
    """
    numbers = [(pl.col(column.header).cast(pl.String).str.strip_chars().cast(pl.Float64, strict=False) * column.factor + column.offset).alias(f"{i}")
               for i, column in enumerate(columns)]
    texts = [pl.col(column.header).cast(pl.String).str.strip_chars().alias(f"text {i}") for i, column in enumerate(columns)]
    more = [pl.col(EXTRA)] if EXTRA in table.frame.collect_schema().names() else []
    chosen = table.frame.select([pl.col(ROW), *numbers, *texts, *[pl.col(name).alias(f"other {name}") for name in others], *more])
    try:
        for batch in chosen.collect_batches(chunk_size=PART, maintain_order=True):
            yield _part(batch, table.first_row, columns, others)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise FormError(f"{table.path}: cannot be read any further: {_first_line(error)}") from error


def _part(batch: pl.DataFrame, first_row: int, columns: Sequence[Column], others: Sequence[str]) -> Part:
    numbers = batch[ROW].to_numpy().astype(np.int64) + first_row
    results = np.column_stack([batch[f"{i}"].fill_null(np.nan).to_numpy() for i in range(len(columns))])
    rejects: list[Reject] = []
    bad = np.zeros(len(batch), dtype=bool)
    if EXTRA in batch.columns:
        ragged = batch[EXTRA].is_not_null().to_numpy()
        rejects += [Reject(int(numbers[i]), "", "more fields than the header names; a decimal comma needs quotes") for i in np.flatnonzero(ragged)]
        bad |= ragged
    for i, column in enumerate(columns):
        text = batch[f"text {i}"]
        given = (text.is_not_null() & (text != "")).to_numpy()
        value = results[:, i]
        wrong = given & ~np.isfinite(value)
        beyond = given & ~wrong & ((value < column.low) | (value > column.high))
        rejects += [Reject(int(numbers[k]), column.header, f"'{text[int(k)]}' is not a number") for k in np.flatnonzero(wrong & ~bad)]
        rejects += [Reject(int(numbers[k]), column.header, f"{text[int(k)]} {column.unit} is not possible in a specimen")
                    for k in np.flatnonzero(beyond & ~bad)]
        bad |= wrong | beyond
    few = ~bad & (np.isfinite(results).sum(axis=1) < 2)
    rejects += [Reject(int(numbers[k]), "", "fewer than two results") for k in np.flatnonzero(few)]
    good = ~(bad | few)
    kept = batch.select([pl.col(f"other {name}").alias(name) for name in others]).filter(pl.Series(good)) if others else pl.DataFrame()
    return Part(numbers[good], results[good], kept, sorted(rejects))


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
