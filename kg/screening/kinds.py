"""Which panels of a table can be judged together: those with the same results, and with the same results a like time before."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.explain.model import Array
from kg.screening.earlier import Gaps, make_judge_with_earlier
from kg.screening.judge import Judge, judge_panels, make_judge


class Kind(NamedTuple):
    """What a panel holds, as positions of results."""

    now: tuple[int, ...]
    before: tuple[int, ...] = ()
    """Empty where there is no earlier panel."""
    hours: float = 0.0
    """Class of the time between the two."""


Judges = Callable[[Kind], Judge]


def judges_of(connection: sqlite3.Connection, analytes: Sequence[str], threshold: float) -> Judges:
    """Return a function that makes the judge of a kind, each once.

    Args:
        connection: the database.
        analytes: ids of all results of the table.
        threshold: probability of an artefact from which a panel is flagged, between 0 and 1.
    """
    @cache
    def judge_for(kind: Kind) -> Judge:
        now, before = ([analytes[i] for i in part] for part in (kind.now, kind.before))
        return make_judge_with_earlier(connection, now, before, kind.hours, threshold) if before else make_judge(connection, now, threshold)

    return judge_for


def sort_by_kind(now: NDArray[np.bool_], before: NDArray[np.bool_], gap: NDArray[np.int64], gaps: Gaps) -> list[tuple[Kind, NDArray[np.int64]]]:
    """Return the kinds with the rows that are of each.

    Args:
        now: which results are there, rows x results.
        before: which results of the earlier panel are there; none where there is none.
        gap: class of the time between the two, -1 where the earlier panel is not used.
        gaps: the classes.
    """
    powers = 1 << np.arange(now.shape[1], dtype=np.int64)
    used = (gap >= 0) & before.any(axis=1)
    parts = [now @ powers, np.where(used, before @ powers, 0), np.where(used, gap, -1)]
    number = np.zeros(len(now), dtype=np.int64)
    for part in parts:
        values, place = np.unique(part, return_inverse=True)
        number = number * len(values) + place
    found = []
    for value in np.unique(number).tolist():
        where = np.flatnonzero(number == value)
        i = where[0]
        there = [tuple(np.flatnonzero(row[i]).tolist()) for row in (now, before)]
        found.append((Kind(there[0], there[1], float(gaps.classes[gap[i]])) if used[i] else Kind(there[0]), where))
    return found


def judge_rows(now: Array, judge_for: Judges, before: Array, hours: Array, gaps: Gaps, *, every: bool = False) -> tuple[Array, NDArray[np.object_], Array]:
    """Judge panels of different kinds.

    Args:
        now: panels x results, in the units of the population; not a number where one is missing.
        judge_for: from ``judges_of``.
        before: the same of the earlier panel of the same patient.
        hours: by which that is older; not a number where there is none.
        gaps: the classes of this time.
        every: integrate each panel, also where the bounds say that it cannot be flagged.

    Returns:
        the probability of an artefact, the id of the likeliest one, and its probability; not a number, or an empty id, where the bounds
        settled that the panel stays below the threshold.
    """
    probability, cause, share = np.full(len(now), np.nan), np.full(len(now), "", dtype=object), np.full(len(now), np.nan)
    for kind, where in sort_by_kind(np.isfinite(now), np.isfinite(before), gaps.class_of(hours), gaps):
        judge = judge_for(kind)
        panels = np.concatenate([now[where][:, list(kind.now)], before[where][:, list(kind.before)]], axis=1)
        verdicts = judge_panels(judge, panels, every=every)
        done = where[verdicts.integrated]
        probability[done] = verdicts.probability[verdicts.integrated]
        share[done] = verdicts.cause_probability[verdicts.integrated]
        cause[done] = np.array(judge.causes, dtype=object)[verdicts.cause[verdicts.integrated]]
    return probability, cause, share
