"""The simulated panels of a validation: a mixture as screening takes it to be, bands of each contamination, and diseases alone."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows
from kg.explain.model import Array, Cause
from kg.validation.patients import draw_mixed, draw_with, moves, on_logarithm
from kg.validation.spoil import Ground, draw_specimens, make_ground, measure, spoil

Progress = Callable[[int, int], None]
EDTA = "k2-edta-carryover"
READ_BY_PEOPLE = {"people-saline": "iv-saline", "people-dextrose-saline": "iv-dextrose-saline"}
"""The fluids on which people were tested, by subject of ``recognition_benchmarks.csv``."""
SHARES_READ = (0.10, 0.25)
"""The shares of the plasma at which they were."""

_POOL = 20
"""Patients from whom one with a high potassium is picked."""
_BELOW, _LITTLE = 1.0, 10.0
"""Own potassium lies at most so far (mmol/L) below that of the surveys; the largest share of EDTA blood is so many times the least."""


class Sizes(NamedTuple):
    """How many panels of each sort."""

    mixture: int
    band: int
    disease: int
    little_edta: int


class Group(NamedTuple):
    """Panels that have the same cause, or none."""

    cause: str
    """Id of the candidate."""
    label: str
    kind: str
    quantity: str
    low: float | None
    high: float | None
    unit: str
    results: Array
    severity: Array
    """As the explanation counts it; empty where there is none."""


class Drawn(NamedTuple):
    """Simulated panels, from which rates are counted."""

    mixture: Array
    """Results, panels x results; artefact and disease are as common as screening takes them to be."""
    causes: NDArray[np.str_]
    """Of each panel of the mixture its cause."""
    artefact: NDArray[np.bool_]
    bands: tuple[Group, ...]
    read: tuple[Group, ...]
    """The fluids on which people were tested, at the shares at which they were."""

    @property
    def halved(self) -> NDArray[np.bool_]:
        """Return which panels of the mixture are left when half of the artefacts are taken out."""
        return np.asarray(~self.artefact | (np.cumsum(self.artefact) % 2 == 0))


class Study(NamedTuple):
    """Everything that was simulated without an earlier panel."""

    ground: Ground
    drawn: Drawn
    diseases: tuple[Group, ...]
    whole: tuple[Group, ...]
    """For each contamination of the bands, panels whose severities are spread as the explanation takes them to be."""
    slight: Group
    """Little EDTA in blood whose own potassium is high already."""


def simulate(connection: sqlite3.Connection, analytes: tuple[str, ...], sizes: Sizes, seed: int, progress: Progress = lambda done, size: None) -> Study:
    """Simulate all panels of a validation; the same seed gives the same panels.

    Args:
        connection: the database.
        analytes: ids of all results that any panel holds.
        sizes: how many panels.
        seed: of the random numbers.
        progress: called with the groups done and their number.
    """
    generator = np.random.default_rng(seed)
    ground = make_ground(connection, analytes, generator)
    causes, wanted = ground.population.model.causes, rows(connection, "validation_bands")
    by_id = {cause.id: cause for cause in causes}
    ill = [cause for cause in causes if cause.state and moves(ground.population, cause)]
    counts = generator.multinomial(sizes.mixture, ground.population.shares)
    banded = list(dict.fromkeys(row["cause"] for row in wanted))
    size, done = len(causes) + len(wanted) + len(ill) + len(banded) + len(READ_BY_PEOPLE) * len(SHARES_READ) + 1, 0

    def step(found: Group) -> Group:
        nonlocal done
        done += 1
        progress(done, size)
        return found

    parts = [step(_part(ground, cause, int(count), generator)) for cause, count in zip(causes, counts, strict=True)]
    bands = tuple(step(_band(ground, by_id[row["cause"]], row, sizes.band, generator)) for row in wanted)
    diseases = tuple(step(_part(ground, cause, sizes.disease, generator)) for cause in ill)
    whole = tuple(step(_part(ground, by_id[cause], sizes.band, generator)) for cause in banded)
    read = tuple(step(_spoiled(ground, by_id[cause], np.full(sizes.band, share), "share-of-plasma", share, share, "1", False, generator))
                 for cause in READ_BY_PEOPLE.values() for share in SHARES_READ)
    slight = step(_slight(ground, by_id[EDTA], sizes.little_edta, generator))
    drawn = Drawn(np.concatenate([part.results for part in parts]), np.concatenate([np.full(len(part.results), part.cause) for part in parts]),
                  np.concatenate([np.full(len(part.results), part.kind == "artefact") for part in parts]), bands, read)
    return Study(ground, drawn, diseases, whole, slight)


def _part(ground: Ground, cause: Cause, count: int, generator: np.random.Generator) -> Group:
    """Return panels with a cause, their severities drawn evenly on the logarithm over its whole range."""
    if cause.kind == "artefact":
        amount = on_logarithm(float(cause.severity[0]), float(cause.severity[-1]), count, generator)
        return _spoiled(ground, cause, amount, "severity", float(cause.severity[0]), float(cause.severity[-1]), cause.unit, False, generator)
    specimens = draw_specimens(ground, draw_with(ground.population, cause, count, generator), generator)
    return Group(cause.id, cause.label, cause.kind, "", None, None, "", measure(ground, specimens.plasma, generator), np.zeros(0))


def _band(ground: Ground, cause: Cause, row: sqlite3.Row, count: int, generator: np.random.Generator) -> Group:
    amount = generator.uniform(row["low"], row["high"], count)
    return _spoiled(ground, cause, amount, row["quantity"], row["low"], row["high"], row["unit"], row["quantity"] == "volume-fraction", generator)


def _spoiled(ground: Ground, cause: Cause, amount: Array, quantity: str, low: float, high: float, unit: str, by_volume: bool,
             generator: np.random.Generator) -> Group:
    specimens = draw_specimens(ground, draw_mixed(ground.population, len(amount), generator), generator)
    results, severity = spoil(ground, specimens, cause, amount, generator, by_volume=by_volume)
    return Group(cause.id, cause.label, cause.kind, quantity, low, high, unit, results, severity)


def _slight(ground: Ground, cause: Cause, count: int, generator: np.random.Generator) -> Group:
    """Return specimens with little EDTA, of people with a potassium not far from that of the surveys, or above it."""
    pool = draw_mixed(ground.population, _POOL * count, generator)
    potassium = pool[:, ground.population.model.analytes.index("potassium")]
    high = np.flatnonzero(potassium >= ground.setting("potassium-of-surveys").value - _BELOW)
    chosen = pool[generator.permutation(high)[:count]]
    least = float(cause.severity[0])
    amount = on_logarithm(least, _LITTLE * least, len(chosen), generator)
    results, severity = spoil(ground, draw_specimens(ground, chosen, generator), cause, amount, generator, by_volume=False)
    return Group(cause.id, cause.label, cause.kind, "severity", least, _LITTLE * least, cause.unit, results, severity)
