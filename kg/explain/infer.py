"""Which cause explains a panel: Bayes' theorem, integrated over the severity of each cause.

Given a cause and a severity, the results follow a multivariate t distribution: the baseline moved as the cause moves it, with the
doubt of the cause and the variation of the methods added. Its few degrees of freedom allow for sick people lying further out
than a normal distribution does. Severities are taken as equally likely on their logarithmic scale, those of a
state of the patient far beyond a clear case as rarer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from kg.explain.baseline import Baseline, deviations, scaled
from kg.explain.model import Array, Effects, Model

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_COARSE, _FEWER = slice(2, None, 5), slice(0, None, 3)
"""Few severities are enough to find which two causes to look at together, and every third to weigh them."""
_PAIRS = 12
"""Pairs that are weighed after the coarse look."""
_NEVER = -1e9
_LEAST = 1e-300
_FINE = 4
"""By how much the severities are refined for the explanations that are shown."""


class Prior(NamedTuple):
    """What is held likely before the results are looked at, as logarithms."""

    causes: Array
    """Of each cause of the model."""
    steps: Array
    """Of each severity of each cause, summing to 1 over the severities; minus infinity where it is ruled out."""


class Observed(NamedTuple):
    """The results of the panel on their scales, and which of them are only bounds."""

    values: Array
    exact: tuple[int, ...]
    bounds: tuple[tuple[int, float], ...] = ()
    """For each bound the position of its result, and 1 where the true one lies above it, -1 where below."""


class Prediction(NamedTuple):
    """What results are expected, by cause and severity, on their scales."""

    mean: Array
    slope: Array
    """How far a result follows the true one."""
    doubt: Array
    """Variance that is not that of the baseline."""


class Explanation(NamedTuple):
    """One cause, or several together, with what the panel says of it."""

    causes: tuple[int, ...]
    """Positions in ``model.causes``."""
    log_weight: float
    """Logarithm of prior times likelihood."""
    severities: tuple[Array, ...]
    """For each cause its severities, one for each entry of ``weights``."""
    weights: Array
    """Probability of each combination of severities, once this explanation is granted."""
    mean: Array
    """Expected results, on their scales, for each combination."""
    deviation: Array
    distance: float
    """Least Mahalanobis distance, squared, over the combinations."""


def usual_steps(model: Model) -> Array:
    """Return the log shares of the severities of each cause where nothing is known of the specimen."""
    return np.log(np.stack([cause.shares for cause in model.causes]))


def observe(model: Model, values: Sequence[float], comparators: Sequence[str]) -> Observed:
    """Return the results on their scales.

    Args:
        model: of the same results.
        values: in the units of the model.
        comparators: for each empty, ``<`` or ``>``.
    """
    numbers = scaled(model, np.array(values, dtype=float))
    exact = tuple(i for i, sign in enumerate(comparators) if not sign)
    return Observed(numbers, exact, tuple((i, 1.0 if sign == ">" else -1.0) for i, sign in enumerate(comparators) if sign))


def predict(model: Model, base: Baseline, effects: Effects) -> Prediction:
    """Return what results are expected, for effects of any shape that ends in the results.

    Results on a logarithmic scale are carried over by five Gauss-Hermite points, so that a shift that leaves nothing does no harm.
    """
    log = model.logarithmic
    deviation = np.sqrt(np.diag(base.covariance))
    mean = effects.gain * base.mean + effects.shift
    slope = effects.gain.copy()
    doubt = np.zeros_like(mean)
    if log.any():
        true = np.exp(base.mean[log, None] + deviation[log, None] * _NODES)
        read = np.log(np.maximum(effects.gain[..., log, None] * true + effects.shift[..., log, None], model.floor[log, None]))
        mean[..., log] = read @ _WEIGHTS
        slope[..., log] = read @ (_WEIGHTS * _NODES) / deviation[log]
        doubt[..., log] = np.maximum(read**2 @ _WEIGHTS - mean[..., log] ** 2 - (slope[..., log] * deviation[log]) ** 2, 0)
    size = np.where(log, np.exp(np.where(log, mean, 0.0)), 1.0)
    spread = np.where(log, effects.spread / np.maximum(size, model.floor), effects.spread)
    relative = deviations(model, effects.relative_spread, mean)
    return Prediction(mean, slope, doubt + spread**2 + relative**2 + deviations(model, model.analytical, mean) ** 2)


def scatter_of(base: Baseline, expected: Prediction, places: Sequence[int]) -> Array:
    """Return the covariance that results have under each cause and severity, on their scales.

    Args:
        base: where the true results lie.
        expected: what is expected of them.
        places: positions of the results that are wanted.
    """
    chosen = list(places)
    slope, doubt = expected.slope[..., chosen], expected.doubt[..., chosen]
    return np.asarray(slope[..., :, None] * slope[..., None, :] * base.covariance[np.ix_(chosen, chosen)] + doubt[..., :, None] * np.eye(len(chosen)))


def log_likelihood(model: Model, base: Baseline, expected: Prediction, observed: Observed) -> tuple[Array, Array]:
    """Return the logarithm of the likelihood, and the squared distance, for every cause and severity.

    A bound counts with the probability that the result lies beyond it, given the others.
    """
    exact = list(observed.exact)
    freedom = model.settings["degrees-of-freedom"]
    scatter = scatter_of(base, expected, exact)
    off = observed.values[exact] - expected.mean[..., exact]
    solved = np.linalg.solve(scatter, off[..., None])[..., 0]
    distance = np.einsum("...i,...i->...", off, solved)
    log_determinant = np.linalg.slogdet(scatter)[1]
    found = log_t(distance, log_determinant, len(exact), freedom)
    for place, sign in observed.bounds:
        across = expected.slope[..., place, None] * expected.slope[..., exact] * base.covariance[place, exact]
        mean = expected.mean[..., place] + np.einsum("...i,...i->...", across, solved)
        own = expected.slope[..., place] ** 2 * base.covariance[place, place] + expected.doubt[..., place]
        explained = np.einsum("...i,...i->...", across, np.linalg.solve(scatter, across[..., None])[..., 0])
        deviation = np.sqrt(np.maximum(own - explained, 1e-12))
        found = found + _log_normal_tail(sign * (observed.values[place] - mean) / deviation)
    return found, distance


def log_t(distance: Array, log_determinant: Array, size: int, freedom: float) -> Array:
    """Return the log density of a multivariate t with the covariance (not the scale) that is given. Source: textbook."""
    shrink = (freedom - 2) / freedom
    constant = math.lgamma((freedom + size) / 2) - math.lgamma(freedom / 2) - size / 2 * math.log(freedom * math.pi * shrink)
    return np.asarray(constant - log_determinant / 2 - (freedom + size) / 2 * np.log1p(distance / shrink / freedom))


def _log_normal_tail(z: Array) -> Array:
    """Return the log of the probability that a standard normal lies above z."""
    tail = np.array([math.erfc(value / math.sqrt(2)) / 2 for value in z.ravel()]).reshape(z.shape)
    return np.asarray(np.log(np.maximum(tail, 1e-300)))


def log_sum(values: Array) -> Array:
    """Return the logarithm of the sum, over the last axis, of what the values are logarithms of."""
    top = np.maximum(values.max(axis=-1, keepdims=True), _NEVER)
    return np.asarray(np.log(np.maximum(np.sum(np.exp(values - top), axis=-1), _LEAST)) + top[..., 0])


def explain_by_one(model: Model, base: Baseline, observed: Observed, prior: Prior, allowed: Sequence[int]) -> list[Explanation]:
    """Return one explanation for each allowed cause, the likeliest first.

    Args:
        model, base, observed, prior: what is known and seen.
        allowed: positions of the causes to consider.
    """
    expected = predict(model, base, model.effects.of(allowed))
    likelihood, distance = log_likelihood(model, base, expected, observed)
    likelihood = likelihood + prior.steps[list(allowed)]
    weight = prior.causes[list(allowed)] + log_sum(likelihood)
    found = [_explanation((cause,), float(weight[k]), (model.causes[cause].severity,), likelihood[k], distance[k], base,
                          Prediction(*(part[k] for part in expected)))
             for k, cause in enumerate(allowed)]
    return sorted(found, key=lambda one: -one.log_weight)


def _explanation(causes: tuple[int, ...], log_weight: float, severities: tuple[Array, ...], likelihood: Array, distance: Array,
                 base: Baseline, expected: Prediction) -> Explanation:
    weights = np.exp(likelihood - max(float(likelihood.max()), _NEVER))
    deviation = np.sqrt(expected.slope**2 * np.diag(base.covariance) + expected.doubt)
    return Explanation(causes, log_weight, severities, weights / max(float(weights.sum()), _LEAST), expected.mean, deviation, float(distance.min()))


def refine(model: Model, base: Baseline, observed: Observed, prior: Prior, explanation: Explanation) -> Explanation:
    """Return an explanation by one cause on a finer scale of severities; its weight stays."""
    if len(explanation.causes) != 1:
        return explanation
    cause = model.causes[explanation.causes[0]]
    at = np.linspace(0, len(cause.severity) - 1, _FINE * (len(cause.severity) - 1) + 1)
    low = np.minimum(at.astype(int), len(cause.severity) - 2)
    part = (at - low)[:, None]
    coarse = model.effects.of(explanation.causes)
    fine = Effects(*(values[0, low] * (1 - part) + values[0, low + 1] * part for values in coarse))
    severity = np.exp(np.interp(at, np.arange(len(cause.severity)), np.log(cause.severity)))
    expected = predict(model, base, fine)
    likelihood, distance = log_likelihood(model, base, expected, observed)
    allowed = prior.steps[explanation.causes[0]][np.ceil(at).astype(int)]
    return _explanation(explanation.causes, explanation.log_weight, (severity,), likelihood + allowed, distance, base, expected)


def explain_by_two(model: Model, base: Baseline, observed: Observed, prior: Prior, firsts: Sequence[int], seconds: Sequence[int]) -> list[Explanation]:
    """Return explanations by two causes together, the likeliest first.

    What happened in the patient comes before what happened to the specimen; of two artefacts the order is that of the table.

    Args:
        model, base, observed, prior: what is known and seen.
        firsts: causes of which one is part of every pair.
        seconds: causes that may be the other.
    """
    pairs = sorted({tuple(sorted((a, b), key=lambda i: (model.causes[i].kind == "artefact", i))) for a in firsts for b in seconds if a != b})
    if not pairs:
        return []
    coarse = _weigh_pairs(model, base, observed, prior, pairs, _COARSE)
    best = sorted(coarse, key=lambda one: -one.log_weight)[:_PAIRS]
    found = _weigh_pairs(model, base, observed, prior, [one.causes for one in best], _FEWER)
    return sorted(found, key=lambda one: -one.log_weight)


def _weigh_pairs(model: Model, base: Baseline, observed: Observed, prior: Prior, pairs: Sequence[tuple[int, ...]], which: slice) -> list[Explanation]:
    before, after = ([pair[side] for pair in pairs] for side in (0, 1))
    one, two = (model.effects.of(causes, which) for causes in (before, after))
    expected = predict(model, base, _together(one, two))
    likelihood, distance = log_likelihood(model, base, expected, observed)
    found = []
    for k, (a, b) in enumerate(pairs):
        grid = [model.causes[i].severity[which] for i in (a, b)]
        steps = [prior.steps[i][which] for i in (a, b)]
        severities = (np.repeat(grid[0], len(grid[1])), np.tile(grid[1], len(grid[0])))
        shares = np.add.outer(*(values - log_sum(values) for values in steps)).ravel()
        weight = float(prior.causes[a] + prior.causes[b] + log_sum(likelihood[k] + shares))
        found.append(_explanation((a, b), weight, severities, likelihood[k] + shares, distance[k], base, Prediction(*(part[k] for part in expected))))
    return found


def _together(one: Effects, two: Effects) -> Effects:
    """Return the effects of one cause after another, for every combination of severities."""
    count, first, size = one.gain.shape
    shape = (count, first * two.gain.shape[1], size)

    def every(function: Array) -> Array:
        return function.reshape(shape)

    gain_one, shift_one, spread_one, relative_one = (part[:, :, None, :] for part in one)
    gain_two, shift_two, spread_two, relative_two = (part[:, None, :, :] for part in two)
    return Effects(every(gain_one * gain_two), every(gain_two * shift_one + shift_two),
                   every(np.hypot(gain_two * spread_one, spread_two)), every(np.hypot(relative_one, relative_two)))


def probabilities(explanations: Sequence[Explanation]) -> Array:
    """Return the probability of each explanation among those given."""
    weights = np.array([one.log_weight for one in explanations])
    weights = np.exp(weights - weights.max())
    return np.asarray(weights / weights.sum())


def interval(severity: Array, weights: Array, share: float = 0.9) -> tuple[float, float, float]:
    """Return the median severity and the ends of the interval that holds a share of its probability.

    Each severity stands for the stretch half-way to its neighbours, on the logarithmic scale.
    """
    values, inverse = np.unique(severity, return_inverse=True)
    mass = np.bincount(inverse, weights=weights)
    logs = np.log(values)
    if len(values) == 1:
        return float(values[0]), float(values[0]), float(values[0])
    edges = np.concatenate([[logs[0]], (logs[1:] + logs[:-1]) / 2, [logs[-1]]])
    total = np.concatenate([[0.0], np.cumsum(mass)]) / mass.sum()
    ends = np.interp([0.5, (1 - share) / 2, (1 + share) / 2], total, edges)
    middle, low, high = (float(end) for end in np.exp(ends))
    return middle, low, high
