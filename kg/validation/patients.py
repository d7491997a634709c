"""Simulated patients: drawn from the population with its covariance, and ill ones by the patterns of the diseases."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

import numpy as np

from kg.chemistry.parameters import Parameters
from kg.database import rows
from kg.explain.baseline import unscaled
from kg.explain.model import COMPUTED, Array, Cause, Model, read_model
from kg.explain.panel import Panel
from kg.explain.priors import additive_odds

SETTINGS = "validation"


class Population(NamedTuple):
    """What patients are drawn from."""

    model: Model
    """Means and covariance; its table of responses is not read."""
    figures: dict[str, sqlite3.Row]
    """The rows of the population by analyte."""
    shifts: dict[str, list[sqlite3.Row]]
    """The rows of ``cause_shifts.csv`` by disease."""
    freedom: float
    """Degrees of freedom of the t distribution."""
    weights: dict[str, Array]
    """The prior odds of every cause that screening looks for, 0 for others, by kind; as screening and explanation both take them."""

    @property
    def shares(self) -> Array:
        """Return the share of panels that each cause has where nobody picked them out, as screening takes it; 0 for what it does not look for."""
        odd, ill = self.model.settings["share-odd"], self.model.settings["share-ill"]
        parts = {"artefact": odd, "in-vivo": ill, "none": 1 - odd - ill}
        return np.asarray(sum(weights / weights.sum() * parts[kind] for kind, weights in self.weights.items()))

    def draw_states(self, count: int, generator: np.random.Generator) -> list[tuple[Cause, int]]:
        """Return how many of some patients are well and how many have each state, as common as screening takes them to be."""
        odds = np.where(self.weights["artefact"] > 0, 0.0, self.shares)
        return [(cause, int(size)) for cause, size in zip(self.model.causes, generator.multinomial(count, odds / odds.sum()), strict=True) if size]


def read_population(connection: sqlite3.Connection, parameters: Parameters, analytes: tuple[str, ...]) -> Population:
    """Read what patients are drawn from.

    Args:
        connection: the database.
        parameters: the figures.
        analytes: ids of the results, each with a row in the population.
    """
    shifts: dict[str, list[sqlite3.Row]] = {}
    for row in rows(connection, "candidate_shifts"):
        shifts.setdefault(row["cause"], []).append(row)
    model = read_model(connection, analytes, only=())
    prior = np.array([cause.prior for cause in model.causes]) * np.exp(additive_odds(connection, model, Panel(()), []))
    weights = {kind: np.where([cause.kind == kind and not cause.since and (kind != "artefact" or cause.model in COMPUTED) for cause in model.causes], prior, 0.0)
               for kind in ("artefact", "in-vivo", "none")}
    return Population(model, {row["analyte"]: row for row in rows(connection, "population_figures")}, shifts,
                      parameters.value(SETTINGS, "degrees-of-freedom"), weights)


def draw_patients(population: Population, count: int, generator: np.random.Generator) -> Array:
    """Return results of patients with nothing unusual, patients x results, in the units of the population.

    A multivariate t distribution with the covariance of the population, each result on its scale; its covariance is that of
    the normal one it replaces, since a chi-square with f degrees of freedom has a mean reciprocal of 1 / (f - 2).
    Source: textbook; the population is data.

    Args:
        population: from ``read_population``.
        count: patients.
        generator: of random numbers.
    """
    model = population.model
    around = generator.multivariate_normal(np.zeros(len(model.analytes)), model.covariance, count, method="cholesky")
    width = np.sqrt((population.freedom - 2) / generator.chisquare(population.freedom, count))
    return np.maximum(unscaled(model, model.mean + around * width[:, None]), model.floor)


def fall_ill(population: Population, results: Array, disease: Cause, generator: np.random.Generator) -> Array:
    """Return the results of the same patients with a disease.

    Each change is the severity times the stated one, give or take its spread: added, or, on a logarithmic scale, multiplied.

    Args:
        population: from ``read_population``.
        results: patients x results, without the disease.
        disease: a candidate of the kind ``in-vivo``.
        generator: of random numbers.
    """
    changed, place = results.copy(), {analyte: i for i, analyte in enumerate(population.model.analytes)}
    severity = draw_severity(population, disease, len(results), generator)
    for row in population.shifts.get(disease.id, ()):
        luck = generator.standard_normal(len(results))
        if row["analyte"] in place:
            i = place[row["analyte"]]
            changed[:, i] = _shifted(changed[:, i], population.figures[row["analyte"]], row, severity, luck)
    return np.maximum(changed, population.model.floor)


def draw_mixed(population: Population, count: int, generator: np.random.Generator) -> Array:
    """Return results of patients well and ill, as common as screening takes them to be, in no order.

    Args:
        population: from ``read_population``.
        count: patients.
        generator: of random numbers.
    """
    parts = [draw_with(population, cause, size, generator) for cause, size in population.draw_states(count, generator)]
    return np.asarray(generator.permutation(np.concatenate(parts)) if parts else draw_patients(population, 0, generator))


def draw_with(population: Population, cause: Cause, count: int, generator: np.random.Generator) -> Array:
    """Return results of patients with a state, or with nothing unusual."""
    patients = draw_patients(population, count, generator)
    return fall_ill(population, patients, cause, generator) if cause.kind == "in-vivo" else patients


def draw_severity(population: Population, disease: Cause, count: int, generator: np.random.Generator) -> Array:
    """Return severities of a disease: even on their logarithm, those far beyond a clear case as rare as screening takes them to be."""
    settings, low, high = population.model.settings, float(disease.severity[0]), float(disease.severity[-1])
    usual = min(max(settings["usual-severity"], low), high)
    common, rare = np.log(usual / low), settings["weight-of-extremes"] * np.log(high / usual)
    extreme = generator.random(count) * (common + rare) < rare
    return np.where(extreme, on_logarithm(usual, high, count, generator), on_logarithm(low, usual, count, generator))


def on_logarithm(low: float, high: float, count: int, generator: np.random.Generator) -> Array:
    """Return numbers drawn between two ends, evenly on their logarithm."""
    return np.asarray(np.exp(generator.uniform(np.log(low), np.log(high), count)))


def _shifted(values: Array, figures: sqlite3.Row, row: sqlite3.Row, severity: Array, luck: Array) -> Array:
    """Return a result after one change; ``spread`` is a share of the change, or of a standard deviation where there is none."""
    deviations, logarithmic = row["change_kind"] == "sd", figures["shape"] == "log-normal"
    change, spread, sd = row["change"], row["spread"] * (abs(row["change"]) or 1.0), figures["sd"]
    if row["change_kind"] == "absolute" or (deviations and not logarithmic):
        unit = sd if deviations else 1.0
        return np.asarray(values + severity * unit * (change + spread * luck))
    step = change * sd if deviations else np.log(max(1 + change, 1e-3))
    spread = row["spread"] * (abs(step) or (sd if deviations else 1.0))
    return np.asarray(values * np.exp(severity * (step + spread * luck)))


def moves(population: Population, disease: Cause) -> bool:
    """Whether a disease moves any of the results."""
    return any(row["analyte"] in population.model.analytes and (row["change"] or row["spread"]) for row in population.shifts.get(disease.id, ()))
