"""What a result of the day before adds: the same counts on pairs of panels, and what only an earlier result can tell."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.explain.model import MIX_UP, Array
from kg.screening.earlier import read_gaps
from kg.validation.assess import make_bench
from kg.validation.beside import (
    METABOLIC,
    Comparison,
    Published,
    Side,
    compare,
    fluids_as_recognised,
    fluids_at_specificity,
    lay_beside,
    results_of,
)
from kg.validation.day_before import Days, begins, draw_sound, swap, usual_course
from kg.validation.metrics import Rate, counted, rate
from kg.validation.simulate import Study
from kg.validation.spoil import make_ground

CHANGES = "delta-checks-fluids"
MIXED_UP = {"renal": ("staff-mix-up", "learned-mix-up"), "count": ("staff-mix-up-count", "learned-mix-up-count")}
"""The panels on which mix-ups are told, and the published readers of each."""


class Both(NamedTuple):
    """The same panels judged with the earlier result and without it."""

    given: Rate
    without: Rate


class Changed(NamedTuple):
    """Real changes that began between the draws and that were taken for an artefact; of one state, or of all."""

    cause: str
    """Id of the state; empty for all, ``-`` where none began."""
    label: str
    screened: Both


def changes(study: Study, days: Days, given: NDArray[np.bool_], without: NDArray[np.bool_]) -> list[Changed]:
    """Return which real changes were flagged: all, where none began, then state by state.

    Args:
        study: for the names of the states.
        days: the pairs.
        given: of each panel of the mixture whether it was flagged beside the earlier one.
        without: the same for the panel alone.
    """
    sound, population = ~days.drawn.artefact, study.ground.population

    def of(where: NDArray[np.bool_]) -> Both:
        return Both(*(counted(flags[where]) for flags in (given, without)))

    states = [cause for cause in population.model.causes if begins(population, cause)]
    return [Changed("", "All states that may begin within a day", of(sound & (days.acute != ""))), Changed("-", "Where no state began", of(sound & (days.acute == ""))),
            *(Changed(cause.id, cause.label, of(sound & (days.acute == cause.id))) for cause in states)]


def lay_beside_earlier(side: Side, fast: Side, published: Published) -> list[Comparison]:
    """Return the published figures that can be laid beside ours with an earlier result, also of those known to have had one.

    Args:
        side: pairs judged beside the earlier panel.
        fast: the same for patients whose levels move within days.
        published: from ``kg.validation.beside.read_published``.
    """
    def lay(one: Side) -> list[Comparison]:
        found = lay_beside(one, published)
        if one.bench.panel == METABOLIC:
            found += [fluids_at_specificity(one, published, published["dilution-fluids", "sensitivity"], published["dilution-fluids", "specificity"]["high"]),
                      _beside_changes(one, published)]
        return found

    low, high = (f"{figure:g}" for figure in (fast.ground.setting("correlation-days-unsettled").low, fast.ground.setting("correlation-days-unsettled").high))
    return [usual._replace(remarks=(*usual.remarks, f"Were everybody's level to move within {low} to {high} days, it would be {moved.ours.share or 0:.3f}."))
            for usual, moved in zip(lay(side), lay(fast), strict=True)]


def _beside_changes(side: Side, published: Published) -> Comparison:
    """Return the share of the fluids recognised, beside that of published limits of change, run on the same pairs, at their specificity."""
    analytes, limits = side.model.analytes, {quantity: row["value"] for (subject, quantity), row in published.items() if subject == CHANGES}

    def flagged(results: Array) -> NDArray[np.bool_]:
        now, before = results[:, : len(analytes)], results[:, len(analytes) :]
        calcium, glucose, potassium = (analytes.index(name) for name in ("calcium-total", "glucose", "potassium"))
        return np.asarray((now[:, calcium] <= (1 - limits["fall-of-calcium-total"]) * before[:, calcium])
                          | (now[:, glucose] - before[:, glucose] >= limits["rise-of-glucose"]) | (now[:, potassium] - before[:, potassium] >= limits["rise-of-potassium"]))

    theirs, specificity = float(flagged(results_of(fluids_as_recognised(side, published))).mean()), 1 - float(flagged(side.drawn.mixture[~side.drawn.artefact]).mean())
    ours = fluids_at_specificity(side, published, published[CHANGES, "fall-of-calcium-total"], specificity)
    better = ours.ours.low is not None and ours.ours.low > theirs
    return ours._replace(quantity="sensitivity", published=theirs, better=better,
                         condition="the published limits of change of single results, run on the same pairs; the specificity is theirs")


def tell_mix_ups(connection: sqlite3.Connection, panel: str, analytes: tuple[str, ...], published: Published, threshold: float, count: int,
                 seed: int) -> list[Comparison]:
    """Return how often sets of two panels are rightly told to be of one person or of two, half of them being of two.

    Args:
        connection: the database.
        panel: one of ``MIXED_UP``.
        analytes: its results.
        published: from ``kg.validation.beside.read_published``.
        threshold: probability from which a set counts as of two people.
        count: sets of each sort and time.
        seed: of the random numbers.
    """
    generator, gaps = np.random.default_rng((seed, 2)), read_gaps(connection)
    ground = make_ground(connection, analytes, generator)
    figure, course = ground.setting("gap-of-mix-ups"), usual_course(ground)
    wrong, right, told = 0, 0, []
    for hours in gaps.classes[(gaps.classes >= (figure.low or 0)) & (gaps.classes <= (figure.high or 0))].tolist():
        bench = make_bench(connection, ground, panel, analytes, threshold, hours)
        judge = bench.among({MIX_UP}, 0.5)
        own = draw_sound(ground, course._replace(hours=hours), count, generator)
        found, passed = int(np.sum(bench.probability(judge, swap(own)) >= threshold)), int(np.sum(bench.probability(judge, own) < threshold))
        wrong, right = wrong + found, right + passed
        told.append((hours, found, passed))
    ours = rate(wrong + right, 2 * count * len(told))
    said = "; ".join(f"at {hours:g} h {100 * found / count:.0f} % of those mixed up and {100 * passed / count:.0f} % of the others" for hours, found, passed in told)
    return [compare(panel, True, published[subject, "accuracy"], "as many sets mixed up as not, their panels as often each of these times apart", ours, f"Told rightly {said}.")
            for subject in MIXED_UP[panel]]

