"""Panels judged one by one as the explanation judges them, each beside the earlier result of its patient, with the shares of screening."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.explain import infer
from kg.explain.baseline import Baseline, baseline
from kg.explain.model import Array, Model
from kg.explain.panel import Earlier, Panel, Result
from kg.explain.priors import additive_odds
from kg.screening.judge import COMPUTED, Judge, log_priors
from kg.validation.assess import Bench

_COARSE = slice(1, None, 3)
"""Severities of the coarse look."""


class Reader(NamedTuple):
    """Everything that is worked out once for a panel."""

    bench: Bench
    model: Model
    prior: infer.Prior
    artefacts: tuple[int, ...]
    patients: tuple[int, ...]
    nothing: int
    hours: float
    worth: float
    """Probability of an artefact in a coarse look from which a panel is judged in full."""


class Weighed(NamedTuple):
    """What was found, one entry for each panel; weights are logarithms of prior times likelihood, with the shares of screening."""

    artefact: Array
    patient: Array
    nothing: Array
    named: NDArray[np.int64]
    """Position in the model of the likeliest artefact."""
    full: NDArray[np.bool_]
    """Whether it was judged in full; where not, disease was left out."""


def make_reader(connection: sqlite3.Connection, bench: Bench, hours: float, worth: float) -> Reader:
    """Work out what is needed to read panels beside an earlier result.

    Args:
        connection: the database.
        bench: the panel; the model is that of its judges, read once.
        hours: by which the earlier result is older.
        worth: probability of an artefact in a coarse look from which a panel is judged in full.
    """
    model = bench.screening.model
    artefacts = tuple(i for i, cause in enumerate(model.causes) if cause.model in COMPUTED)
    patients = tuple(i for i, cause in enumerate(model.causes) if cause.kind == "in-vivo")
    nothing = next(i for i, cause in enumerate(model.causes) if cause.kind == "none")
    causes = np.full(len(model.causes), -np.inf)
    causes[[*artefacts, *patients, nothing]] = log_priors(model, additive_odds(connection, model, Panel(()), []), artefacts, patients, 1)
    return Reader(bench, model, infer.Prior(causes, infer.even_steps(model)), artefacts, patients, nothing, hours, worth)


def weigh(reader: Reader, before: Array, now: Array, *, every: bool = True) -> Weighed:
    """Weigh the causes of each panel by ``infer.explain_by_one``, beside the baseline that the earlier result gives.

    Args:
        reader: from ``make_reader``.
        before: earlier results, panels x all results that were simulated.
        now: the results that are judged.
        every: judge each in full, also where a coarse look finds an artefact very unlikely.
    """
    columns = reader.bench.columns
    return in_columns([weigh_one(reader, _base(reader, earlier), results, every=every)
                     for earlier, results in zip(before[:, columns], now[:, columns], strict=True)])


def weigh_one(reader: Reader, base: Baseline, now: Array, *, every: bool = True) -> tuple[float, float, float, int, bool]:
    """Return the entries of ``Weighed`` for one panel.

    Args:
        reader: from ``make_reader``.
        base: where its results would lie if nothing were odd.
        now: the results of the panel.
        every: as for ``weigh``.
    """
    observed = infer.observe(reader.model, now.tolist(), [""] * len(now))
    if not every:
        weights = coarse_look(reader, base, observed)
        artefact, nothing = float(infer.log_sum(weights[:-1])), float(weights[-1])
        if artefact - nothing < np.log(reader.worth / (1 - reader.worth)):
            return artefact, -np.inf, nothing, reader.artefacts[int(weights[:-1].argmax())], False
    found = infer.explain_by_one(reader.model, base, observed, reader.prior, [*reader.artefacts, *reader.patients, reader.nothing])
    weight = {one.causes[0]: one.log_weight for one in found}
    named = next(one.causes[0] for one in found if one.causes[0] in reader.artefacts)

    def total(causes: Sequence[int]) -> float:
        return float(infer.log_sum(np.array([weight[i] for i in causes])))

    return total(reader.artefacts), total(reader.patients), weight[reader.nothing], named, True


def _base(reader: Reader, before: Array) -> Baseline:
    results = tuple(Result(analyte, "", float(value), "", "", "") for analyte, value in zip(reader.model.analytes, before, strict=True))
    return baseline(reader.model, (Earlier(reader.hours, results),))


def in_columns(found: Sequence[tuple[float, float, float, int, bool]]) -> Weighed:
    """Return what was found of several panels by ``weigh_one``."""
    artefact, patient, nothing, named, full = zip(*found, strict=True) if found else ((), (), (), (), ())
    return Weighed(np.array(artefact), np.array(patient), np.array(nothing), np.array(named, dtype=np.int64), np.array(full, dtype=bool))


def coarse_look(reader: Reader, base: Baseline, observed: infer.Observed) -> Array:
    """Return the log weight of each artefact, from a few severities, and of nothing, last; disease is left out."""
    model, chosen = reader.model, [*reader.artefacts, reader.nothing]
    expected = infer.predict(model, base, model.effects.of(chosen, _COARSE))
    likelihood, _ = infer.log_likelihood(model, base, expected, observed)
    return np.asarray(reader.prior.causes[chosen] + infer.log_sum(likelihood) - np.log(likelihood.shape[1]))


def probability(reader: Reader, weighed: Weighed, judge: Judge) -> Array:
    """Return the probability of an artefact with the shares of artefact and disease of a judge of the same panel.

    Args:
        reader: from ``make_reader``.
        weighed: from ``weigh``.
        judge: one of the bench.
    """
    change = judge.log_weight - reader.bench.screening.log_weight
    artefact, patient, nothing = (weights + change[place] for weights, place in
                                  ((weighed.artefact, 0), (weighed.patient, len(judge.causes) * judge.steps), (weighed.nothing, -1)))
    return np.asarray(np.exp(artefact - infer.log_sum(np.stack([artefact, patient, nothing], axis=-1))))
