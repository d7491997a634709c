"""Simulated panels judged as screening judges them: probabilities under several shares of artefacts, and which cause is named."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Collection, Mapping
from typing import NamedTuple

import numpy as np

from kg.database import rows
from kg.explain.model import Array
from kg.screening.earlier import make_judge_with_earlier
from kg.screening.judge import Judge, judge_panels, make_judge
from kg.validation.metrics import Rate, counted, rate
from kg.validation.simulate import Group
from kg.validation.spoil import Ground


class Bench(NamedTuple):
    """One panel of results with its judges."""

    panel: str
    analytes: tuple[str, ...]
    columns: list[int]
    """Where its results, and those of the earlier panel if there is one, stand among those that were simulated."""
    screening: Judge
    """With the shares of artefacts and disease that screening assumes."""
    odd: Judge
    """With those that hold where somebody picked the panel out as odd."""
    sick: float
    """Share of the panels without an artefact in which screening assumes a state of the patient."""

    def probability(self, judge: Judge, results: Array) -> Array:
        """Return the probability of an artefact for each panel, integrated in full."""
        return judge_panels(judge, results[:, self.columns], every=True).probability

    def among(self, causes: Collection[str], odd: float | None = None) -> Judge:
        """Return a judge that knows some artefacts only, as one does who is asked about just these.

        Args:
            causes: ids of artefacts.
            odd: share of panels that have one of them; as screening assumes when not given.
        """
        judge = self.screening
        kept = np.repeat([cause in causes for cause in judge.causes], judge.steps)
        weight = judge.log_weight.copy()
        weight[: len(kept)] = np.where(kept, weight[: len(kept)], -np.inf)
        prior = judge.log_prior.copy()
        prior[: len(kept)] = np.where(kept, prior[: len(kept)], -np.inf)
        narrow = judge._replace(log_weight=weight, log_prior=prior)
        return narrow if odd is None else with_shares(narrow, odd, (1 - odd) * self.sick)


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


def make_bench(connection: sqlite3.Connection, ground: Ground, panel: str, analytes: tuple[str, ...], threshold: float, hours: float | None = None) -> Bench:
    """Make the judges of a panel.

    Args:
        connection: the database.
        ground: what was simulated from, for which results.
        panel: its name.
        analytes: its results.
        threshold: probability of an artefact from which a panel is flagged.
        hours: by which an earlier panel of the same results is older, which then stands behind those of now in what is judged; none
            when not given.
    """
    judge = make_judge(connection, analytes, threshold) if hours is None else make_judge_with_earlier(connection, analytes, analytes, hours, threshold)
    model = ground.population.model
    parts = [float(ground.population.weights[kind].sum()) for kind in ("artefact", "in-vivo", "none")]
    columns = [model.analytes.index(analyte) for analyte in analytes]
    if hours is not None:
        columns += [len(model.analytes) + place for place in columns]
    return Bench(panel, analytes, columns, judge, with_shares(judge, parts[0] / sum(parts), parts[1] / sum(parts)),
                 float(np.exp(judge.log_prior[len(judge.causes) * judge.steps :][: judge.states]).sum()) / (1 - model.settings["share-odd"]))


def with_shares(judge: Judge, odd: float, ill: float) -> Judge:
    """Return a judge that takes artefact and disease to be as common as stated; for panels that are integrated in full only.

    Args:
        judge: with other shares.
        odd: share of panels with an artefact.
        ill: share of panels with a disease.
    """
    artefacts = len(judge.causes) * judge.steps
    groups = (slice(artefacts), slice(artefacts, artefacts + judge.states), slice(artefacts + judge.states, None))
    weight, prior = judge.log_weight.copy(), judge.log_prior.copy()
    for group, share in zip(groups, (odd, ill, 1 - odd - ill), strict=True):
        change = math.log(share / np.exp(judge.log_prior[group]).sum())
        weight[group] += change
        prior[group] += change
    return judge._replace(log_weight=weight, log_prior=prior)


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
    results = group.results[:, bench.columns]
    screened = bench.probability(bench.screening, group.results)
    verdicts = judge_panels(bench.odd, results, every=True)
    seen = verdicts.probability >= threshold
    named = [bench.odd.causes[i] for i in verdicts.cause[seen]]
    kin = above.get(group.cause, set())
    return Recognised(group, counted(screened >= threshold), counted(screened >= edge), counted(seen),
                      rate(sum(name == group.cause for name in named), len(named)),
                      rate(sum(name == group.cause or bool(kin & above.get(name, set())) for name in named), len(named)))

