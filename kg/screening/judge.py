"""Many panels of the same results judged at once: the probability of an artefact in each, and which.

The reasoning is that of ``kg.explain.infer`` for one cause at a time, without bounds such as ``>``. Every squared distance is a
polynomial of the second degree in the results, so all distances of many panels are one product of matrices.

Most panels need no integration. An artefact at one severity can bring a panel to the threshold only if its share of the
evidence is at least 1 / N of what the absence of causes has, N being the number of artefacts times severities. With the t
distribution that is a condition *linear* in the two squared distances (its power is the same for all), so it costs one product
more and no logarithm. A panel that no artefact reaches in this way cannot be flagged. What is left is weighed against the absence
of causes alone; a panel that does not reach the threshold there does not reach it beside disease either. Both bounds are exact, and
what they let through is integrated in full. Figures in single precision are used for the first bound only, with the error of rounding
allowed for.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.explain.baseline import baseline, scaled
from kg.explain.infer import Prediction, predict, scatter_of
from kg.explain.model import COMPUTED, GRID, Array, Model, read_model
from kg.explain.panel import Panel
from kg.explain.priors import additive_odds

LEAST = 2
"""Results without which a panel cannot be judged."""
_BLOCK = 4096
_FAR = 8.0
"""Standard deviations beyond which a result goes straight to the full integration, so that rounding stays small."""


class Verdicts(NamedTuple):
    """What was found, one entry for each panel."""

    integrated: NDArray[np.bool_]
    """Whether the bounds left the panel open, so that it was integrated."""
    probability: Array
    """Of an artefact; 0 where the bounds closed the panel, which means below the threshold."""
    cause: NDArray[np.int64]
    """Position in ``causes`` of the likeliest artefact; -1 where the panel was closed."""
    cause_probability: Array


class Judge(NamedTuple):
    """Everything that is worked out once for a set of results."""

    model: Model
    threshold: float
    causes: tuple[str, ...]
    """Ids of the artefacts that are looked for."""
    centre: Array
    scale: Array
    forms: Array
    """Coefficients of the squared distances: terms x (causes x severities); those of artefacts first, those of nothing last."""
    log_prior: Array
    """Log of how common each form is."""
    log_weight: Array
    """Log of prior times what the density has in front, for each form."""
    bound: NDArray[np.float32]
    """Coefficients of what must stay above ``margin`` for an artefact to be out of the question: terms x artefact forms."""
    margin: float
    freedom: float
    steps: int
    """Forms of each artefact."""
    states: int
    """Forms of states of the patient; they follow those of the artefacts."""

    @property
    def size(self) -> int:
        """Return how many results a panel has."""
        return len(self.model.analytes)


def make_judge(connection: sqlite3.Connection, analytes: Sequence[str], threshold: float) -> Judge:
    """Work out what is needed to judge panels of some results.

    Args:
        connection: the database.
        analytes: ids, each with a row in the population.
        threshold: probability of an artefact from which a panel is flagged, between 0 and 1.
    """
    model = read_model(connection, analytes)
    base = baseline(model)
    artefacts = [i for i, cause in enumerate(model.causes) if cause.model in COMPUTED]
    patients = [i for i, cause in enumerate(model.causes) if cause.state]
    nothing = [i for i, cause in enumerate(model.causes) if cause.kind == "none"][:1]
    chosen = [*artefacts, *patients, *nothing]
    expected = predict(model, base, model.effects.of(chosen))
    expected = Prediction(*(np.concatenate([part[:-1].reshape(-1, len(analytes)), part[-1, :1]]) for part in expected))
    odds = additive_odds(connection, model, Panel(()), [])
    odd, ill = model.settings["share-odd"], model.settings["share-ill"]
    log_prior = np.concatenate([log_shares(model, odds, artefacts, odd), log_shares(model, odds, patients, ill), [math.log(1 - odd - ill)]])
    scatter = scatter_of(base, expected, range(len(analytes)))
    return assemble(model, threshold, tuple(model.causes[i].id for i in artefacts), expected.mean, scatter, log_prior, GRID,
                    len(patients) * GRID)


def assemble(model: Model, threshold: float, causes: tuple[str, ...], mean: Array, scatter: Array, log_prior: Array, steps: int, states: int) -> Judge:
    """Put a judge together.

    Args:
        model: of the results of a panel.
        threshold: probability of an artefact from which a panel is flagged, between 0 and 1.
        causes: ids of the artefacts that are looked for.
        mean: what is expected under each form, on the scale of each result: forms x results; every artefact at every severity first,
            then states of the patient, nothing unusual last.
        scatter: the covariance under each form.
        log_prior: the log of how common each form is.
        steps: forms of each artefact.
        states: forms of states of the patient.
    """
    centre, scale = mean[-1], np.sqrt(np.diag(scatter[-1]))
    scatter = scatter / np.outer(scale, scale)
    freedom = model.settings["degrees-of-freedom"]
    forms = _forms((mean - centre) / scale, scatter)
    log_weight = log_prior - np.linalg.slogdet(scatter)[1] / 2
    bound, margin = _bound(forms, log_weight, len(causes) * steps, threshold, freedom, len(centre))
    return Judge(model, threshold, causes, centre, scale, forms, log_prior, log_weight, bound, margin, freedom, steps, states)


def log_shares(model: Model, odds: Array, causes: Sequence[int], share: float) -> Array:
    """Return the log prior of causes at each of their severities, in one row, where all of them together have a share of the panels.

    Args:
        model: with its causes.
        odds: what the additives in use add to the log odds of each cause.
        causes: positions.
        share: of all panels, since nobody has picked these out.
    """
    prior = np.array([model.causes[i].prior * math.exp(odds[i]) for i in causes])
    return np.asarray(np.log((prior / prior.sum() * share)[:, None] * np.stack([model.causes[i].shares for i in causes])).ravel())


def terms(panels: Array) -> Array:
    """Return for each panel all products of two of its results, the results, and 1, in the precision of the panels."""
    count, size = panels.shape
    found = np.empty((count, size * (size + 1) // 2 + size + 1), dtype=panels.dtype)
    at = 0
    for i in range(size):
        np.multiply(panels[:, i : i + 1], panels[:, i:], out=found[:, at : at + size - i])
        at += size - i
    found[:, at:-1] = panels
    found[:, -1] = 1
    return found


def _forms(mean: Array, scatter: Array) -> Array:
    """Return the coefficients of each squared distance over ``terms``."""
    inverse = np.linalg.inv(scatter)
    inverse = (inverse + inverse.transpose(0, 2, 1)) / 2
    row, column = np.triu_indices(mean.shape[1])
    squares = inverse[:, row, column] * np.where(row == column, 1.0, 2.0)
    linear = -2 * np.einsum("kij,kj->ki", inverse, mean)
    constant = np.einsum("ki,kij,kj->k", mean, inverse, mean)
    return np.ascontiguousarray(np.concatenate([squares, linear, constant[:, None]], axis=1).T)


def _bound(forms: Array, log_weight: Array, artefacts: int, threshold: float, freedom: float, size: int) -> tuple[NDArray[np.float32], float]:
    """Return the coefficients and the margin of the bound.

    Equation: an artefact form k with weight w_k and distance d_k stays below odds / N of nothing, with w_0 and d_0, when
    1 + d_k / v >= a_k (1 + d_0 / v), a_k = (N w_k / (odds w_0)) ^ (2 / (f + n)), v = f - 2; f degrees of freedom, n results.
    """
    odds = threshold / (1 - threshold)
    root = np.exp((math.log(artefacts / odds) + log_weight[:artefacts] - log_weight[-1]) * 2 / (freedom + size))
    found = forms[:, :artefacts] - root * forms[:, -1:]
    found[-1] -= (freedom - 2) * (root - 1)
    largest = np.concatenate([np.full(len(found) - size - 1, _FAR**2), np.full(size, _FAR), [1.0]])
    rounding = float((len(found) + 4) * np.finfo(np.float32).eps * (np.abs(found) * largest[:, None]).sum(axis=0).max())
    return np.ascontiguousarray(found.astype(np.float32)), rounding


def judge_panels(judge: Judge, panels: Array, *, every: bool = False) -> Verdicts:
    """Judge panels.

    Args:
        judge: from ``make_judge``.
        panels: results, panels x results, in the units and the order of the model; none missing.
        every: integrate each panel, also where the bound says that it cannot be flagged.
    """
    count = len(panels)
    verdicts = Verdicts(np.zeros(count, dtype=bool), np.zeros(count), np.full(count, -1), np.zeros(count))
    for start in range(0, count, _BLOCK):
        part = slice(start, min(start + _BLOCK, count))
        standard = (scaled(judge.model, panels[part]) - judge.centre) / judge.scale
        left = np.arange(len(standard)) if every else np.flatnonzero(possible(judge, standard))
        if len(left) and not every:
            left = left[likelier_than_nothing(judge, standard[left])]
        if len(left):
            where = left + start
            verdicts.integrated[where] = True
            verdicts.probability[where], verdicts.cause[where], verdicts.cause_probability[where] = integrate(judge, standard[left])
    return verdicts


def possible(judge: Judge, standard: Array) -> NDArray[np.bool_]:
    """Return which panels could be flagged; the others certainly could not.

    Args:
        judge: from ``make_judge``.
        standard: results on their scales, centred and scaled.
    """
    least = (terms(standard.astype(np.float32)) @ judge.bound).min(axis=1)
    return np.asarray((least < judge.margin) | (np.abs(standard).max(axis=1) > _FAR) | ~np.isfinite(least))


def likelier_than_nothing(judge: Judge, standard: Array) -> NDArray[np.bool_]:
    """Return which panels would be flagged if there were no disease; the others certainly are not."""
    artefacts = len(judge.causes) * judge.steps
    chosen = np.r_[0:artefacts, judge.forms.shape[1] - 1]
    weight = _weights(judge, terms(standard) @ judge.forms[:, chosen], judge.log_weight[chosen])
    odds = judge.threshold / (1 - judge.threshold)
    return np.asarray(weight[:, :-1].sum(axis=1) >= odds * weight[:, -1] * (1 - 1e-9))


def _weights(judge: Judge, distance: Array, log_weight: Array) -> Array:
    """Return prior times likelihood of every form for every panel, the largest of each panel set to 1."""
    power = (judge.freedom + judge.size) / 2
    log = log_weight - power * np.log1p(np.maximum(distance, 0.0) / (judge.freedom - 2))
    return np.asarray(np.exp(log - log.max(axis=1, keepdims=True)))


def integrate(judge: Judge, standard: Array) -> tuple[Array, NDArray[np.int64], Array]:
    """Return the probability of an artefact, the likeliest artefact, and its probability, by the full integration."""
    weight = _weights(judge, terms(standard) @ judge.forms, judge.log_weight)
    artefacts = weight[:, : len(judge.causes) * judge.steps].reshape(len(weight), len(judge.causes), judge.steps).sum(axis=2)
    total = weight.sum(axis=1)
    best = artefacts.argmax(axis=1)
    return artefacts.sum(axis=1) / total, best, artefacts[np.arange(len(best)), best] / total
