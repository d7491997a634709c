"""Which further check separates the leading causes best: expected information gain.

The gain of a check is the mutual information, in bits, between its outcome and which of the causes is true. For a further
measurement it is reckoned from what each cause predicts for it, given the results that are there; for a look or a question
from the probability of a positive outcome under each cause. After the most telling check comes the one that adds most to it, and so on;
outcomes of several checks are taken as independent once the cause is granted.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from kg.database import rows
from kg.explain.baseline import Baseline
from kg.explain.infer import Explanation, Observed, Prediction, predict, scatter_of
from kg.explain.model import Array, Model
from kg.wording import inside, spoken

_POINTS = np.linspace(-4.5, 4.5, 15)
"""Where a result is looked at under each cause, in standard deviations from what that cause predicts."""
_CANDIDATES, _OUTCOMES, _COURSES = 24, 8, 64
"""Checks that are put in order; outcomes of each, and courses of the checks before it, that are told apart for it."""
_LEAST = 0.01
"""Bits below which a check is not worth a line."""


class Check(NamedTuple):
    """A check, what it tells, and which causes it tells apart."""

    text: str
    gain_bits: float
    separates: tuple[int, ...]
    """Positions of two explanations in the list that was given."""
    outcomes: Array
    """Probability of each of its outcomes under each cause, causes x outcomes."""
    adds_bits: float = 0.0
    """The gain that is left once the checks listed before it are done."""
    analyte: str = ""
    check: str = ""
    needs: str = ""
    source: str = ""
    basis: str = ""


def entropy(shares: Array) -> Array:
    """Return the entropy in bits over the last axis."""
    return np.asarray(-np.sum(np.where(shares > 0, shares * np.log2(np.maximum(shares, 1e-300)), 0.0), axis=-1))


def measurements(model: Model, base: Baseline, observed: Observed, leaders: Sequence[Explanation], weights: Array,
                 possible: Sequence[int]) -> list[Check]:
    """Return the gain of measuring each further result.

    Args:
        model: of the results of the panel followed by those that may be measured.
        base: for the same.
        observed: the results of the panel.
        leaders: explanations by one cause.
        weights: their probabilities.
        possible: positions in the model of what may be measured.
    """
    further, exact = list(possible), list(observed.exact)
    means, variances = [], []
    for leader in leaders:
        expected = Prediction(*(part[0] for part in predict(model, base, model.effects.of(leader.causes))))
        cross = expected.slope[:, further, None] * expected.slope[:, None, exact] * base.covariance[np.ix_(further, exact)]
        scatter = scatter_of(base, expected, exact)
        off = observed.values[exact] - expected.mean[:, exact]
        mean = expected.mean[:, further] + np.einsum("gfe,ge->gf", cross, np.linalg.solve(scatter, off[..., None])[..., 0])
        own = expected.slope[:, further] ** 2 * np.diag(base.covariance)[further] + expected.doubt[:, further]
        left = own - np.einsum("gfe,gef->gf", cross, np.linalg.solve(scatter, cross.transpose(0, 2, 1)))
        share = leader.weights[:, None]
        middle = np.sum(share * mean, axis=0)
        means.append(middle)
        variances.append(np.sum(share * (np.maximum(left, 1e-12) + (mean - middle) ** 2), axis=0))
    centre, deviation = np.array(means).T, np.sqrt(np.array(variances).T)
    outcomes = _outcomes(centre, deviation)
    gain = _information(outcomes, weights)
    return [Check(f"Measure {spoken(model.labels[place])}", float(gain[i]), _furthest(centre[i], deviation[i], weights), outcomes[i],
                  analyte=model.analytes[place], needs="specimen") for i, place in enumerate(further)]


def in_order(checks: Sequence[Check], weights: Array, most: int) -> list[Check]:
    """Return the most telling check first, then each time the one that adds most to those before it.

    Args:
        checks: with the outcomes of each.
        weights: probabilities of the causes.
        most: checks wanted; those that add next to nothing are left out.
    """
    left = sorted(checks, key=lambda check: (-round(check.gain_bits, 6), check.text))[:_CANDIDATES]
    tables = {check.text: _few(check.outcomes, weights) for check in left}
    found: list[Check] = []
    courses = weights[None, :]
    while left and len(found) < most:
        added = [check.gain_bits if not found else _added(courses, tables[check.text]) for check in left]
        best = max(range(len(left)), key=lambda i: (round(added[i], 6), -i))
        if added[best] < _LEAST:
            break
        check = left.pop(best)
        found.append(check._replace(adds_bits=added[best]))
        courses = _spread(_followed(courses, tables[check.text]).reshape(-1, len(weights)))
    return found


def _few(outcomes: Array, weights: Array) -> Array:
    """Return outcomes drawn together, neighbours with neighbours, into a few that are about as likely as each other."""
    total = weights @ outcomes
    place = np.minimum(((np.cumsum(total) - total / 2) * _OUTCOMES).astype(int), _OUTCOMES - 1)
    return outcomes @ np.eye(_OUTCOMES)[place] if outcomes.shape[1] > _OUTCOMES else outcomes


def _followed(courses: Array, table: Array) -> Array:
    """Return the probability of each course of checks, then each outcome of one more, together with each cause."""
    return np.asarray(courses[:, None, :] * table.T[None])


def _spread(courses: Array) -> Array:
    """Return courses, where there are too many an even choice of them in which each stands for as much as any other."""
    if len(courses) <= _COURSES:
        return courses
    share = courses.sum(axis=1)
    kept = np.searchsorted(np.cumsum(share), (np.arange(_COURSES) + 0.5) / _COURSES * share.sum())
    return np.asarray(courses[kept] / share[kept, None] / _COURSES)


def _added(courses: Array, table: Array) -> float:
    """Return the information on the cause that a check adds to courses of others, in bits."""
    def doubt(joint: Array) -> float:
        whole = joint.sum(axis=-1)
        return float(whole.ravel() @ entropy(joint / np.maximum(whole[..., None], 1e-300)).ravel())

    return max(doubt(courses) - doubt(_followed(courses, table)), 0.0)


def _outcomes(centre: Array, deviation: Array) -> Array:
    """Return the probability of each point near which a result may lie, where it is normal under each cause: results x causes x points.

    The points of all causes together are taken, so that a narrow prediction beside a wide one is not missed.
    """
    at = np.sort((centre[..., None] + deviation[..., None] * _POINTS).reshape(len(centre), centre.shape[1] * len(_POINTS)), axis=1)
    density = np.exp(-0.5 * ((at[:, None, :] - centre[..., None]) / deviation[..., None]) ** 2) * np.gradient(at, axis=1)[:, None, :]
    return np.asarray(density / np.maximum(density.sum(axis=2, keepdims=True), 1e-300))


def _information(outcomes: Array, weights: Array) -> Array:
    """Return the mutual information between the cause and a result, in bits, for each result: results x causes x outcomes."""
    joint = weights[:, None] * outcomes
    total = joint.sum(axis=1)
    posterior = joint / np.maximum(total[:, None, :], 1e-300)
    return np.asarray(np.maximum(entropy(weights) - np.sum(total * entropy(posterior.transpose(0, 2, 1)), axis=1), 0.0))


def _furthest(centre: Array, deviation: Array, weights: Array) -> tuple[int, ...]:
    """Return the two causes that a result tells apart best, each counted with its probability."""
    apart = np.abs(centre[:, None] - centre[None, :]) / np.hypot(deviation[:, None], deviation[None, :])
    value = np.minimum(apart, 3.0) * np.sqrt(weights[:, None] * weights[None, :])
    one, other = np.unravel_index(int(np.argmax(value)), value.shape)
    return tuple(sorted((int(one), int(other)))) if one != other else ()


def looks_and_questions(connection: sqlite3.Connection, model: Model, leaders: Sequence[Explanation], weights: Array, fits: frozenset[str]) -> list[Check]:
    """Return the gain of each check whose outcome is yes or no.

    Args:
        connection: the database.
        model: of the results.
        leaders: explanations by one cause.
        weights: their probabilities.
        fits: the materials that the specimen is, broader and narrower ones included.
    """
    names = [model.causes[leader.causes[0]].id for leader in leaders]
    outcomes: dict[str, dict[str, float]] = {}
    for row in rows(connection, "check_outcomes"):
        outcomes.setdefault(row["check"], {})[row["cause"]] = row["probability"]
    found = []
    for row in rows(connection, "checks"):
        if not _makes_sense(row, fits, set(model.analytes)):
            continue
        known = outcomes.get(row["check"], {})
        positive = np.array([known.get(name, row["usual"]) for name in names])
        gain = _yes_or_no(positive, weights)
        text = f"{row['label']} (positive: {inside(row['positive'])})" if row["positive"] else row["label"]
        spread = np.sqrt(np.maximum(positive * (1 - positive), 0.01))
        found.append(Check(text, gain, _furthest(positive, spread, weights), np.stack([positive, 1 - positive], axis=-1), check=row["check"], needs=row["needs"],
                           source=row["source"], basis=row["basis"]))
    return found


def _makes_sense(row: sqlite3.Row, fits: frozenset[str], measured: set[str]) -> bool:
    """Whether a check can be done on the material, and speaks of something that was measured."""
    return all(not row[column] or there & set(row[column].split(";")) for column, there in (("materials", fits), ("analytes", measured)))


def _yes_or_no(positive: Array, weights: Array) -> float:
    share = float(positive @ weights)
    outcomes = np.array([share, 1 - share])
    doubt = np.stack([positive, 1 - positive], axis=-1)
    return max(float(entropy(outcomes) - weights @ entropy(doubt)), 0.0)
