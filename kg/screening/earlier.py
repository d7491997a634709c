"""Panels judged beside an earlier panel of the same patient: the two together are one panel of twice as many results.

A patient's own level is tied to itself over time as in ``kg.explain.baseline``, so that an artefact, which moves the later results alone,
stands out. Levels of some patients move faster; how many and how much faster is data, and a panel is judged under both. The rest is
``kg.screening.judge``, bounds included. What rivals an artefact here: a state of the patient that began in between or was there at
both draws, and an artefact in the *earlier* specimen. Blood of another person is an artefact itself: under it the two panels have
nothing to do with each other, and either may be of somebody ill.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows
from kg.explain.baseline import baseline, levels, tied
from kg.explain.infer import Prediction, predict
from kg.explain.model import COMPUTED, GRID, MIX_UP, MODEL, Array, Effects, Model, read_model
from kg.explain.panel import Panel
from kg.explain.priors import additive_odds
from kg.screening.judge import Judge, assemble, log_shares


class Gaps(NamedTuple):
    """The times between two panels for which judges are worked out, in h, and the longest one at which the earlier panel is used."""

    classes: Array
    longest: float

    @property
    def edges(self) -> Array:
        """Return where one class ends and the next begins."""
        return np.asarray(np.sqrt(self.classes[1:] * self.classes[:-1]))

    def class_of(self, hours: Array) -> NDArray[np.int64]:
        """Return for each gap the position of the class nearest on a logarithmic scale, -1 where it is too long or not known."""
        usable = (hours >= 0) & (hours <= self.longest)
        return np.where(usable, np.searchsorted(self.edges, np.where(usable, hours, 0.0)), -1)


class _Strangers(NamedTuple):
    """Two people of whom one or none is ill, in as many ways as an artefact has forms."""

    now: NDArray[np.int64]
    """Of the one who was drawn now the row in a list of the states at their severities, followed by nothing unusual."""
    before: NDArray[np.int64]
    shares: Array


class _Form(NamedTuple):
    """What is expected under some forms: of the results of now, of those of before, and how closely a level is tied to itself."""

    now: Prediction
    before: Prediction
    tie: NDArray[np.int64]
    """Which of the ways in which levels may be tied to themselves."""


_NOT_TIED, _STEADY, _FAST = range(3)
_Ties = tuple[Array, Array, Array]
"""How levels of now vary with those of before: not at all, as in most patients, as in those whose levels move fast."""


def read_gaps(connection: sqlite3.Connection) -> Gaps:
    """Read for which times between two panels judges are worked out."""
    found: dict[str, list[float]] = {}
    for row in rows(connection, "model_parameters"):
        if row["model"] == MODEL:
            found.setdefault(row["parameter"], []).append(row["value"])
    return Gaps(np.array(sorted(found["gap-class"])), found["longest-gap"][0])


def make_judge_with_earlier(connection: sqlite3.Connection, now: Sequence[str], before: Sequence[str], hours: float, threshold: float) -> Judge:
    """Work out what is needed to judge panels beside an earlier one; it takes the results of now followed by those of before.

    Args:
        connection: the database.
        now: ids of the results that are judged, each with a row in the population.
        before: ids of the earlier results.
        hours: by which they are older.
        threshold: probability of an artefact from which a panel is flagged, between 0 and 1.
    """
    model = read_model(connection, tuple(dict.fromkeys((*now, *before))))
    places = [[model.analytes.index(one) for one in group] for group in (now, before)]
    artefacts = [i for i, cause in enumerate(model.causes) if cause.model in COMPUTED]
    begun = [i for i, cause in enumerate(model.causes) if cause.kind == "in-vivo"]
    states = [i for i in begun if model.causes[i].state]
    mix_up = next(i for i, cause in enumerate(model.causes) if cause.id == MIX_UP)
    pace = model.settings["correlation-time-unsettled"] / model.settings["correlation-time"]
    ties = np.zeros_like(model.covariance), tied(model, hours), tied(model, hours, pace)
    strangers = _strangers(model, states)
    mean, scatter = _expected(model, _forms(model, artefacts, begun, states, strangers), places, ties)
    log_prior = _log_priors(model, additive_odds(connection, model, Panel(()), []), [*artefacts, mix_up], artefacts, begun, states)
    swapped = slice(len(artefacts) * 2 * GRID, (len(artefacts) + 1) * 2 * GRID)
    log_prior[swapped] = np.log(np.exp(log_prior[swapped]).sum() * strangers.shares)
    chosen = [*places[0], *places[1]]
    both = model._replace(analytes=tuple(model.analytes[i] for i in chosen), logarithmic=model.logarithmic[chosen], mean=model.mean[chosen])
    return assemble(both, threshold, tuple(model.causes[i].id for i in [*artefacts, mix_up]), mean, scatter, log_prior,
                    2 * GRID, (len(begun) + len(states)) * GRID)


def _strangers(model: Model, states: Sequence[int]) -> _Strangers:
    """Return two people; of the states the commonest are taken, each at the middle of its severities."""
    prior, ill = np.array([model.causes[i].prior for i in states]), model.settings["share-ill"]
    common = np.argsort(-prior, kind="stable")[: GRID - 1]
    rows, sound = common * GRID + GRID // 2, np.full(len(common), len(states) * GRID)
    neither = np.full(2 * GRID - 2 * len(common), len(states) * GRID)
    either = ill * (1 - ill) * prior[common] / prior[common].sum()
    shares = np.concatenate([np.full(len(neither), (1 - ill) ** 2 / len(neither)), either, either])
    return _Strangers(np.concatenate([neither, rows, sound]), np.concatenate([neither, sound, rows]), shares / shares.sum())


def _forms(model: Model, artefacts: Sequence[int], begun: Sequence[int], states: Sequence[int], strangers: _Strangers) -> list[_Form]:
    """Return what is expected; the forms of each artefact are its severities in patients whose levels are settled, then in others."""
    base = baseline(model)
    sound = predict(model, base, Effects(np.ones((1, len(model.mean))), *(np.zeros((1, len(model.mean))) for _ in range(3))))
    spoiled, fell_ill, ill = (_at(predict(model, base, model.effects.of(group))) for group in (artefacts, begun, states))
    was_ill = ill._replace(doubt=ill.doubt + (model.settings["spread-of-course"] * (ill.mean - sound.mean)) ** 2)
    twice = np.arange(len(artefacts) * GRID).reshape(-1, 1, GRID).repeat(2, axis=1).ravel()
    once, either = np.array([_STEADY]), np.repeat([_STEADY, _FAST], GRID)
    anybody = Prediction(*(np.concatenate([of_ill, of_sound.reshape(1, -1)]) for of_ill, of_sound in zip(ill, sound, strict=True)))
    return [_Form(_at(spoiled, twice), sound, np.tile(either, len(artefacts))),
            _Form(_at(anybody, strangers.now), _at(anybody, strangers.before), np.full(2 * GRID, _NOT_TIED)),
            _Form(fell_ill, sound, once), _Form(ill, was_ill, once), _Form(sound, spoiled, once), _Form(sound, sound, np.array([_FAST])), _Form(sound, sound, once)]


def _at(expected: Prediction, places: NDArray[np.int64] | None = None) -> Prediction:
    """Return what is expected with causes and severities in one row, or at some places of that row."""
    flat = Prediction(*(part.reshape(-1, part.shape[-1]) for part in expected))
    return flat if places is None else Prediction(*(part[places] for part in flat))


def _expected(model: Model, forms: Sequence[_Form], places: Sequence[Sequence[int]], ties: _Ties) -> tuple[Array, Array]:
    """Return mean and covariance of the results of now and of before together, forms x results."""
    counts = [max(len(form.now.mean), len(form.before.mean), len(form.tie)) for form in forms]
    mean, slope, doubt = (np.concatenate([np.concatenate([np.broadcast_to(part[:, list(place)], (count, len(place))) for part, place in
                                                          ((form.now[field], places[0]), (form.before[field], places[1]))], axis=1)
                                          for form, count in zip(forms, counts, strict=True)]) for field in range(3))
    tie = np.concatenate([np.broadcast_to(form.tie, count) for form, count in zip(forms, counts, strict=True)])
    level, own = levels(model)
    first, second = slice(len(places[0])), slice(len(places[0]), None)
    together = np.zeros((len(ties), mean.shape[1], mean.shape[1]))
    for one, across in zip(together, ties, strict=True):
        one[first, first], one[second, second] = ((level + own)[np.ix_(place, place)] for place in places)
        one[first, second] = across[np.ix_(*places)]
        one[second, first] = one[first, second].T
    return mean, slope[:, :, None] * slope[:, None, :] * together[tie] + doubt[:, :, None] * np.eye(mean.shape[1])


def _log_priors(model: Model, odds: Array, artefacts: Sequence[int], spoiled: Sequence[int], beginning: Sequence[int], states: Sequence[int]) -> Array:
    """Return the log prior of every form; the earlier specimen is as often spoiled as the later one."""
    odd, ill, begun, unsettled = (model.settings[f"share-{name}"] for name in ("odd", "ill", "begun", "unsettled"))
    now, *others = (log_shares(model, odds, group, share) for group, share in ((artefacts, odd), (beginning, begun), (states, ill), (spoiled, odd)))
    either = (now.reshape(-1, 1, GRID) + np.log([[1 - unsettled], [unsettled]])).ravel()
    rest = 1 - begun - ill - 2 * odd
    return np.concatenate([either, *others, np.log([rest * unsettled, rest * (1 - unsettled)])])
