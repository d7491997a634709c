"""Ours beside what people, rules and learned models were published to recognise.

Each is asked what the published reader was asked: one who had to tell saline from sound panels is laid beside a judge that knows
saline and no other artefact, one who looked for infusion fluids beside a judge that knows fluids.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows
from kg.explain.model import Array, Model
from kg.validation import metrics
from kg.validation.assess import Bench
from kg.validation.metrics import Rate, counted
from kg.validation.simulate import EDTA, READ_BY_PEOPLE, Drawn, Group
from kg.validation.spoil import Ground
from kg.wording import inside

FLUIDS, BASIC, METABOLIC = "fluid", "basic", "metabolic"
_WITH_GLUCOSE = ("iv-dextrose", "iv-dextrose-saline")
_AS_RECOGNISED = "fluids of the bands, the most severe left out so that half of them lie above the published median of fluids recognised in routine"
Published = Mapping[tuple[str, str], sqlite3.Row]
"""By subject and quantity."""


class Comparison(NamedTuple):
    """One published figure, and ours."""

    id: str
    subject: str
    quantity: str
    published: float
    """The end of a published range that is harder to beat, where no single figure was published."""
    condition: str
    source: str
    basis: str
    panel: str
    earlier: bool
    """Whether ours had an earlier panel of the patient."""
    what: str
    """What ours was counted on."""
    ours: Rate
    comparable: bool
    """Whether the specimens are known to be as hard to tell as those of the publication, or are the same by construction."""
    counts: bool
    """Whether it counts towards the finding: ours had an earlier panel only where the published reader is known to have had one."""
    better: bool
    """Whether the specimens are comparable, and the whole 95 % interval of ours lies on the better side."""
    remarks: tuple[str, ...] = ()


class Side(NamedTuple):
    """One panel on one set of simulated specimens."""

    ground: Ground
    bench: Bench
    drawn: Drawn
    threshold: float
    """Probability of an artefact from which a panel counts as recognised."""
    earlier: bool = False

    @property
    def model(self) -> Model:
        """Return what is known beforehand of the results."""
        return self.ground.population.model

    def causes_of(self, model: str) -> set[str]:
        """Return the ids of the causes of a model."""
        return {cause.id for cause in self.model.causes if cause.model == model}


def read_published(connection: sqlite3.Connection) -> Published:
    """Read the published figures."""
    return {(row["subject"], row["quantity"]): row for row in rows(connection, "recognition_benchmarks")}


def lay_beside(side: Side, published: Published) -> list[Comparison]:
    """Return the published figures that any panel can be laid beside, with ours.

    Args:
        side: what was simulated and judged.
        published: from ``read_published``.
    """
    found = []
    if side.bench.panel == METABOLIC:
        found.append(_edta_of_bands(side, published["staff-edta", "share-recognised"]))
    if side.bench.panel == BASIC:
        found += [_people(side, published[subject, "accuracy"], cause) for subject, cause in READ_BY_PEOPLE.items()]
    found.append(fluids_at_specificity(side, published, published["learned-fluids", "sensitivity"], published["learned-fluids", "specificity"]["value"]))
    found.append(worth_of_flags(side, published, "learned-fluids-flags"))
    return found


def compare(panel: str, earlier: bool, row: sqlite3.Row, what: str, ours: Rate, *remarks: str, comparable: bool = True) -> Comparison:
    """Lay a rate on a panel, with an earlier one or without, beside a published figure."""
    fewer = row["quantity"] == "share-missed"
    ends = [value for value in (row["low"], row["high"]) if value is not None]
    target = row["value"] if row["value"] is not None else min(ends) if fewer else max(ends)
    better = bool(comparable and ours.low is not None and ours.high is not None and (ours.high < target if fewer else ours.low > target))
    counts = (row["earlier"] == "yes") == earlier
    return Comparison(row["id"], row["subject"], row["quantity"], target, row["condition"] or "", row["source"], row["basis"], panel, earlier,
                      what, ours, comparable, counts, better, remarks)


def _edta_of_bands(side: Side, row: sqlite3.Row) -> Comparison:
    groups = [group for group in side.drawn.bands if group.cause == EDTA]
    seen = side.bench.probability(side.bench.screening, results_of(groups)) >= side.threshold
    return compare(side.bench.panel, side.earlier, row, "all bands of K2EDTA, each with as many panels, screened", counted(seen),
                   "How much EDTA the specimens of the survey held is not known here; where it was less than in the bands, ours are easier.",
                   by_amount(groups, seen), comparable=False)


def _people(side: Side, row: sqlite3.Row, cause: str) -> Comparison:
    """Return the accuracy of one who is told that half of the panels hold this fluid and the others nothing that was not in the patient."""
    bench, groups = side.bench, [group for group in side.drawn.read if group.cause == cause]
    judge, sound = bench.among({cause}, 0.5), side.drawn.mixture[~side.drawn.artefact]
    spoiled = bench.probability(judge, results_of(groups)) >= side.threshold
    others = sound[np.linspace(0, len(sound) - 1, len(spoiled)).astype(int)]
    passed = bench.probability(judge, others) < side.threshold
    shares = ", ".join(f"at {100 * (group.low or 0):g} % of the plasma {percent(float(part.mean()))}"
                       for group, part in zip(groups, np.split(spoiled, len(groups)), strict=True))
    return compare(side.bench.panel, side.earlier, row, "this fluid at these shares and as many panels without an artefact, told apart by a judge that knows no other artefact",
                   counted(np.concatenate([spoiled, passed])), f"Recognised {shares}; of the others {percent(float(passed.mean()))} are let pass.")


def fluids_at_specificity(side: Side, published: Published, row: sqlite3.Row, specificity: float) -> Comparison:
    """Return the share of the fluids that are recognised where the specificity is as published."""
    groups, others = fluids_as_recognised(side, published), side.drawn.mixture[~side.drawn.artefact]
    judge = side.bench.among(side.causes_of(FLUIDS))
    least = metrics.threshold_for_specificity(side.bench.probability(judge, others), specificity)
    seen = side.bench.probability(judge, results_of(groups)) >= least
    return compare(side.bench.panel, side.earlier, row, f"{_AS_RECOGNISED}, where the specificity on panels without an artefact is {specificity:.4g}",
                   counted(seen), by_amount(groups, seen), _by_fluid(groups, seen), *_reached_from(groups, seen, row["value"]))


def _by_fluid(groups: list[Group], seen: NDArray[np.bool_]) -> str:
    """Return the share recognised of each fluid, in words; which fluids were how common in the published specimens is not known."""
    label = np.concatenate([np.full(len(group.results), group.label) for group in groups])
    return "By fluid: " + ", ".join(f"{inside(name)} {percent(float(seen[label == name].mean()))}" for name in dict.fromkeys(label.tolist())) + "."


def _reached_from(groups: list[Group], seen: NDArray[np.bool_], target: float) -> list[str]:
    """Return, in words, the least share of the plasma from which on all fluids together are recognised as often as was published."""
    shares = np.concatenate([group.severity for group in groups])
    order = np.argsort(-shares, kind="stable")
    reached = np.flatnonzero(np.cumsum(seen[order]) / np.arange(1, len(order) + 1) >= target)
    if not len(reached) or reached[-1] == len(order) - 1:
        return []
    return [f"Of fluids that are at least {percent(float(shares[order[reached[-1]]]))} of the plasma it is {target:g}."]


def worth_of_flags(side: Side, published: Published, subject: str) -> Comparison:
    """Return what a flag for a fluid is worth at the published rate of flags, where fluids are as common as was published elsewhere."""
    row, flags = published[subject, "positive-predictive-value"], published[subject, "flag-rate"]["value"]
    figure, fluids = side.ground.setting("prevalence-of-fluids"), side.causes_of(FLUIDS)
    judge, others = side.bench.among(fluids), side.drawn.mixture[~np.isin(side.drawn.causes, list(fluids))]
    bad, good = (side.bench.probability(judge, results) for results in (results_of(fluids_as_recognised(side, published)), others))
    worth = metrics.predictive_value_mixed(bad, good, figure.value, flags)
    tried = np.geomspace(figure.low or figure.value, figure.high or figure.value, 200)
    enough = next((share for share in tried if metrics.predictive_value_among(bad, good, float(share), flags) > row["value"]), None)
    said = f"from {percent(float(enough))} of the panels on" if enough else "at no share that was tried"
    return compare(side.bench.panel, side.earlier, row, f"{_AS_RECOGNISED}, in {percent(figure.value)} of the panels, a share that was published for another hospital, among panels of "
                   "every other sort, artefacts too", worth, f"It exceeds {row['value']:g} {said}.")


def fluids_as_recognised(side: Side, published: Published) -> list[Group]:
    """Return the fluids of the bands, the most severe left out so that their medians are those of fluids that were recognised in routine.

    Of n shares of the plasma in rising order the first 2 k have the k-th as their median; k is that of the published one.
    """
    found = []
    for sweet in (True, False):
        groups = [group for group in side.drawn.bands if group.cause in side.causes_of(FLUIDS) and (group.cause in _WITH_GLUCOSE) == sweet]
        middle = published["recognised-dextrose" if sweet else "recognised-fluids", "median-share"]["value"]
        shares = np.sort(np.concatenate([group.severity for group in groups]))
        most = shares[min(2 * int(np.searchsorted(shares, middle)), len(shares) - 1)]
        kept = [group._replace(results=group.results[group.severity <= most], severity=group.severity[group.severity <= most]) for group in groups]
        found += [group for group in kept if len(group.results)]
    return found


def by_amount(groups: list[Group], seen: NDArray[np.bool_]) -> str:
    """Return the share recognised in the bands of each amount, in words."""
    amount = np.concatenate([np.full(len(group.results), group.low) for group in groups])
    ends = {group.low: group.high for group in groups}
    return "By volume: " + ", ".join(f"{100 * low:g} to {100 * (ends[low] or 0):g} % {percent(float(seen[amount == low].mean()))}"
                                     for low in sorted(value for value in ends if value is not None)) + "."


def percent(share: float | None) -> str:
    """Return a share in per cent, with two digits."""
    return "nothing" if share is None else f"{100 * share:.0f} %" if share >= 0.1 else f"{100 * share:.2g} %"


def results_of(groups: list[Group]) -> Array:
    """Return the panels of several groups."""
    return np.concatenate([group.results for group in groups])
