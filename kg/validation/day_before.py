"""Simulated patients with a result of the day before: their own level moves on, and in some a real change begins.

The explanation assumes one correlation time for everybody and no change in between. Here the time differs from patient to patient, in
a stated share of them a state that passes begins between the two draws, and an illness that was there already was weaker or stronger.
What spoils the second specimen is that of ``kg.validation.spoil``; the first is always sound.
"""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows
from kg.explain.baseline import deviations, scaled, unscaled
from kg.explain.model import Array, Cause
from kg.validation.patients import Population, fall_ill, moves, on_logarithm
from kg.validation.simulate import SALINE, SALINE_SHARES, Group, Progress, shares
from kg.validation.spoil import Ground, draw_specimens, measure, spoil


class People(NamedTuple):
    """True results of the same patients at two draws, in the units of the population."""

    before: Array
    now: Array
    days: Array
    """Correlation time of the level of each patient."""
    acute: NDArray[np.str_]
    """Of each patient the state that began between the draws; empty where none did."""


class Pairs(NamedTuple):
    """Panels with one earlier result each."""

    group: Group
    """The panels that are judged."""
    before: Array
    """What was reported before, panels x results."""
    people: People


class Amounts(NamedTuple):
    """How many pairs of each sort."""

    band: int
    saline: int
    artefacts: int
    others: int
    acute: int
    """Of the others with a real change, so many are judged in full."""


class Days(NamedTuple):
    """All pairs of a validation."""

    bands: tuple[Pairs, ...]
    saline: tuple[Pairs, ...]
    artefacts: tuple[Pairs, ...]
    """Of every sort, as common among artefacts as screening takes them to be."""
    others: tuple[Pairs, ...]
    """Without an artefact, as common as screening takes them to be."""


def draw_people(ground: Ground, count: int, disease: Cause | None, chances: dict[str, float], generator: np.random.Generator) -> People:
    """Draw patients at two moments.

    The level is a stationary process with correlation exp(-t / T), T drawn for each patient; its tails are those of ``draw_patients``,
    common to both moments. Each moment shows it with within-subject variation of its own. Level and variation together have the
    covariance of the population. Source: textbook, recalled-general; T is data.

    Args:
        ground: from ``make_ground``.
        count: patients.
        disease: one that was there at both draws.
        chances: of the states that may begin between the draws, by id; their sum is the chance that any does.
        generator: of random numbers.
    """
    population, model = ground.population, ground.population.model
    hours, memory = ground.setting("hours-before").value, ground.setting("correlation-days")
    spread = np.diag(model.covariance)
    own = np.minimum(deviations(model, model.within, model.mean) ** 2, spread)
    kept = np.sqrt(1 - own / spread)
    level = model.covariance * np.outer(kept, kept)
    width = np.sqrt((population.freedom - 2) / generator.chisquare(population.freedom, count))[:, None]
    days = on_logarithm(memory.low or memory.value, memory.high or memory.value, count, generator)
    stays = np.exp(-hours / 24 / days)[:, None]
    first, fresh = (generator.multivariate_normal(np.zeros(len(spread)), level, count, method="svd") for _ in range(2))
    second = stays * first + np.sqrt(1 - stays**2) * fresh
    before, now = (np.maximum(unscaled(model, model.mean + width * part + np.sqrt(own) * generator.standard_normal(part.shape)), model.floor)
                   for part in (first, second))
    if disease is not None:
        before, now = _both_ill(ground, before, now, disease, generator)
    names = np.array(["", *chances])
    acute = generator.choice(names, count, p=[1 - sum(chances.values()), *chances.values()])
    for cause in model.causes:
        where = np.flatnonzero(acute == cause.id)
        if cause.id in chances and len(where):
            now[where] = fall_ill(population, now[where], cause, generator)
    return People(before, now, days, acute)


def _both_ill(ground: Ground, before: Array, now: Array, disease: Cause, generator: np.random.Generator) -> tuple[Array, Array]:
    """Return both results with the same disease in the same patient; one that passes had another strength at the earlier draw."""
    model, figure = ground.population.model, ground.setting("course-of-illness")
    luck = int(generator.integers(2**32))
    ill_before, ill_now = (fall_ill(ground.population, results, disease, np.random.default_rng(luck)) for results in (before, now))
    if not disease.lasting:
        strength = generator.uniform(figure.low or figure.value, figure.high or figure.value, len(before))[:, None]
        sound = scaled(model, before)
        ill_before = np.maximum(unscaled(model, sound + strength * (scaled(model, ill_before) - sound)), model.floor)
    return ill_before, ill_now


def acute_chances(ground: Ground) -> dict[str, float]:
    """Return how likely each passing state that moves a result begins between the draws, by their priors."""
    able = [cause for cause in ground.population.model.causes if begins(ground.population, cause)]
    total, share = sum(cause.prior for cause in able), ground.setting("share-acute").value
    return {cause.id: share * cause.prior / total for cause in able}


def begins(population: Population, cause: Cause) -> bool:
    """Whether a cause is a state of the patient that may begin within a day and moves a result."""
    return cause.kind == "in-vivo" and not cause.lasting and moves(population, cause)


def simulate_days(connection: sqlite3.Connection, ground: Ground, amounts: Amounts, seed: int, progress: Progress = lambda done, size: None) -> Days:
    """Simulate all pairs; the same seed gives the same pairs, and the figures without an earlier result do not depend on them.

    Args:
        connection: the database.
        ground: from ``make_ground``.
        amounts: how many of each sort.
        seed: of the random numbers.
        progress: called with the sorts done, of four.
    """
    generator = np.random.default_rng((seed, 1))
    causes, chances, weights = ground.population.model.causes, acute_chances(ground), shares(connection, ground)
    by_id = {cause.id: cause for cause in causes}
    artefact = np.array([cause.kind == "artefact" for cause in causes])

    def some(chosen: NDArray[np.bool_], count: int) -> tuple[Pairs, ...]:
        odds = np.where(chosen, weights, 0.0)
        counts = generator.multinomial(count, odds / odds.sum())
        return tuple(_part(ground, cause, int(size), chances, generator) for cause, size in zip(causes, counts, strict=True) if size)

    bands = tuple(_band(ground, by_id[row["cause"]], row, amounts.band, chances, generator) for row in rows(connection, "validation_bands"))
    progress(1, 4)
    saline = tuple(_spoiled(ground, by_id[SALINE], np.full(amounts.saline, share), ("share-of-plasma", share, share, "1"), chances, generator)
                   for share in SALINE_SHARES)
    progress(2, 4)
    artefacts = some(artefact, amounts.artefacts)
    progress(3, 4)
    others = some(~artefact, amounts.others)
    progress(4, 4)
    return Days(bands, saline, artefacts, others)


def _part(ground: Ground, cause: Cause, count: int, chances: dict[str, float], generator: np.random.Generator) -> Pairs:
    low, high = float(cause.severity[0]), float(cause.severity[-1])
    if cause.kind == "artefact":
        return _spoiled(ground, cause, on_logarithm(low, high, count, generator), ("severity", low, high, cause.unit), chances, generator)
    people = draw_people(ground, count, cause if cause.kind == "in-vivo" else None, chances, generator)
    specimens = draw_specimens(ground, people.now, generator)
    return Pairs(Group(cause.id, cause.label, cause.kind, "", None, None, "", measure(ground, specimens.plasma, generator), np.zeros(0)),
                 _reported(ground, people, generator), people)


def _band(ground: Ground, cause: Cause, row: sqlite3.Row, count: int, chances: dict[str, float], generator: np.random.Generator) -> Pairs:
    return _spoiled(ground, cause, generator.uniform(row["low"], row["high"], count), (row["quantity"], row["low"], row["high"], row["unit"]), chances, generator)


def _spoiled(ground: Ground, cause: Cause, amount: Array, said: tuple[str, float, float, str], chances: dict[str, float],
             generator: np.random.Generator) -> Pairs:
    people = draw_people(ground, len(amount), None, chances, generator)
    results, severity = spoil(ground, draw_specimens(ground, people.now, generator), cause, amount, generator, by_volume=said[0] == "volume-fraction")
    return Pairs(Group(cause.id, cause.label, cause.kind, *said, results, severity), _reported(ground, people, generator), people)


def _reported(ground: Ground, people: People, generator: np.random.Generator) -> Array:
    """Return what was reported of the sound specimen of before."""
    return measure(ground, dict(zip(ground.population.model.analytes, people.before.T, strict=True)), generator)
