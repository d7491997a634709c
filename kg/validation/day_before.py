"""Simulated patients with a result of the day before: their own level moves on, and in some a real change begins.

Screening assumes two correlation times. Here the time differs from patient to patient, in a stated share of them a state that passes
begins between the two draws, and an illness that was there already was weaker or stronger. What spoils the second specimen is that of
``kg.validation.spoil``; the first is always sound, and now and then that of another person.
"""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows
from kg.explain.baseline import deviations, roots, scaled, unscaled
from kg.explain.model import MIX_UP, Array, Cause
from kg.validation.patients import Population, fall_ill, moves, on_logarithm
from kg.validation.simulate import READ_BY_PEOPLE, SHARES_READ, Drawn, Group, Progress, Sizes
from kg.validation.spoil import Ground, draw_specimens, measure, spoil


class People(NamedTuple):
    """True results of the same patients at two draws, in the units of the population."""

    before: Array
    now: Array
    days: Array
    """Correlation time of the level of each patient, for a result that has no time of its own."""
    acute: NDArray[np.str_]
    """Of each patient the state that began between the draws; empty where none did."""


class Pairs(NamedTuple):
    """Panels with one earlier panel each."""

    group: Group
    """Each holds the results of now, followed by what was reported before."""
    people: People

    @property
    def now(self) -> Array:
        """Return the results of now."""
        return self.group.results[:, : self.group.results.shape[1] // 2]

    @property
    def before(self) -> Array:
        """Return the earlier results."""
        return self.group.results[:, self.group.results.shape[1] // 2 :]


class Course(NamedTuple):
    """How patients go on between two draws."""

    hours: float
    days: tuple[float, float]
    """Ends between which the correlation time of the level of each patient is drawn."""
    chances: dict[str, float]
    """Of the states that may begin between the draws, by id; their sum is the chance that any does."""


class Days(NamedTuple):
    """All pairs of a validation."""

    course: Course
    drawn: Drawn
    acute: NDArray[np.str_]
    """Of each panel of the mixture the state that began between the draws; empty where none did."""


def draw_people(ground: Ground, count: int, disease: Cause | None, course: Course, generator: np.random.Generator) -> People:
    """Draw patients at two moments.

    The level is a stationary process that forgets itself as in ``kg.explain.baseline.tied``, its pace drawn for each patient; its tails
    are those of ``draw_patients``, common to both moments. Each moment shows it with within-subject variation of its own.

    Args:
        ground: from ``make_ground``.
        count: patients.
        disease: one that was there at both draws.
        course: between the draws.
        generator: of random numbers.
    """
    population, model = ground.population, ground.population.model
    spread = np.diag(model.covariance)
    own = np.minimum(deviations(model, model.within, model.mean) ** 2, spread)
    kept = np.sqrt(1 - own / spread)
    root = roots(model.covariance * np.outer(kept, kept))
    width = np.sqrt((population.freedom - 2) / generator.chisquare(population.freedom, count))[:, None]
    days = on_logarithm(*course.days, count, generator)
    pace = 24 * days[:, None] / model.settings["correlation-time"]
    stays = np.exp(-course.hours / (pace * model.memory))
    first, fresh = (generator.standard_normal((count, len(spread))) for _ in range(2))
    second = stays * first + np.sqrt(1 - stays**2) * fresh
    before, now = (np.maximum(unscaled(model, model.mean + width * (part @ root.T) + np.sqrt(own) * generator.standard_normal(part.shape)), model.floor)
                   for part in (first, second))
    if disease is not None:
        before, now = _both_ill(ground, before, now, disease, generator)
    names = np.array(["", *course.chances])
    acute = generator.choice(names, count, p=[1 - sum(course.chances.values()), *course.chances.values()])
    for cause in model.causes:
        where = np.flatnonzero(acute == cause.id)
        if cause.id in course.chances and len(where):
            now[where] = fall_ill(population, now[where], cause, generator)
    return People(before, now, days, acute)


def draw_mixed_people(ground: Ground, count: int, course: Course, generator: np.random.Generator) -> People:
    """Draw patients at two moments, well and ill ones as common as screening takes them to be, in no order.

    Args:
        ground: from ``make_ground``.
        count: patients.
        course: between the draws.
        generator: of random numbers.
    """
    parts = [draw_people(ground, size, cause if cause.kind == "in-vivo" else None, course, generator)
             for cause, size in ground.population.draw_states(count, generator)]
    parts = parts or [draw_people(ground, 0, None, course, generator)]
    before, now, days, acute = (np.concatenate(one) for one in zip(*parts, strict=True))
    order = generator.permutation(count)
    return People(before[order], now[order], days[order], acute[order])


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


def usual_course(ground: Ground) -> Course:
    """Return the course between two draws that the table of figures states."""
    return Course(ground.setting("hours-before").value, _ends(ground, "correlation-days"), acute_chances(ground))


def fast_course(ground: Ground) -> Course:
    """Return the same for patients whose levels move within days."""
    return usual_course(ground)._replace(days=_ends(ground, "correlation-days-unsettled"))


def _ends(ground: Ground, name: str) -> tuple[float, float]:
    figure = ground.setting(name)
    return figure.low or figure.value, figure.high or figure.value


def acute_chances(ground: Ground) -> dict[str, float]:
    """Return how likely each passing state that moves a result begins between the draws, by their priors."""
    able = [cause for cause in ground.population.model.causes if begins(ground.population, cause)]
    total, share = sum(cause.prior for cause in able), ground.setting("share-acute").value
    return {cause.id: share * cause.prior / total for cause in able}


def begins(population: Population, cause: Cause) -> bool:
    """Whether a cause is a state of the patient that may begin within a day and moves a result."""
    return cause.state and not cause.lasting and moves(population, cause)


def simulate_days(connection: sqlite3.Connection, ground: Ground, course: Course, sizes: Sizes, seed: int, progress: Progress = lambda done, size: None) -> Days:
    """Simulate all pairs; the same seed gives the same pairs, and the figures without an earlier panel do not depend on them.

    Args:
        connection: the database.
        ground: from ``make_ground``.
        course: between the draws.
        sizes: how many of each sort.
        seed: of the random numbers.
        progress: called with the sorts done, of three.
    """
    generator = np.random.default_rng((seed, 1))
    causes, by_id = ground.population.model.causes, {cause.id: cause for cause in ground.population.model.causes}
    bands = tuple(_band(ground, by_id[row["cause"]], row, sizes.band, course, generator).group for row in rows(connection, "validation_bands"))
    progress(1, 3)
    read = tuple(_spoiled(ground, by_id[cause], np.full(sizes.band, share), ("share-of-plasma", share, share, "1"), course, generator).group
                 for cause in READ_BY_PEOPLE.values() for share in SHARES_READ)
    progress(2, 3)
    *counts, swapped = generator.multinomial(sizes.mixture, shares_with_mix_ups(ground)).tolist()
    parts = [_part(ground, cause, size, course, generator) for cause, size in zip(causes, counts, strict=True) if size]
    groups, acute = [pairs.group for pairs in parts], [pairs.people.acute for pairs in parts]
    groups.append(_mixed_up(by_id[MIX_UP], draw_sound(ground, course, swapped, generator)))
    acute.append(np.full(swapped, ""))
    progress(3, 3)
    drawn = Drawn(np.concatenate([group.results for group in groups]), np.concatenate([np.full(len(group.results), group.cause) for group in groups]),
                  np.concatenate([np.full(len(group.results), group.kind == "artefact") for group in groups]), bands, read)
    return Days(course, drawn, np.concatenate(acute))


def shares_with_mix_ups(ground: Ground) -> Array:
    """Return the share of pairs that each cause has, as screening takes it, and after them that of pairs of two people."""
    causes, weights = ground.population.model.causes, ground.population.shares
    artefact = np.array([cause.kind == "artefact" for cause in causes])
    computed = float(ground.population.weights["artefact"].sum())
    prior = next(cause.prior for cause in causes if cause.id == MIX_UP)
    swapped = weights[artefact].sum() * prior / (computed + prior)
    return np.append(np.where(artefact, weights * computed / (computed + prior), weights), swapped)


def _mixed_up(cause: Cause, pairs: Array) -> Group:
    return Group(cause.id, cause.label, cause.kind, "", None, None, "", swap(pairs), np.zeros(0))


def swap(pairs: Array) -> Array:
    """Return pairs of panels, each with the earlier panel of the pair before it in place of its own."""
    size = pairs.shape[1] // 2
    return np.concatenate([pairs[:, :size], np.roll(pairs[:, size:], 1, axis=0)], axis=1)


def draw_sound(ground: Ground, course: Course, count: int, generator: np.random.Generator) -> Array:
    """Return pairs of panels without an artefact, well and ill people as common as screening takes them to be, in no order."""
    people = draw_mixed_people(ground, count, course, generator)
    return _stacked(ground, measure(ground, draw_specimens(ground, people.now, generator).plasma, generator), people, generator)


def _part(ground: Ground, cause: Cause, count: int, course: Course, generator: np.random.Generator) -> Pairs:
    low, high = float(cause.severity[0]), float(cause.severity[-1])
    if cause.kind == "artefact":
        return _spoiled(ground, cause, on_logarithm(low, high, count, generator), ("severity", low, high, cause.unit), course, generator)
    people = draw_people(ground, count, cause if cause.kind == "in-vivo" else None, course, generator)
    now = measure(ground, draw_specimens(ground, people.now, generator).plasma, generator)
    return Pairs(Group(cause.id, cause.label, cause.kind, "", None, None, "", _stacked(ground, now, people, generator), np.zeros(0)), people)


def _band(ground: Ground, cause: Cause, row: sqlite3.Row, count: int, course: Course, generator: np.random.Generator) -> Pairs:
    return _spoiled(ground, cause, generator.uniform(row["low"], row["high"], count), (row["quantity"], row["low"], row["high"], row["unit"]), course, generator)


def _spoiled(ground: Ground, cause: Cause, amount: Array, said: tuple[str, float, float, str], course: Course,
             generator: np.random.Generator) -> Pairs:
    people = draw_mixed_people(ground, len(amount), course, generator)
    now, severity = spoil(ground, draw_specimens(ground, people.now, generator), cause, amount, generator, by_volume=said[0] == "volume-fraction")
    return Pairs(Group(cause.id, cause.label, cause.kind, *said, _stacked(ground, now, people, generator), severity), people)


def _stacked(ground: Ground, now: Array, people: People, generator: np.random.Generator) -> Array:
    """Return the results of now beside what was reported of the sound specimen of before."""
    before = measure(ground, dict(zip(ground.population.model.analytes, people.before.T, strict=True)), generator)
    return np.concatenate([now, before], axis=1)
