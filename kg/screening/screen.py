"""screen FILE: which panels of a whole table carry an artefact, how likely that is, and which one."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from kg.answer import CAUTIONS, Answer, Item, Section, versions
from kg.explain.model import read_causes
from kg.forms import FormError
from kg.screening.columns import Column, read_columns
from kg.screening.judge import Judge, judge_rows, make_judge
from kg.screening.table import Reject, middles, open_table, parts, write_table
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
    others: pl.DataFrame
    rejects: list[Reject]


def screen(connection: sqlite3.Connection, file: str, output: str | None = None, threshold: str | float | None = None, units: str | None = None,
           every: bool = False, progress: Progress = lambda done, size: None) -> Answer:
    """Screen a table of panels.

    Args:
        connection: the database.
        file: CSV or Parquet; one row a panel, one column an analyte, its unit in brackets where it is not the usual one.
        output: where to write row, probability and cause of each panel (CSV or Parquet); not written when not given.
        threshold: probability of an artefact from which a panel is flagged; 0.5 when not given.
        units: ``si`` or ``conventional``, for columns without a unit.
        every: integrate each panel, also those that certainly stay below the threshold.
        progress: called with the rows done and their number, 0 where that is not known.

    Raises:
        FormError: the file, a column or an option cannot be used; rows that cannot be used are listed in the answer instead.
    """
    least = _threshold(threshold)
    if units not in (None, "si", "conventional"):
        raise FormError(f"--units: '{units}' is neither si nor conventional")
    table = open_table(file)
    columns = read_columns(connection, table.headers, middles(table), units or "", file)
    found = _judge_all(connection, table, columns.used, columns.others, least, every, progress)
    if output:
        write_table(output, _as_frame(found, least))
    return _answer(connection, found, columns.said, least, output)


def _threshold(given: str | float | None) -> float:
    try:
        value = 0.5 if given is None else float(given)
    except ValueError:
        value = -1.0
    if not 0 < value < 1:
        raise FormError(f"--threshold: '{given}' is not a probability between 0 and 1")
    return value


def _judge_all(connection: sqlite3.Connection, table: Any, columns: tuple[Column, ...], others: tuple[str, ...], threshold: float, every: bool,
               progress: Progress) -> Screened:
    judges: dict[int, Judge] = {}

    def judge_for(key: int) -> Judge:
        if key not in judges:
            judges[key] = make_judge(connection, [column.analyte for i, column in enumerate(columns) if key >> i & 1], threshold)
        return judges[key]

    collected: list[tuple[Any, ...]] = []
    frames: list[pl.DataFrame] = []
    rejects: list[Reject] = []
    for part in parts(table, columns, others):
        collected.append((part.rows, *judge_rows(part.results, judge_for, every=every)))
        frames.append(part.others)
        rejects += part.rejects
        progress(int(part.rows[-1]) if len(part.rows) else 0, table.size)
    empty: tuple[Any, ...] = (np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0, dtype=object), np.zeros(0))
    lines, probability, cause, share = (np.concatenate(group) for group in zip(*(collected or [empty]), strict=True))
    return Screened(lines, probability, cause, share, pl.concat(frames) if frames and others else pl.DataFrame(), rejects)


def _as_frame(found: Screened, threshold: float) -> pl.DataFrame:
    flagged = np.nan_to_num(found.probability) >= threshold
    frame = pl.DataFrame({"row": found.rows, "flagged": flagged, "probability": found.probability, "cause": found.cause.astype(str),
                          "cause_probability": found.cause_probability}).with_columns(
        pl.col("probability", "cause_probability").fill_nan(None), pl.when(pl.col("cause") == "").then(None).otherwise(pl.col("cause")).alias("cause"))
    clash = {name: f"{name} (given)" for name in found.others.columns if name in frame.columns}
    return pl.concat([frame, found.others.rename(clash)], how="horizontal") if found.others.width else frame


def _answer(connection: sqlite3.Connection, found: Screened, said: tuple[str, ...], threshold: float, output: str | None) -> Answer:
    flagged = np.flatnonzero(np.nan_to_num(found.probability) >= threshold)
    labels = {cause.id: cause.label for cause in read_causes(connection)}
    count = Counter(found.cause[flagged].tolist())
    order = flagged[np.argsort(-found.probability[flagged], kind="stable")]
    headline = f"{len(flagged):,} of {len(found.rows):,} panels are flagged: an artefact is at least {100 * threshold:g} % likely."
    if found.rejects:
        count_rejected = len({reject.row for reject in found.rejects})
        headline += f" {count_rejected:,} row{'s' if count_rejected > 1 else ''} could not be judged."
    items = tuple(Item(f"row {found.rows[i]}: {inside(labels[found.cause[i]])} {100 * found.cause_probability[i]:.0f} %, any artefact {100 * found.probability[i]:.0f} %",
                       {"row": int(found.rows[i]), "cause": found.cause[i], "probability": round(float(found.probability[i]), 6)}) for i in order)
    sections = [Section("Flagged by cause", tuple(Item(f"{inside(labels[cause])}: {number:,}") for cause, number in count.most_common())),
                Section("Flagged panels, the likeliest first", items),
                Section("Rows that could not be judged", tuple(Item(f"row {one.row}: {one.field + ': ' if one.field else ''}{one.what}") for one in found.rejects)),
                Section("Columns", tuple(Item(text) for text in said))]
    if output:
        sections.append(Section("Written", (Item(output),)))
    data = {"judged": len(found.rows), "flagged": len(flagged), "threshold": threshold, "by_cause": dict(sorted(count.items())),
            "rejects": [one._asdict() for one in found.rejects[:_REJECTS_TOLD]], "rejected": len({one.row for one in found.rejects})}
    return Answer("screen", "", "screened" if len(found.rows) else "nothing-judged", headline, tuple(section for section in sections if section.items),
                  cautions=_CAUTIONS, versions=versions(connection), data=data)
