"""Where the results of this person would lie if nothing were odd: from the population, sharpened by earlier results."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from kg.explain.model import Array, Model
from kg.explain.panel import Earlier

_LEAST = 1e-4
"""Share of the usual level below which a result counts as that, since zero has no logarithm."""


class Baseline(NamedTuple):
    """Mean and covariance of the true results, each on its scale."""

    mean: Array
    covariance: Array
    earlier: tuple[str, ...] = ()
    """The analytes of which an earlier result was used."""


_OWN_AT_MOST = 0.5
"""Share of the population's variance that within-subject variation may be, where a usual figure stands in for one not known."""


def scaled(model: Model, values: Array) -> Array:
    """Return values on the scale on which each result is spread normally."""
    return np.where(model.logarithmic, np.log(np.maximum(values, _LEAST * np.exp(np.where(model.logarithmic, model.mean, 0.0)))), values)


def unscaled(model: Model, values: Array) -> Array:
    """Return values in their units again."""
    return np.where(model.logarithmic, np.exp(np.minimum(values, 700)), values)


def deviations(model: Model, share: Array, values: Array) -> Array:
    """Return variations, given as shares of values, on the scale of each result."""
    return np.where(model.logarithmic, share, share * np.abs(unscaled(model, values)))


def levels(model: Model) -> tuple[Array, Array]:
    """Return the covariance of people's own levels, and that of their results about them, on the scale of each result.

    Each has the correlations of the population, since a posture or a loss of water moves several results together; so both are positive
    definite, and their sum has the variances of the population and nearly its covariances.
    """
    spread = np.diag(model.covariance)
    part = np.minimum(deviations(model, model.within, model.mean) ** 2 / spread, _OWN_AT_MOST)
    kept, own = np.sqrt(1 - part), np.sqrt(part)
    return model.covariance * np.outer(kept, kept), model.covariance * np.outer(own, own)


def roots(covariance: Array) -> Array:
    """Return how far each result shows each of as many quantities that vary independently, and each of which is tied to one result most closely.

    Equation: D R^(1/2), D the standard deviations, R the correlations, the root symmetric. Source: whitening after which each quantity is
    as near to its own result as can be, kessy-2018.
    """
    deviation = np.sqrt(np.diag(covariance))
    values, vectors = np.linalg.eigh(covariance / np.outer(deviation, deviation))
    return np.asarray(deviation[:, None] * ((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T))


def tied(model: Model, hours: float, pace: float = 1.0) -> Array:
    """Return how people's own levels at one moment vary with those at another, on the scale of each result.

    Equation: W diag(exp(-t / T)) W', W from ``roots``; where T is the same for all results that is the covariance of the levels times
    exp(-t / T). Results of all moments together stay positive definite, whatever their times.

    Args:
        model: of the results.
        hours: between the two moments.
        pace: by which the correlation times T are multiplied.
    """
    root = roots(levels(model)[0])
    return np.asarray((root * np.exp(-hours / (pace * model.memory))) @ root.T)


class Seen(NamedTuple):
    """What is seen of earlier specimens, one entry for each result, those of the latest specimen first."""

    hours: Array
    places: list[int]
    """Of each result its position in the model."""
    values: Array
    """On the scale of each result."""
    method: Array
    """Analytical standard deviations on these scales."""


def see(model: Model, earlier: Sequence[Earlier]) -> Seen | None:
    """Return the earlier results that the model knows; None where there are none."""
    place = {analyte: i for i, analyte in enumerate(model.analytes)}
    found = sorted((past.hours_before, place[result.analyte], result.value)
                   for past in earlier for result in past.results if result.analyte in place and not result.comparator)
    if not found:
        return None
    places = [i for _, i, _ in found]
    wide = np.zeros((len(found), len(model.analytes)))
    wide[np.arange(len(found)), places] = [value for _, _, value in found]
    values, method = (np.array([of_row[i] for of_row, i in zip(rows, places, strict=True)])
                      for rows in ([scaled(model, row) for row in wide], [deviations(model, model.analytical, row) for row in wide]))
    return Seen(np.array([hours for hours, _, _ in found]), places, values, method)


def true_then(model: Model, seen: Seen) -> tuple[Array, Array]:
    """Return how the true results of earlier specimens vary together, and how the true results of now vary with them.

    Equation: as in ``tied`` between two moments, and within-subject variation on top for results of the same moment.
    """
    level, own = levels(model)
    root, places, apart = roots(level), seen.places, np.abs(seen.hours[:, None] - seen.hours[None, :])
    then = root[places]
    among = np.einsum("ik,jk,ijk->ij", then, then, np.exp(-apart[..., None] / model.memory)) + own[np.ix_(places, places)] * (apart == 0)
    return among, np.einsum("ik,jk,jk->ij", root, then, np.exp(-seen.hours[:, None] / model.memory))


def baseline(model: Model, earlier: tuple[Earlier, ...] = ()) -> Baseline:
    """Return where the results would lie.

    The spread of the population is that of people's own levels and, on top, within-subject variation. A level is a stationary process
    that forgets itself as ``tied`` says; each result shows it with within-subject and analytical variation. Earlier results narrow it
    by the rules of the multivariate normal distribution, so that an old one leaves the population nearly as it was. Source: textbook,
    recalled-general; T is data.

    Args:
        model: of the results of the panel.
        earlier: earlier results of the same patient.
    """
    seen = see(model, earlier)
    if seen is None:
        return Baseline(model.mean, model.covariance)
    among, across = true_then(model, seen)
    level, own = levels(model)
    weights = np.linalg.solve(among + np.diag(seen.method**2), across.T).T
    mean = model.mean + weights @ (seen.values - model.mean[seen.places])
    covariance = level + own - weights @ across.T
    used = tuple(dict.fromkeys(model.analytes[i] for i in seen.places))
    return Baseline(mean, (covariance + covariance.T) / 2, used)
