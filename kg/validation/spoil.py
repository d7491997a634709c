"""Simulated specimens spoiled: foreign blood, fluid, broken cells, waiting; then read by the methods of one laboratory.

The chemistry is solved for each specimen by itself: its own haematocrit, leukocytes, dose of additive, methods and rates. The table
of responses that the explanation works with, made for one usual specimen and a middle of all methods, takes no part.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.chemistry import haemolysis, kinetics, mixing
from kg.chemistry.experiment import World, make_world
from kg.chemistry.parameters import Parameter
from kg.explain.model import Array, Cause
from kg.validation.laboratories import Laboratory, draw_laboratories
from kg.validation.patients import SETTINGS, Population, read_population
from kg.validation.reading import read

_PER_LITRE = {"mmol/L": 1.0, "umol/L": 1000.0, "nmol/L": 1e6}
_ROOM = ("glycolysis", "reference-temperature")


class Ground(NamedTuple):
    """What specimens are simulated from."""

    world: World
    population: Population
    laboratories: tuple[Laboratory, ...]

    def setting(self, name: str) -> Parameter:
        """Return a figure of the validation with its ends, from ``model_parameters``."""
        return self.world.parameters.figure(SETTINGS, name)

    def number(self, name: str) -> int:
        """Return a figure of the validation that is a number of things."""
        return round(self.setting(name).value)


class Specimens(NamedTuple):
    """Specimens before anything went wrong, one entry each."""

    plasma: dict[str, Array]
    """Results by analyte, in the units of the population."""
    haematocrit: Array
    leukocytes: Array
    laboratory: NDArray[np.int64]

    def of(self, where: NDArray[np.int64]) -> Specimens:
        """Return some of the specimens."""
        return Specimens({name: values[where] for name, values in self.plasma.items()}, self.haematocrit[where], self.leukocytes[where],
                         self.laboratory[where])


class Mixed(NamedTuple):
    """Plasma after something came in, before any method reads it."""

    plasma: dict[str, Array]
    brought: dict[str, Array]
    """Species of an additive in the plasma, mmol/L."""
    severity: Array


def make_ground(connection: sqlite3.Connection, analytes: tuple[str, ...], generator: np.random.Generator) -> Ground:
    """Read figures and draw laboratories.

    Args:
        connection: the database.
        analytes: ids of the results, each measured in plasma or serum and with a row in the population.
        generator: of random numbers.
    """
    world = make_world(connection)
    count = round(world.parameters.value(SETTINGS, "laboratories"))
    return Ground(world, read_population(connection, world.parameters, analytes), draw_laboratories(world.parameters, count, generator))


def draw_specimens(ground: Ground, results: Array, generator: np.random.Generator) -> Specimens:
    """Return specimens of patients, each with a haematocrit, a leukocyte count and a laboratory drawn for it.

    The haematocrit is normal and cut at both ends, the leukocytes are log-normal as in the population.
    """
    count, middle = len(results), ground.setting("haematocrit")
    cells = generator.normal(middle.value, ground.setting("haematocrit-spread").value, count)
    white = ground.population.figures["wbc-count"]
    leukocytes = white["mean"] * np.exp(white["sd"] * generator.standard_normal(count))
    return Specimens(dict(zip(ground.population.model.analytes, results.T, strict=True)), np.clip(cells, middle.low or 0.0, middle.high or 1.0), leukocytes,
                     generator.integers(len(ground.laboratories), size=count))


def measure(ground: Ground, plasma: Mapping[str, Array], generator: np.random.Generator) -> Array:
    """Return results with analytical variation, specimens x results; none falls below what a method reads of nothing."""
    model = ground.population.model
    values = np.column_stack([plasma[analyte] for analyte in model.analytes])
    return np.maximum(values * (1 + model.analytical * generator.standard_normal(values.shape)), model.floor)


def spoil(ground: Ground, specimens: Specimens, cause: Cause, amount: Array, generator: np.random.Generator, *, by_volume: bool) -> tuple[Array, Array]:
    """Return the results of spoiled specimens, and how severe each case is as the explanation counts it.

    Args:
        ground: from ``make_ground``.
        specimens: from ``draw_specimens``.
        cause: an artefact of a model that is computed.
        amount: for each specimen; foreign blood or fluid as a share of volume or of plasma, h on the cells, or g/L of free haemoglobin.
        generator: of random numbers.
        by_volume: whether foreign blood or fluid is a share of the volume of the whole specimen, and not of its plasma.
    """
    after = {name: np.empty(len(amount)) for name in specimens.plasma}
    severity = np.empty(len(amount))
    for number, laboratory in enumerate(ground.laboratories):
        where = np.flatnonzero(specimens.laboratory == number)
        if len(where):
            part = specimens.of(where)
            mixed = _MODELS[cause.model](ground, laboratory, part, cause, amount[where], by_volume, generator)
            for name, values in read(ground.world, laboratory, part.plasma, mixed.plasma, mixed.brought, _loss(ground, len(where), generator)).items():
                after[name][where] = values
            severity[where] = mixed.severity
    return measure(ground, after, generator), severity


def _loss(ground: Ground, count: int, generator: np.random.Generator) -> Array:
    return _uniform(ground.setting("alp-loss-done"), count, generator)


def _uniform(figure: Parameter, count: int, generator: np.random.Generator) -> Array:
    return generator.uniform(figure.value if figure.low is None else figure.low, figure.value if figure.high is None else figure.high, count)


def _by_species(ground: Ground, plasma: Mapping[str, Array]) -> dict[str, Array]:
    """Return concentrations by species, in mmol/L, where a result is a species; others under their own name and in their unit."""
    found = {}
    for analyte, values in plasma.items():
        row = ground.population.figures[analyte]
        known = row["species"] and row["unit"] in _PER_LITRE
        found[row["species"] if known else analyte] = values / _PER_LITRE[row["unit"]] if known else values
    return found


def _by_analyte(ground: Ground, mixture: Mapping[str, Array], names: Mapping[str, Array]) -> dict[str, Array]:
    found = {}
    for analyte in names:
        row = ground.population.figures[analyte]
        known = row["species"] and row["unit"] in _PER_LITRE
        found[analyte] = mixture[row["species"]] * _PER_LITRE[row["unit"]] if known else mixture[analyte]
    return found


def mix_blood(ground: Ground, laboratory: Laboratory, specimens: Specimens, cause: Cause, amount: Array, by_volume: bool,
              generator: np.random.Generator) -> Mixed:
    """Return plasma with blood from a tube with an additive, whose dose is drawn between its published ends, all its salts in step.

    A tube with more additive to the blood is one that was filled less. Salt that stays outside the cells draws water out of them.
    """
    p, h = laboratory.parameters, specimens.haematocrit
    dose = mixing.dose_of(p, cause.additive)
    fill = 1 / generator.uniform(*dose_range(ground, cause.additive), len(amount))
    ratio = dose.blood_to_additive
    cells = h if ratio is None else h * ratio * fill / (1 + ratio * fill)
    volume = amount if by_volume else mixing.blood_fraction(amount, h, cells)
    mixture = mixing.carry_over(_by_species(ground, specimens.plasma), dose, volume, h, fill=fill)
    brought = mixing.carry_over({}, dose, volume, h, fill=fill)
    osmoles = np.asarray(sum(brought.values())) * (1 - h)
    water = mixing.drawn_from_cells(osmoles, h, p.value("blood", "osmolality"), p.value("blood", "osmotic-cell-water"))
    thinned = {name: values * (1 - water) for name, values in mixture.items()}
    return Mixed(_by_analyte(ground, thinned, specimens.plasma), {name: values * (1 - water) for name, values in brought.items()},
                 mixing.blood_share(volume, h, cells))


def dose_range(ground: Ground, additive: str) -> tuple[float, float]:
    """Return the least and the largest dose of an additive over the usual one: what the published ends of all its salts allow."""
    figures = [figure for figure in ground.world.parameters.figures if figure.model == "tube" and figure.condition == additive
               and figure.parameter in ("blood-concentration", "solution-concentration") and figure.low is not None and figure.high is not None]
    if not figures:
        return 1.0, 1.0
    return max((figure.low or 0.0) / figure.value for figure in figures), min((figure.high or 0.0) / figure.value for figure in figures)


def mix_fluid(ground: Ground, laboratory: Laboratory, specimens: Specimens, cause: Cause, amount: Array, by_volume: bool,
              generator: np.random.Generator) -> Mixed:
    """Return plasma with an infusion fluid in it."""
    h = specimens.haematocrit
    volume = amount if by_volume else mixing.blood_fraction(amount, h, 0.0)
    mixture = mixing.infuse(_by_species(ground, specimens.plasma), mixing.fluid_of(ground.world.connection, cause.fluid), volume, h)
    return Mixed(_by_analyte(ground, mixture, specimens.plasma), {}, mixing.fluid_share(volume, h))


def break_cells(ground: Ground, laboratory: Laboratory, specimens: Specimens, cause: Cause, amount: Array, by_volume: bool,
                generator: np.random.Generator) -> Mixed:
    """Return plasma with free haemoglobin (g/L); what the cells hold varies from person to person."""
    p, plasma = laboratory.parameters, {}
    for analyte, values in specimens.plasma.items():
        luck = np.exp(ground.setting("spread-of-cell-contents").value * generator.standard_normal(len(amount)))
        if analyte == "total-protein":
            plasma[analyte] = haemolysis.total_protein(p, values, amount)
        else:
            ratio = ground.world.ratios.get(analyte, 0.0) * luck
            plasma[analyte] = haemolysis.released(p, values, amount, ratio, ground.population.figures[analyte]["mean"])
    return Mixed(plasma, {}, amount)


def wait(ground: Ground, laboratory: Laboratory, specimens: Specimens, cause: Cause, amount: Array, by_volume: bool,
         generator: np.random.Generator) -> Mixed:
    """Return plasma that stayed on its cells for a time (h), in a room or in the cold."""
    p, h, plasma = laboratory.parameters, specimens.haematocrit, dict(specimens.plasma)
    store = ground.setting("cold-storage-temperature") if cause.model == "cold-delay" else ground.world.parameters.figure(*_ROOM)
    degrees = _uniform(store, len(amount), generator)
    glucose = plasma.get("glucose", np.full(len(amount), ground.population.figures["glucose"]["mean"]))
    used = kinetics.glucose_used(p, glucose, amount, degrees, haematocrit_=h, leukocytes=specimens.leukocytes)
    lactate = kinetics.lactate_made(p, used)
    taken = _uniform(ground.setting("bicarbonate-per-lactate"), len(amount), generator) * lactate
    leaks: dict[str, Callable[[], Array]] = {
        "glucose": lambda: -used, "lactate": lambda: lactate,
        "bicarbonate": lambda: -np.minimum(taken, plasma["bicarbonate"] / 2),
        "potassium": lambda: kinetics.potassium_change(p, amount, degrees, glucose, haematocrit_=h, leukocytes=specimens.leukocytes),
        "phosphate": lambda: kinetics.phosphate_change(p, amount, degrees, glucose, haematocrit_=h, leukocytes=specimens.leukocytes),
        "ammonia": lambda: kinetics.ammonia_change(p, amount, degrees),
        "ld": lambda: kinetics.ld_change(p, amount, haematocrit_=h) * plasma["ld"]}
    for analyte in leaks.keys() & plasma.keys():
        plasma[analyte] = plasma[analyte] + leaks[analyte]()
    return Mixed(plasma, {}, amount)


_MODELS: dict[str, Callable[[Ground, Laboratory, Specimens, Cause, Array, bool, np.random.Generator], Mixed]] = {
    "blood-carry-over": mix_blood, "fluid": mix_fluid, "haemolysis": break_cells, "delay": wait, "cold-delay": wait}
