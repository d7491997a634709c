"""Simulated panels judged as screening judges them: probabilities under several shares of artefacts, and which cause is named."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows
from kg.explain.model import Array
from kg.screening.judge import Judge, judge_panels, make_judge
from kg.validation.metrics import Rate, rate
from kg.validation.simulate import Group, Study, prior_weights


class Bench(NamedTuple):
    """One panel of results with its judges."""

    panel: str
    analytes: tuple[str, ...]
    columns: list[int]
    """Where its results stand among those that were simulated."""
    screening: Judge
    """With the shares of artefacts and disease that screening assumes."""
    odd: Judge
    """With those that hold where somebody picked the panel out as odd."""
    even: Judge
    """With an artefact in every second panel."""

    def probability(self, judge: Judge, results: Array) -> Array:
        """Return the probability of an artefact for each panel, integrated in full."""
        return judge_panels(judge, results[:, self.columns], every=True).probability


class Recognised(NamedTuple):
    """How one group of panels was judged."""

    group: Group
    screened: Rate
    """Probability of an artefact at the threshold or above, with the shares of screening."""
    at_flag_rate: Rate
    """Among the panels flagged at the flag rate."""
    odd: Rate
    """At the threshold or above, once somebody picked the panel out as odd."""
    right: Rate
    """Of these, the likeliest artefact is the right one."""
    family: Rate
    """Of these, the likeliest artefact is the right one or of its family."""


def make_bench(connection: sqlite3.Connection, study: Study, panel: str, analytes: tuple[str, ...], threshold: float) -> Bench:
    """Make the judges of a panel.

    Args:
        connection: the database.
        study: what was simulated, for which results.
        panel: its name.
        analytes: its results.
        threshold: probability of an artefact from which a panel is flagged.
    """
    judge = make_judge(connection, analytes, threshold)
    model = study.ground.population.model
    weights = prior_weights(connection, study.ground)
    parts = [sum(weights[kind]) for kind in ("artefact", "in-vivo", "none")]
    sick = model.settings["share-ill"] / (1 - model.settings["share-odd"])
    return Bench(panel, analytes, [model.analytes.index(analyte) for analyte in analytes], judge,
                 with_shares(judge, parts[0] / sum(parts), parts[1] / sum(parts)), with_shares(judge, 0.5, 0.5 * sick))


def with_shares(judge: Judge, odd: float, ill: float) -> Judge:
    """Return a judge that takes artefact and disease to be as common as stated; for panels that are integrated in full only.

    Args:
        judge: with the shares of screening.
        odd: share of panels with an artefact.
        ill: share of panels with a disease.
    """
    before = (judge.model.settings["share-odd"], judge.model.settings["share-ill"])
    artefacts = len(judge.causes) * judge.steps
    weight = judge.log_weight.copy()
    weight[:artefacts] += math.log(odd / before[0])
    weight[artefacts:-1] += math.log(ill / before[1])
    weight[-1] += math.log((1 - odd - ill) / (1 - sum(before)))
    return judge._replace(log_weight=weight)


def families(connection: sqlite3.Connection) -> dict[str, set[str]]:
    """Return for each cause its factor and the broader ones."""
    found: dict[str, set[str]] = {}
    for row in rows(connection, "families"):
        found.setdefault(row["cause"], set()).add(row["family"])
    return found


def recognise(bench: Bench, group: Group, threshold: float, edge: float, above: Mapping[str, set[str]]) -> Recognised:
    """Return how a group of panels is judged.

    Args:
        bench: the panel.
        group: panels of one cause.
        threshold: probability from which a panel is flagged.
        edge: the probability from which it is flagged at the flag rate.
        above: from ``families``.
    """
    size, results = len(group.results), group.results[:, bench.columns]
    screened = bench.probability(bench.screening, group.results)
    verdicts = judge_panels(bench.odd, results, every=True)
    seen = verdicts.probability >= threshold
    named = [bench.odd.causes[i] for i in verdicts.cause[seen]]
    kin = above.get(group.cause, set())
    return Recognised(group, _count(screened >= threshold), _count(screened >= edge), rate(int(seen.sum()), size),
                      rate(sum(name == group.cause for name in named), len(named)),
                      rate(sum(name == group.cause or bool(kin & above.get(name, set())) for name in named), len(named)))


def _count(hits: NDArray[np.bool_]) -> Rate:
    return rate(int(hits.sum()), len(hits))
