"""Ours beside what people, rules and learned models were published to recognise."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows
from kg.explain.model import Array
from kg.validation import metrics
from kg.validation.assess import Bench
from kg.validation.metrics import Rate, rate
from kg.validation.simulate import EDTA, Group, Study

FLUIDS, BASIC, METABOLIC = "fluid", "basic", "metabolic"


class Comparison(NamedTuple):
    """One published figure, and ours."""

    id: str
    subject: str
    quantity: str
    published: float
    """The end of a published range that is harder to beat."""
    condition: str
    source: str
    basis: str
    panel: str
    what: str
    """What ours was counted on."""
    ours: Rate
    comparable: bool
    """Whether the specimens are known to be as hard to tell as those of the publication, or are the same by construction."""
    better: bool
    """Whether they are, and the whole 95 % interval of ours lies on the better side."""
    remarks: tuple[str, ...] = ()


class Judged(NamedTuple):
    """What a panel gave for the mixture."""

    bench: Bench
    probability: Array
    """For each panel of the mixture, with the shares of screening."""


def lay_beside(connection: sqlite3.Connection, study: Study, judged: dict[str, Judged], threshold: float) -> list[Comparison]:
    """Return every published figure with ours beside it.

    Args:
        connection: the database.
        study: what was simulated.
        judged: by name of the panel.
        threshold: probability of an artefact from which a panel counts as recognised.
    """
    published = {(row["subject"], row["quantity"]): row for row in rows(connection, "recognition_benchmarks")}
    edta = [group for group in study.bands if group.cause == EDTA]
    fluids = [group for group in study.bands if model_of(study, group) == FLUIDS]
    metabolic, basic = judged[METABOLIC].bench, judged[BASIC].bench
    results = np.concatenate([group.results for group in edta])
    seen = metabolic.probability(metabolic.screening, results) >= threshold
    rule = published["calcium-rule-edta", "share-missed"]["value"]
    recognised, remarks = _hyperkalaemic(study, metabolic, results, rule, threshold)
    where = "all bands of K2EDTA, each with as many panels, screened"
    alike = "specimens with potassium as in the surveys, picked out as odd, mixed so that low calcium misses as many as was published"
    found = [_compare(published["staff-edta", "share-recognised"], METABOLIC, where, rate(int(seen.sum()), len(seen)),
                      "How much EDTA the specimens of the survey held is not known here; where it was less than in the bands, ours are easier.",
                      by_amount(edta, seen), comparable=False),
             _compare(published["staff-edta-hyperkalaemic", "share-recognised"], METABOLIC, alike, recognised, *remarks),
             _compare(published["calcium-rule-edta", "share-missed"], METABOLIC, alike, _others(recognised), *remarks)]
    found.append(_compare(published["people-saline", "accuracy"], BASIC,
                          "saline at these shares and as many panels without an artefact, taken as equally likely", _accuracy(basic, study, threshold)))
    wanted = published["learned-fluids", "specificity"]["value"]
    flags = published["learned-fluids-flags", "flag-rate"]["value"]
    for panel in (BASIC, METABOLIC):
        one = judged[panel]
        others = one.probability[~study.artefact]
        spoiled = one.bench.probability(one.bench.screening, np.concatenate([group.results for group in fluids]))
        least = metrics.threshold_for_specificity(others, wanted)
        found.append(_compare(published["learned-fluids", "sensitivity"], panel,
                              f"all bands of the fluids, each with as many panels, where the specificity on panels without an artefact is {wanted:g}",
                              rate(int(np.sum(spoiled >= least)), len(spoiled)), by_amount(fluids, spoiled >= least)))
        found.append(_compare(published["learned-fluids-flags", "positive-predictive-value"], panel, "the mixture, artefacts of every sort",
                              metrics.predictive_value_at_rate(one.probability, study.artefact, flags),
                              *_by_prevalence(study, spoiled, others, flags, published["learned-fluids-flags", "positive-predictive-value"]["value"])))
    return found


def _compare(row: sqlite3.Row, panel: str, what: str, ours: Rate, *remarks: str, comparable: bool = True) -> Comparison:
    fewer = row["quantity"] == "share-missed"
    ends = [value for value in (row["value"], row["low"], row["high"]) if value is not None]
    target = min(ends) if fewer else max(ends)
    better = bool(comparable and ours.low is not None and ours.high is not None and (ours.high < target if fewer else ours.low > target))
    return Comparison(row["id"], row["subject"], row["quantity"], target, row["condition"] or "", row["source"], row["basis"], panel, what, ours, comparable,
                      better, remarks)


def by_amount(groups: list[Group], seen: NDArray[np.bool_]) -> str:
    """Return the share recognised in the bands of each amount, in words."""
    amount = np.concatenate([np.full(len(group.results), group.low) for group in groups])
    ends = {group.low: group.high for group in groups}
    return "By volume: " + ", ".join(f"{100 * low:g} to {100 * (ends[low] or 0):g} % {100 * seen[amount == low].mean():.0f} %"
                                     for low in sorted(value for value in ends if value is not None)) + "."


def model_of(study: Study, group: Group) -> str:
    """Return the model of the cause of a group."""
    return next(cause.model for cause in study.ground.population.model.causes if cause.id == group.cause)


def _hyperkalaemic(study: Study, bench: Bench, banded: Array, missed: float, threshold: float) -> tuple[Rate, tuple[str, ...]]:
    """Return the share recognised among specimens with EDTA as the surveys measured them, and what was mixed.

    Surveys hold many specimens with little EDTA and a high potassium of the patient's own. Those whose calcium is not low, which a rule
    misses, and the others are therefore weighted to the shares that were published. Equation: m a + (1 - m) b, m published, a and b the
    shares recognised of the two; its interval is that of as many specimens as would be as uncertain.
    """
    analytes = study.ground.population.model.analytes
    lowest = next(row["low"] for row in rows(study.ground.world.connection, "usual_levels") if row["analyte"] == "calcium-total")
    least = study.ground.setting("potassium-of-surveys").value

    def split(results: Array, calm: bool) -> Array:
        potassium, calcium = (results[:, analytes.index(name)] for name in ("potassium", "calcium-total"))
        return np.asarray(results[(potassium >= least) & ((calcium >= lowest) == calm)])

    every = np.concatenate([study.slight.results, banded])
    parts = [rate(int(np.sum(bench.probability(bench.odd, part) >= threshold)), len(part)) for part in (split(every, True), split(banded, False))]
    hidden, plain = parts
    if hidden.share is None or plain.share is None:
        return rate(0, 0), ("Too few specimens were simulated for this.",)
    alone = len(split(banded, True)) / max(len(split(banded, True)) + plain.of, 1)
    share = missed * hidden.share + (1 - missed) * plain.share
    # a half of a specimen keeps the variance above nothing where all or none are recognised
    variance = sum(weight**2 * np.clip(one.share or 0.0, 0.5 / one.of, 1 - 0.5 / one.of) * np.clip(1 - (one.share or 0.0), 0.5 / one.of, 1) / one.of
                   for weight, one in ((missed, hidden), (1 - missed, plain)))
    count = max(round(share * (1 - share) / variance), 1)
    return rate(share * count, count), (
        f"Of {hidden.of} with calcium of {lowest:g} mmol/L or more ours recognises {_percent(hidden.share)}, of {plain.of} with less {_percent(plain.share)}.",
        f"In the bands alone that rule misses {_percent(alone)}: their specimens hold more EDTA than those of the survey.",
        "The others are people with a potassium of their own near or above that limit, and between one and ten per cent of the plasma from the tube.")


def _others(one: Rate) -> Rate:
    """Return the rate of what was not counted."""
    return metrics.rate(one.of - one.hits, one.of)


def _accuracy(bench: Bench, study: Study, threshold: float) -> Rate:
    spoiled = np.concatenate([group.results for group in study.saline])
    others = study.mixture[~study.artefact]
    spread = np.linspace(0, len(others) - 1, len(spoiled)).astype(int)
    right = int(np.sum(bench.probability(bench.even, spoiled) >= threshold)) + int(np.sum(bench.probability(bench.even, others[spread]) < threshold))
    return rate(right, 2 * len(spoiled))


def _by_prevalence(study: Study, spoiled: Array, others: Array, flags: float, wanted: float) -> tuple[str, str]:
    """Return what a flag would be worth where fluids alone contaminate a stated share of the panels, and the least share that is enough."""
    figure = study.ground.setting("prevalence-of-fluids")
    worth = metrics.predictive_value_among(spoiled, others, figure.value, flags)
    tried = np.geomspace(figure.low or figure.value, figure.high or figure.value, 200)
    enough = next((share for share in tried if metrics.predictive_value_among(spoiled, others, float(share), flags) > wanted), None)
    said = f"from {_percent(float(enough))} of the panels on" if enough else "at no share that was tried"
    return (f"Were fluids alone, as in the bands, in {_percent(figure.value)} of the panels, it would be {worth:.2f}; it exceeds {wanted:g} {said}.",
            f"The published figure needs fluid in at least {_percent(wanted * flags)} of all panels; how common it was is not known here.")


def _percent(share: float | None) -> str:
    return "nothing" if share is None else f"{100 * share:.2g} %"
