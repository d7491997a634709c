"""Ours with a result of the day before, and on the same panels without it, beside the figures that were published."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows
from kg.explain.model import Array
from kg.validation import metrics
from kg.validation.assess import Bench
from kg.validation.beside import BASIC, FLUIDS, METABOLIC, by_amount, model_of
from kg.validation.day_before import Amounts, Days, Pairs, begins, simulate_days
from kg.validation.metrics import Rate, rate
from kg.validation.simulate import EDTA, Group, Progress, Study
from kg.validation.with_earlier import Reader, Weighed, make_reader, probability, weigh

STEPS = 14
"""Steps of the progress: four sorts simulated, and five judged on either panel."""


class Both(NamedTuple):
    """The same panels judged with the earlier result and without it."""

    given: Rate
    without: Rate


class Beside(NamedTuple):
    """One published figure, and ours."""

    id: str
    subject: str
    quantity: str
    published: float
    condition: str
    source: str
    basis: str
    panel: str
    what: str
    ours: Both
    comparable: bool
    """Whether the specimens are as hard to tell as far as is known; whether the published readers had an earlier result is not."""
    above: bool
    """Whether they are, and the whole 95 % interval of ours, with the earlier result, lies above the published figure."""
    remarks: tuple[str, ...] = ()


class Banded(NamedTuple):
    """How one group of panels was judged."""

    group: Group
    screened: Both
    odd: Both
    """Once somebody picked the panel out as odd."""
    right: Rate
    """Of those recognised as odd with the earlier result, the likeliest artefact is the right one."""


class Changed(NamedTuple):
    """Real changes that began between the draws and that were taken for an artefact; of one state, or of all."""

    cause: str
    """Id of the state; empty for all."""
    label: str
    screened: Both
    odd: Both


class Found(NamedTuple):
    """What one panel gave."""

    panel: str
    bands: list[Banded]
    changes: list[Changed]
    """All first, then state by state."""
    steady: Both
    """Flagged in screening, of the panels without an artefact in which no state began."""
    full: Rate
    """Of the panels without an artefact, those that were judged in full."""


class WithEarlier(NamedTuple):
    """All that was found with a result of the day before."""

    hours: float
    share_acute: float
    amounts: Amounts
    beside: list[Beside]
    panels: list[Found]


class _Seen(NamedTuple):
    """Probabilities of an artefact, with the earlier result and without it."""

    given: Array
    without: Array

    def at_least(self, threshold: float, where: NDArray[np.bool_] | slice = slice(None)) -> Both:
        return Both(*(rate(int(np.sum(part[where] >= threshold)), len(part[where])) for part in self))


class _Judged(NamedTuple):
    """One panel, judged."""

    reader: Reader
    fluids: _Seen
    artefacts: _Seen
    others: _Seen
    """Of the panels without an artefact."""
    edta: _Seen


def read_amounts(setting: dict[str, float], grow: float) -> Amounts:
    """Return how many pairs are drawn.

    Args:
        setting: figures of the validation by name.
        grow: how many times the usual number.
    """
    names = ("panels-in-band", "panels-of-saline", "artefacts", "others", "acute")
    return Amounts(*(max(round(setting[f"{name}-with-earlier"] * grow), 1) for name in names))


def judge_with_earlier(connection: sqlite3.Connection, study: Study, benches: dict[str, Bench], amounts: Amounts, seed: int, threshold: float,
                       progress: Progress = lambda done, size: None) -> WithEarlier:
    """Simulate patients with a result of the day before, and judge them.

    Args:
        connection: the database.
        study: what was simulated without; its laboratories and population are used.
        benches: by name of the panel.
        amounts: how many pairs.
        seed: of the random numbers.
        threshold: probability of an artefact from which a panel counts as recognised.
        progress: called with the steps done, of ``STEPS``.
    """
    ground, done = study.ground, 0

    def step(*_: int) -> None:
        nonlocal done
        done += 1
        progress(done, STEPS)

    days = simulate_days(connection, ground, amounts, seed, step)
    published = {(row["subject"], row["quantity"]): row for row in rows(connection, "recognition_benchmarks")}
    beside: list[Beside] = []
    panels = []
    for panel in (BASIC, METABOLIC):
        reader = make_reader(connection, benches[panel], ground.setting("hours-before").value, ground.setting("worth-a-full-look").value)
        found, judged = _judge(study, reader, days, amounts, threshold, step)
        panels.append(found)
        beside += _lay(study, judged, days, published, threshold)
        if panel == BASIC:
            beside.insert(0, _people(reader, days, published, threshold))
        step()
    return WithEarlier(ground.setting("hours-before").value, ground.setting("share-acute").value, amounts, beside, panels)


def _judge(study: Study, reader: Reader, days: Days, amounts: Amounts, threshold: float, step: Progress) -> tuple[Found, _Judged]:
    bench = reader.bench
    weighed = [weigh(reader, pairs.before, pairs.group.results) for pairs in days.bands]
    bands = [_banded(reader, pairs, one, threshold) for pairs, one in zip(days.bands, weighed, strict=True)]
    step(0, 0)
    seen = [(pairs.group, _seen(reader, one, pairs.group.results)) for pairs, one in zip(days.bands, weighed, strict=True)]
    fluids = _together([one for group, one in seen if model_of(study, group) == FLUIDS])
    edta = _together([one for group, one in seen if group.cause == EDTA])
    before, now = _joined(days.artefacts)
    artefacts = _seen(reader, weigh(reader, before, now), now)
    step(0, 0)
    before, now = _joined(days.others)
    weighed_others = weigh(reader, before, now, every=False)
    others = _seen(reader, weighed_others, now)
    step(0, 0)
    acute = np.concatenate([pairs.people.acute for pairs in days.others])
    began = np.flatnonzero(acute != "")
    some = began[np.unique(np.linspace(0, len(began) - 1, min(amounts.acute, len(began))).astype(int))] if len(began) else began
    picked = _Seen(probability(reader, weigh(reader, before[some], now[some]), bench.odd), bench.probability(bench.odd, now[some]))
    step(0, 0)
    labels = {cause.id: cause.label for cause in study.ground.population.model.causes if begins(study.ground.population, cause)}
    changes = [Changed("", "All states that may begin within a day", others.at_least(threshold, acute != ""), picked.at_least(threshold))]
    changes += [Changed(cause, label, others.at_least(threshold, acute == cause), picked.at_least(threshold, acute[some] == cause)) for cause, label in labels.items()]
    found = Found(bench.panel, bands, changes, others.at_least(threshold, acute == ""), rate(int(weighed_others.full.sum()), len(now)))
    return found, _Judged(reader, fluids, artefacts, others, edta)


def _banded(reader: Reader, pairs: Pairs, weighed: Weighed, threshold: float) -> Banded:
    bench, results = reader.bench, pairs.group.results
    odd = _Seen(probability(reader, weighed, bench.odd), bench.probability(bench.odd, results))
    named = weighed.named[odd.given >= threshold]
    right = sum(reader.model.causes[i].id == pairs.group.cause for i in named)
    return Banded(pairs.group, _seen(reader, weighed, results).at_least(threshold), odd.at_least(threshold), rate(right, len(named)))


def _seen(reader: Reader, weighed: Weighed, results: Array) -> _Seen:
    return _Seen(probability(reader, weighed, reader.bench.screening), reader.bench.probability(reader.bench.screening, results))


def _joined(pairs: Sequence[Pairs]) -> tuple[Array, Array]:
    return np.concatenate([one.before for one in pairs]), np.concatenate([one.group.results for one in pairs])


def _together(parts: Sequence[_Seen]) -> _Seen:
    return _Seen(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def _people(reader: Reader, days: Days, published: dict[tuple[str, str], sqlite3.Row], threshold: float) -> Beside:
    """Return the accuracy where saline is as likely as nothing or disease, half of the panels spoiled."""
    bench, (before, now) = reader.bench, _joined(days.saline)
    others = _joined(days.others)
    spread = np.unique(np.linspace(0, len(others[1]) - 1, len(now)).astype(int))
    sound = tuple(part[spread] for part in others)

    def even(past: Array, results: Array) -> _Seen:
        return _Seen(probability(reader, weigh(reader, past, results), bench.even), bench.probability(bench.even, results))

    spoiled, rest = even(before, now), even(*sound)
    ours = Both(*(rate(int(np.sum(bad >= threshold)) + int(np.sum(good < threshold)), len(bad) + len(good)) for bad, good in zip(spoiled, rest, strict=True)))
    share = np.concatenate([np.full(len(pairs.group.results), pairs.group.low) for pairs in days.saline])
    said = ", ".join(f"at {100 * one:g} % of the plasma {100 * np.mean(spoiled.given[share == one] >= threshold):.0f} %" for one in np.unique(share))
    return _beside(published["people-saline", "accuracy"], bench.panel,
                   "saline at these shares and as many panels without an artefact, taken as equally likely", ours,
                   f"Recognised with the earlier result: {said}; of the others {100 * np.mean(rest.given < threshold):.0f} % are let pass.")


def _lay(study: Study, judged: _Judged, days: Days, published: dict[tuple[str, str], sqlite3.Row], threshold: float) -> list[Beside]:
    panel, others = judged.reader.bench.panel, judged.others
    wanted, flags = published["learned-fluids", "specificity"]["value"], published["learned-fluids-flags", "flag-rate"]["value"]
    odd = study.ground.population.model.settings["share-odd"]
    least = [metrics.threshold_for_specificity(part, wanted) for part in others]
    fluids = Both(*(rate(int(np.sum(part >= edge)), len(part)) for part, edge in zip(judged.fluids, least, strict=True)))
    groups = [pairs.group for pairs in days.bands if model_of(study, pairs.group) == FLUIDS]
    worth = Both(*(metrics.predictive_value_mixed(bad, good, odd, flags) for bad, good in zip(judged.artefacts, others, strict=True)))
    found = [_beside(published["learned-fluids", "sensitivity"], panel,
                     f"all bands of the fluids, each with as many panels, where the specificity on panels without an artefact is {wanted:g}", fluids,
                     by_amount(groups, judged.fluids.given >= least[0])),
             _beside(published["learned-fluids-flags", "positive-predictive-value"], panel,
                     f"artefacts of every sort in {100 * odd:g} % of the panels, as the mixture; each kind simulated by itself and weighted", worth)]
    if panel == METABOLIC:
        groups = [pairs.group for pairs in days.bands if pairs.group.cause == EDTA]
        found.append(_beside(published["staff-edta", "share-recognised"], panel, "all bands of K2EDTA, each with as many panels, screened",
                             judged.edta.at_least(threshold), "How much EDTA the specimens of the survey held is not known here; where it was less than in the bands, ours are easier.",
                             by_amount(groups, judged.edta.given >= threshold), comparable=False))
    return found


def _beside(row: sqlite3.Row, panel: str, what: str, ours: Both, *remarks: str, comparable: bool = True) -> Beside:
    target = max(value for value in (row["value"], row["low"], row["high"]) if value is not None)
    return Beside(row["id"], row["subject"], row["quantity"], target, row["condition"] or "", row["source"], row["basis"], panel, what, ours,
                  comparable, comparable and ours.given.low is not None and ours.given.low > target, remarks)
