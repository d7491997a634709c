"""Simulated patients: drawn from the population with its covariance, and ill ones by the patterns of the diseases."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

import numpy as np

from kg.chemistry.parameters import Parameters
from kg.database import rows
from kg.explain.baseline import unscaled
from kg.explain.model import Array, Cause, Model, read_model

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
    return Population(read_model(connection, analytes, only=()), {row["analyte"]: row for row in rows(connection, "population_figures")}, shifts,
                      parameters.value(SETTINGS, "degrees-of-freedom"))


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

    The severity s is drawn evenly on its logarithm between the ends of its range; each change is s times the stated one, give or
    take its spread: added, or, on a logarithmic scale, multiplied.

    Args:
        population: from ``read_population``.
        results: patients x results, without the disease.
        disease: a candidate of the kind ``in-vivo``.
        generator: of random numbers.
    """
    changed, place = results.copy(), {analyte: i for i, analyte in enumerate(population.model.analytes)}
    severity = on_logarithm(float(disease.severity[0]), float(disease.severity[-1]), len(results), generator)
    for row in population.shifts.get(disease.id, ()):
        luck = generator.standard_normal(len(results))
        if row["analyte"] in place:
            i = place[row["analyte"]]
            changed[:, i] = _shifted(changed[:, i], population.figures[row["analyte"]], row, severity, luck)
    return np.maximum(changed, population.model.floor)


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
