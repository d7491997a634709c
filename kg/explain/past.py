"""Whether the earlier specimen is the odd one, spoilt itself or of a state that has passed, so that usual results of now look odd beside it; or
whether the two are of two people.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from kg.explain.baseline import Seen, baseline, deviations, levels, see, true_then
from kg.explain.infer import Observed, Prediction, Prior, log_likelihood, log_sum, log_t, predict
from kg.explain.model import COMPUTED, MIX_UP, Array, Model
from kg.explain.panel import Earlier

_LEAST = 2
"""Results of the earlier specimen without which it cannot be judged."""


class Odd(NamedTuple):
    """The latest earlier specimen, had it been the odd one while nothing is unusual now."""

    hours_before: float
    causes: list[int]
    """Positions in the model of what may have been behind it: artefacts, and states of the patient that pass."""
    log_weights: Array
    """Of each, the logarithm of prior times likelihood, on the scale of the explanations of the panel."""
    mixed_up: float
    """The same of blood of two people, either of whom may be ill; minus infinity where that is not considered."""


def odd_before(model: Model, observed: Observed, earlier: Sequence[Earlier], prior: Prior, allowed: Sequence[int], nothing: float) -> Odd | None:
    """Return how likely it is that the latest earlier specimen was the odd one and nothing is unusual now; None where it cannot be told.

    The results of now and of before are taken together: p(before | cause then) p(now | before, cause then), over the same with nothing
    unusual then. Both are multivariate t; the level of the patient is tied to itself as in ``kg.explain.baseline``, and a cause
    moves the earlier results alone. Beforehand an artefact then is as likely as ``share-earlier-spoilt`` says, a state that has passed as
    ``share-earlier-ill``, each cause by its prior. The explanations of now, for which earlier results are the patient's own, take these to
    be of somebody well or ill, as anybody may be.

    Args:
        model: of the results of now.
        observed: the results of now.
        earlier: earlier specimens.
        prior: of the causes.
        allowed: positions of the causes that are considered.
        nothing: log of prior times likelihood of nothing unusual, with nothing unusual before either.
    """
    seen = see(model, earlier)
    latest = int((seen.hours == seen.hours[0]).sum()) if seen else 0
    exact = list(observed.exact)
    spoilt = [i for i in allowed if model.causes[i].model in COMPUTED]
    passing, lasting = ([i for i in allowed if model.causes[i].state and model.causes[i].lasting == lasts] for lasts in (False, True))
    groups, causes, states = [("share-earlier-spoilt", spoilt), ("share-earlier-ill", passing)], [*spoilt, *passing], [*passing, *lasting]
    if seen is None or latest < _LEAST or not exact or not causes:
        return None
    moved = predict(model, baseline(model), model.effects.of([*spoilt, *states]))
    count, steps = moved.mean.shape[:2]
    forms = Prediction(*(np.concatenate([np.concatenate([part[..., seen.places[:latest]].reshape(count * steps, -1),
                                                          np.tile(rest[latest:], (count * steps, 1))], axis=1), rest[None]])
                         for part, rest in zip(moved, _sound(model, seen), strict=True)))
    then, both = _log_likelihoods(model, seen, forms, observed.values[exact], exact)
    shares = np.concatenate([prior.causes[group] - log_sum(prior.causes[group]) + math.log(model.settings[name]) for name, group in groups if group])
    gained = log_sum((both[:-1] - both[-1]).reshape(count, steps)[: len(causes)] + prior.steps[causes])
    own = next(i for i in allowed if model.causes[i].kind == "none")
    anybody = _of_anybody(model, prior, states, (then[:-1] - then[-1]).reshape(count, steps)[len(spoilt) :], 0.0)
    return Odd(min(one.hours_before for one in earlier), causes, nothing - prior.causes[own] + shares + gained - anybody,
               _of_somebody_else(model, observed, prior, allowed, states))


def _of_anybody(model: Model, prior: Prior, states: Sequence[int], of_states: Array, of_nothing: float) -> float:
    """Return a log likelihood in somebody who is ill as often as screening takes people to be.

    Args:
        model, prior: as for ``odd_before``.
        states: positions of the states that may be there.
        of_states: of each the log likelihood at its severities, states x severities.
        of_nothing: log likelihood where nothing is unusual.
    """
    if not states:
        return of_nothing
    ill, chosen = model.settings["share-ill"], list(states)
    shares = math.log(ill) + prior.causes[chosen] - log_sum(prior.causes[chosen])
    return float(log_sum(np.append(log_sum(of_states + prior.steps[chosen]) + shares, math.log(1 - ill) + of_nothing)))


def _of_somebody_else(model: Model, observed: Observed, prior: Prior, allowed: Sequence[int], states: Sequence[int]) -> float:
    """Return the log of prior times likelihood of the results of now in somebody who has nothing to do with the earlier ones."""
    swapped = [i for i in allowed if model.causes[i].id == MIX_UP]
    if not swapped:
        return -math.inf
    own = next(i for i in allowed if model.causes[i].kind == "none")
    free = baseline(model)
    now = log_likelihood(model, free, predict(model, free, model.effects.of([*states, own])), observed)[0]
    return float(prior.causes[swapped[0]]) + _of_anybody(model, prior, states, now[:-1], float(now[-1, 0]))


def _sound(model: Model, seen: Seen) -> Prediction:
    """Return what is expected of sound earlier specimens."""
    analytical = deviations(model, model.analytical, model.mean) ** 2
    return Prediction(model.mean[seen.places], np.ones(len(seen.places)), analytical[seen.places])


def _log_likelihoods(model: Model, seen: Seen, forms: Prediction, now: Array, exact: Sequence[int]) -> tuple[Array, Array]:
    """Return, for each form of the earlier specimens, their log likelihood, and that of them and of sound results of now after them."""
    chosen, (true, true_across), (level, own) = list(exact), true_then(model, seen), levels(model)
    among = forms.slope[:, :, None] * forms.slope[:, None, :] * true + forms.doubt[:, :, None] * np.eye(len(seen.places))
    off = seen.values - forms.mean
    solved = np.linalg.solve(among, off[..., None])[..., 0]
    freedom = model.settings["degrees-of-freedom"]
    found = log_t(np.einsum("ki,ki->k", off, solved), np.linalg.slogdet(among)[1], len(seen.places), freedom)
    across = true_across[chosen] * forms.slope[:, None, :]
    mean = model.mean[chosen] + np.einsum("kij,kj->ki", across, solved)
    analytical = deviations(model, model.analytical, model.mean)[chosen] ** 2
    scatter = ((level + own)[np.ix_(chosen, chosen)] + np.diag(analytical)
               - across @ np.linalg.solve(among, np.swapaxes(across, 1, 2)))
    away = now - mean
    distance = np.einsum("ki,ki->k", away, np.linalg.solve(scatter, away[..., None])[..., 0])
    return found, np.asarray(found + log_t(distance, np.linalg.slogdet(scatter)[1], len(chosen), freedom))
