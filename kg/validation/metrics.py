"""Counts and rates of a validation: plain arithmetic on probabilities and truths."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Truth = NDArray[np.bool_]
_Z = 1.959963984540054
"""97.5 % point of the standard normal distribution."""


class Rate(NamedTuple):
    """A share of counted things, with its 95 % interval."""

    hits: float
    of: int
    share: float | None
    """None where there is nothing to count."""
    low: float | None
    high: float | None


class Bin(NamedTuple):
    """One class of probabilities: what was said and what was so."""

    low: float
    high: float
    panels: int
    said: float | None
    """Mean probability in the class."""
    observed: Rate


def rate(hits: float, of: int) -> Rate:
    """Return a share with the interval of Wilson.

    Equation: (p + z^2/2n +- z sqrt(p (1 - p)/n + z^2/4n^2)) / (1 + z^2/n). Source: Wilson 1927, textbook.

    Args:
        hits: counted, with fractions where equals share a place.
        of: n, how many there are.
    """
    if of == 0:
        return Rate(hits, 0, None, None, None)
    p, over = hits / of, 1 + _Z**2 / of
    middle, half = (p + _Z**2 / (2 * of)) / over, _Z * math.sqrt(max(p * (1 - p), 0.0) / of + _Z**2 / (4 * of**2)) / over
    return Rate(hits, of, p, max(middle - half, 0.0), min(middle + half, 1.0))


def counted(hits: Truth) -> Rate:
    """Return the share of things that are so."""
    return rate(int(hits.sum()), len(hits))


def sensitivity(probability: Array, artefact: Truth, threshold: float) -> Rate:
    """Return the share of the artefacts that reach the threshold."""
    return counted(probability[artefact] >= threshold)


def specificity(probability: Array, artefact: Truth, threshold: float) -> Rate:
    """Return the share of the other panels that stay below the threshold."""
    return counted(probability[~artefact] < threshold)


def predictive_value(probability: Array, artefact: Truth, threshold: float) -> Rate:
    """Return the share of artefacts among the panels that reach the threshold."""
    return counted(artefact[probability >= threshold])


def predictive_value_at_rate(probability: Array, artefact: Truth, flag_rate: float) -> Rate:
    """Return the share of artefacts among the likeliest panels.

    Of equals at the edge each has the same chance to be flagged, so that hits may have fractions.

    Args:
        probability: of an artefact, for each panel.
        artefact: whether there is one.
        flag_rate: share of all panels that is flagged.
    """
    flags = round(flag_rate * len(probability))
    if flags == 0:
        return rate(0, 0)
    edge = np.sort(probability)[-flags]
    above, level = probability > edge, probability == edge
    share = (flags - int(above.sum())) / int(level.sum())
    return rate(float(np.sum(artefact & above) + share * np.sum(artefact & level)), flags)


def threshold_for_rate(probability: Array, flag_rate: float) -> float:
    """Return the least probability among the panels that are flagged at a rate."""
    flags = max(round(flag_rate * len(probability)), 1)
    return float(np.sort(probability)[-flags])


def threshold_for_specificity(probability: Array, wanted: float) -> float:
    """Return the least threshold that at most 1 - ``wanted`` of panels without an artefact reach."""
    ordered = np.sort(probability)
    allowed = math.floor((1 - wanted) * len(ordered) + 1e-9)
    return float(np.nextafter(ordered[-allowed - 1], np.inf)) if allowed < len(ordered) else 0.0


def calibration(probability: Array, artefact: Truth, edges: Sequence[float]) -> list[Bin]:
    """Return for each class of probabilities the mean of what was said and the share that was so; the last class holds its upper end.

    Args:
        probability: of an artefact, for each panel.
        artefact: whether there is one.
        edges: ends of the classes, rising.
    """
    place = np.clip(np.searchsorted(edges, probability, side="right") - 1, 0, len(edges) - 2)
    found = []
    for i, (low, high) in enumerate(pairwise(edges)):
        inside = place == i
        count = int(inside.sum())
        found.append(Bin(low, high, count, float(probability[inside].mean()) if count else None, rate(int(artefact[inside].sum()), count)))
    return found


def calibration_error(bins: Sequence[Bin]) -> float:
    """Return the mean distance of what was said from what was so, each class counted by its panels."""
    total = sum(one.panels for one in bins)
    return sum(one.panels * abs((one.said or 0.0) - (one.observed.share or 0.0)) for one in bins) / total if total else 0.0


def predictive_value_among(artefacts: Array, others: Array, prevalence: float, flag_rate: float) -> float:
    """Return the share of artefacts among flagged panels if artefacts of a sort were a stated share of all panels.

    Equation: PPV = q s / r, with q the prevalence, r the flag rate, and s the share of the artefacts that lie above the probability
    at which q s + (1 - q) f = r, f being the share of the others above it. Source: Bayes' theorem.

    Args:
        artefacts: probabilities of panels with such an artefact, whatever their number.
        others: probabilities of panels without an artefact.
        prevalence: q, between 0 and 1.
        flag_rate: r, between 0 and 1.
    """
    values = np.concatenate([artefacts, others])
    weight = np.concatenate([np.full(len(artefacts), prevalence / len(artefacts)), np.full(len(others), (1 - prevalence) / len(others))])
    true = np.concatenate([np.ones(len(artefacts)), np.zeros(len(others))])
    order = np.lexsort((true, -values))
    flagged, hits = np.cumsum(weight[order]), np.cumsum((weight * true)[order])
    return float(np.interp(flag_rate, np.concatenate([[0.0], flagged]), np.concatenate([[0.0], hits])) / flag_rate)


def predictive_value_mixed(artefacts: Array, others: Array, prevalence: float, flag_rate: float) -> Rate:
    """Return ``predictive_value_among`` with an interval, as of the flags of a mixture with these others.

    Equation: PPV = 1 - (1 - q) f / r; f, the share of the others that are flagged, has the interval of Wilson. That the place of the edge
    is uncertain too, by the number of artefacts, is left out. Source: Bayes' theorem; Wilson 1927.

    Args:
        artefacts: probabilities of panels with an artefact, sorts as common as in the mixture.
        others: probabilities of panels without one, sorts as common as in the mixture.
        prevalence: q, between 0 and 1.
        flag_rate: r, between 0 and 1.
    """
    flags = round(flag_rate * len(others) / (1 - prevalence))
    if flags == 0 or not len(artefacts):
        return rate(0, 0)
    share = predictive_value_among(artefacts, others, prevalence, flag_rate)
    wrong = rate(min((1 - share) * flag_rate / (1 - prevalence), 1.0) * len(others), len(others))
    low, high = (1 - (1 - prevalence) * (end or 0.0) / flag_rate for end in (wrong.high, wrong.low))
    return Rate(share * flags, flags, share, min(max(low, 0.0), share), max(min(high, 1.0), share))
