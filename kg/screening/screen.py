"""screen FILE: which panels of a whole table carry an artefact, how likely that is, and which one."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from kg.answer import CAUTIONS, Answer, Item, Section, versions
from kg.explain.model import read_causes
from kg.forms import FormError
from kg.screening.columns import Column, Columns, read_columns
from kg.screening.earlier import read_gaps
from kg.screening.kinds import judge_rows, judges_of
from kg.screening.table import Part, Reject, Series, Table, middles, open_table, parts, write_table
from kg.wording import inside

Progress = Callable[[int, int], None]
_CAUTIONS = (*CAUTIONS, "Screening looks back for audit. A flag is a reason to look, no finding; a panel without a flag is not thereby sound.")
_REJECTS_TOLD = 10_000


class Screened(NamedTuple):
    """What was found, one entry for each row that was judged."""

    rows: NDArray[np.int64]
    probability: NDArray[np.float64]
    """Of an artefact; not a number where the bounds settled that it is below the threshold."""
    cause: NDArray[np.object_]
    cause_probability: NDArray[np.float64]
    hours: NDArray[np.float64]
    """By which the earlier panel is older that it was judged beside; not a number where there is none."""
    earlier_row: NDArray[np.int64]
    others: pl.DataFrame
    rejects: list[Reject]
    undated: list[Reject]


def screen(connection: sqlite3.Connection, file: str, output: str | None = None, threshold: str | float | None = None, units: str | None = None,
           every: bool = False, patient: str | None = None, collected: str | None = None, progress: Progress = lambda done, size: None) -> Answer:
    """Screen a table of panels.

    Args:
        connection: the database.
        file: CSV or Parquet; one row a panel, one column an analyte, its unit in brackets where it is not the usual one.
        output: where to write row, probability and cause of each panel (CSV or Parquet); not written when not given.
        threshold: probability of an artefact from which a panel is flagged; 0.5 when not given.
        units: ``si`` or ``conventional``, for columns without a unit.
        every: integrate each panel, also those that certainly stay below the threshold.
        patient: header of the column that names the patient; with it and ``collected`` each panel is judged beside the one before.
        collected: header of the column with the time of collection.
        progress: called with the rows done and their number, 0 where that is not known.

    Raises:
        FormError: the file, a column or an option cannot be used; rows that cannot be used are listed in the answer instead.
    """
    least = _threshold(threshold)
    if units not in (None, "si", "conventional"):
        raise FormError(f"--units: '{units}' is neither si nor conventional")
    table = open_table(file)
    columns = read_columns(connection, table.headers, middles(table), units or "", file)
    found = _judge_all(connection, parts(table, columns.used, columns.others, _series(table, columns, patient, collected)), columns.used, least, every,
                       lambda done: progress(done, table.size))
    if output:
        write_table(output, _as_frame(found, least, bool(patient)))
    return _answer(connection, found, columns.said, least, output, bool(patient))


def _series(table: Table, columns: Columns, patient: str | None, collected: str | None) -> Series | None:
    """Return the columns by which panels of a patient are found.

    Raises:
        FormError: only one of the two is named, or a name is not that of a column without results.
    """
    if not patient and not collected:
        return None
    for option, name in (("--patient", patient), ("--collected", collected)):
        if not name:
            raise FormError(f"{option}: not given; an earlier panel is found by both --patient and --collected")
        if name not in columns.others:
            what = "holds results" if name in table.headers else "is no column of this table"
            raise FormError(f"{option}: '{name}' {what}; its other columns are {', '.join(columns.others) or 'none'}")
    return Series(patient or "", collected or "")


def _threshold(given: str | float | None) -> float:
    try:
        value = 0.5 if given is None else float(given)
    except ValueError:
        value = -1.0
    if not 0 < value < 1:
        raise FormError(f"--threshold: '{given}' is not a probability between 0 and 1")
    return value


def _judge_all(connection: sqlite3.Connection, rows: Iterator[Part], columns: tuple[Column, ...], threshold: float, every: bool,
               progress: Callable[[int], None]) -> Screened:
    judge_for, gaps = judges_of(connection, [column.analyte for column in columns], threshold), read_gaps(connection)
    collected: list[tuple[Any, ...]] = []
    frames: list[pl.DataFrame] = []
    rejects: list[Reject] = []
    undated: list[Reject] = []
    for part in rows:
        used = np.where(gaps.class_of(part.hours) >= 0, part.hours, np.nan)
        collected.append((part.rows, *judge_rows(part.results, judge_for, part.before, used, gaps, every=every), used,
                          np.where(np.isfinite(used), part.earlier_row, 0)))
        frames.append(part.others)
        rejects += part.rejects
        undated += part.undated
        progress(int(part.rows[-1]) if len(part.rows) else 0)
    empty: tuple[Any, ...] = (np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=object), np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.int64))
    lines, probability, cause, share, hours, earlier = (np.concatenate(group) for group in zip(*(collected or [empty]), strict=True))
    return Screened(lines, probability, cause, share, hours, earlier, pl.concat(frames) if frames else pl.DataFrame(), rejects, undated)


def _as_frame(found: Screened, threshold: float, in_series: bool) -> pl.DataFrame:
    flagged = np.nan_to_num(found.probability) >= threshold
    frame = pl.DataFrame({"row": found.rows, "flagged": flagged, "probability": found.probability, "cause": found.cause.astype(str),
                          "cause_probability": found.cause_probability}).with_columns(
        pl.col("probability", "cause_probability").fill_nan(None), pl.when(pl.col("cause") == "").then(None).otherwise(pl.col("cause")).alias("cause"))
    if in_series:
        beside = np.isfinite(found.hours)
        frame = frame.with_columns(pl.Series("earlier_row", found.earlier_row), pl.Series("hours_before", found.hours)).with_columns(
            pl.when(pl.Series(beside)).then(pl.col("earlier_row", "hours_before")))
    clash = {name: f"{name} (given)" for name in found.others.columns if name in frame.columns}
    return pl.concat([frame, found.others.rename(clash)], how="horizontal") if found.others.width else frame


def _answer(connection: sqlite3.Connection, found: Screened, said: tuple[str, ...], threshold: float, output: str | None, in_series: bool) -> Answer:
    flagged = np.flatnonzero(np.nan_to_num(found.probability) >= threshold)
    labels = {cause.id: cause.label for cause in read_causes(connection)}
    count = Counter(found.cause[flagged].tolist())
    order = flagged[np.argsort(-found.probability[flagged], kind="stable")]
    headline = f"{len(flagged):,} of {len(found.rows):,} panels are flagged: an artefact is at least {100 * threshold:g} % likely."
    if found.rejects:
        count_rejected = len({reject.row for reject in found.rejects})
        headline += f" {count_rejected:,} row{'s' if count_rejected > 1 else ''} could not be judged."
    items = tuple(_flagged(found, int(i), labels) for i in order)
    beside = np.isfinite(found.hours)
    sections = [Section("Flagged by cause", tuple(Item(f"{inside(labels[cause])}: {number:,}") for cause, number in count.most_common())),
                Section("Flagged panels, the likeliest first", items),
                Section("Rows that could not be judged", tuple(Item(f"row {one.row}: {one.field + ': ' if one.field else ''}{one.what}") for one in found.rejects)),
                Section("Judged alone", _alone(found) if in_series else (), "No earlier panel of the same patient was used."),
                Section("Columns", tuple(Item(text) for text in said))]
    if output:
        sections.append(Section("Written", (Item(output),)))
    data = {"judged": len(found.rows), "flagged": len(flagged), "threshold": threshold, "by_cause": dict(sorted(count.items())),
            "rejects": [one._asdict() for one in found.rejects[:_REJECTS_TOLD]], "rejected": len({one.row for one in found.rejects}),
            "beside_earlier": int(beside.sum()), "undated": len(found.undated), "trial": None}
    return Answer("screen", "", "screened" if len(found.rows) else "nothing-judged", headline, tuple(section for section in sections if section.items),
                  cautions=_CAUTIONS, versions=versions(connection), data=data)


def _flagged(found: Screened, i: int, labels: dict[str, str]) -> Item:
    data = {"row": int(found.rows[i]), "cause": found.cause[i], "probability": round(float(found.probability[i]), 6)}
    text = f"row {found.rows[i]}: {inside(labels[found.cause[i]])} {100 * found.cause_probability[i]:.0f} %, any artefact {100 * found.probability[i]:.0f} %"
    if np.isfinite(found.hours[i]):
        data |= {"earlier_row": int(found.earlier_row[i]), "hours_before": round(float(found.hours[i]), 3)}
        text += f"; beside row {found.earlier_row[i]}, {found.hours[i]:.3g} h before"
    return Item(text, data)


def _alone(found: Screened) -> tuple[Item, ...]:
    """Return how many panels were judged without an earlier one, and which of them for want of a patient or a time."""
    alone = int(np.sum(~np.isfinite(found.hours)))
    items = [Item(f"{alone:,} of {len(found.rows):,} panels")] if alone else []
    return (*items, *(Item(f"row {one.row}: {one.what}") for one in found.undated[:_REJECTS_TOLD]))
