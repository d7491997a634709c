"""Whether the interval of a severity holds the true one, where the cause is right."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

import numpy as np

from kg.explain import infer
from kg.explain.baseline import baseline
from kg.explain.findings import widened
from kg.explain.model import Array, read_model
from kg.validation.metrics import Rate, counted
from kg.validation.simulate import Group


class Recovered(NamedTuple):
    """How well the severity of one group was estimated."""

    group: Group
    inside: Rate
    """True severities inside the interval, of those within the range that the explanation considers."""
    ratio: float | None
    """Median of the estimated over the true severity."""
    beyond: int
    """Panels that are more, or less, severe than any that is considered."""


def recover(connection: sqlite3.Connection, analytes: tuple[str, ...], columns: list[int], groups: tuple[Group, ...], panels: int,
            share: float) -> list[Recovered]:
    """Estimate the severity of the first panels of each group, given its cause.

    Args:
        connection: the database.
        analytes: results of the panel.
        columns: where they stand in the results of the groups.
        groups: of artefacts.
        panels: how many of each group.
        share: probability that the interval is to hold.
    """
    model = read_model(connection, analytes, only=sorted({group.cause for group in groups}))
    base, place = baseline(model), {cause.id: i for i, cause in enumerate(model.causes)}
    prior = infer.Prior(np.zeros(len(model.causes)), infer.usual_steps(model))

    def estimate(cause: int, results: Array) -> tuple[float, float, float]:
        observed = infer.observe(model, results.tolist(), [""] * len(analytes))
        one = infer.explain_by_one(model, base, observed, prior, [cause])[0]
        fine = infer.refine(model, base, observed, prior, one)
        return widened(model, model.causes[cause], None, *infer.interval(fine.severities[0], fine.weights, share))

    found = []
    for group in groups:
        cause = model.causes[place[group.cause]]
        true = group.severity[:panels]
        known = np.flatnonzero((true >= cause.severity[0]) & (true <= cause.severity[-1]))
        estimates = np.array([estimate(place[group.cause], group.results[i, columns]) for i in known]).reshape(-1, 3)
        inside = (estimates[:, 1] <= true[known]) & (true[known] <= estimates[:, 2])
        ratio = float(np.median(estimates[:, 0] / true[known])) if len(known) else None
        found.append(Recovered(group, counted(inside), ratio, len(true) - len(known)))
    return found
