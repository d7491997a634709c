"""What is known beforehand of the results of a panel: where they lie in people, and what each cause does to them.

Results are reckoned on the scale on which they are spread normally: as they are, or by their natural logarithm.
Arrays run over causes, severities and results, in this order.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows

Array = NDArray[np.float64]
GRID = 16
"""Severities for which a cause is worked out, evenly spaced on a logarithmic scale."""
COMPUTED = ("blood-carry-over", "fluid", "haemolysis", "delay", "cold-delay")
"""The models of artefacts that are arithmetic and no pattern."""
MIX_UP = "wrong-blood-in-tube"
"""The cause under which results of now and earlier ones have nothing to do with each other."""
OWN_TIME = "correlation-time-of-result"
"""The setting of a result that has a correlation time of its own; the analyte follows."""
MODEL = "explanation"
"""The rows of ``model_parameters`` by which odd results are explained."""


def severities(low: float, high: float, count: int = GRID) -> Array:
    """Return severities from ``low`` to ``high``, evenly spaced on a logarithmic scale."""
    return np.geomspace(low, high, count)


class Fact(NamedTuple):
    """A row of a fact table on which a figure rests."""

    id: str
    source: str
    basis: str


class Cause(NamedTuple):
    """A candidate: an artefact, a state of the patient, or nothing unusual."""

    id: str
    label: str
    kind: str
    """``artefact``, ``in-vivo`` or ``none``."""
    factor: str
    additive: str
    fluid: str
    prior: float
    """How often it is met, per 1,000 odd panels."""
    severity: Array
    """The severities for which it is worked out."""
    unit: str
    meaning: str
    """How a severity reads, with ``{value}`` for the figure."""
    materials: tuple[str, ...]
    model: str
    lasting: bool = False
    """Whether it would have shown in earlier results too."""
    since: bool = False
    """Whether it shows only against an earlier result."""
    row: Fact = Fact("", "", "")
    """The row of the table of candidates."""
    shares: Array = np.full(GRID, 1 / GRID)
    """How common each severity is, summing to 1; cases of a state of the patient far beyond a clear one are rare."""

    @property
    def state(self) -> bool:
        """Return whether it is a state of the patient that shows without an earlier result too."""
        return self.kind == "in-vivo" and not self.since


class Effects(NamedTuple):
    """What causes do at their severities: ``gain x value + shift``, in the unit of the result, give or take the spreads."""

    gain: Array
    shift: Array
    spread: Array
    relative_spread: Array

    def of(self, causes: Sequence[int], steps: slice = slice(None)) -> Effects:
        """Return the effects of some causes at some of their severities."""
        return Effects(*(part[list(causes)][:, steps] for part in self))


class Model(NamedTuple):
    """Everything that is known beforehand of some results."""

    analytes: tuple[str, ...]
    labels: tuple[str, ...]
    units: tuple[str, ...]
    logarithmic: NDArray[np.bool_]
    mean: Array
    """On the scale of the result, in the population."""
    covariance: Array
    within: Array
    """Within-subject variation as a share."""
    analytical: Array
    """Analytical variation as a share."""
    memory: Array
    """Correlation time of a person's own level of each result, h."""
    matters: Array
    """Change that matters, as a share of the result."""
    floor: Array
    """What a result is read as when nothing is left, in its unit."""
    plain_ion: NDArray[np.bool_]
    """Ions of one charge: what moves them in a mixture is arithmetic alone."""
    causes: tuple[Cause, ...]
    effects: Effects
    settings: dict[str, float]
    """By parameter, followed by the analyte where a figure is of one only."""
    population: tuple[Fact, ...] = ()
    """The row of the population of each result."""
    figures: dict[str, Fact] = {}
    """The row of each setting."""


def worked_out(connection: sqlite3.Connection, there: Collection[str]) -> set[str]:
    """Return which results are worked out from others that are there, so that they say nothing new beside them."""
    return {row["analyte"] for row in rows(connection, "calculated") if set(row["parts"].split(";")) <= set(there)} & set(there)


def read_settings(connection: sqlite3.Connection) -> dict[str, float]:
    """Return the figures by which odd results are explained, by parameter, followed by the analyte where a figure is of one only."""
    return {row["parameter"] + row["about"]: row["value"] for row in _setting_rows(connection)}


def _setting_rows(connection: sqlite3.Connection) -> list[sqlite3.Row]:
    return [row for row in rows(connection, "model_parameters") if row["model"] == MODEL]


def _fact(row: sqlite3.Row) -> Fact:
    return Fact(row["id"], row["source"], row["basis"])


def read_causes(connection: sqlite3.Connection, known: dict[str, float] | None = None) -> tuple[Cause, ...]:
    """Return all candidates, ``nothing-unusual`` last; the settings are read where they are not known yet."""
    settings, found = known or read_settings(connection), []
    for row in rows(connection, "candidates"):
        grid = severities(row["severity_low"], row["severity_high"]) if row["severity_low"] is not None else np.ones(GRID)
        rare = (grid > settings["usual-severity"]) & (row["kind"] == "in-vivo")
        common = np.where(rare, settings["weight-of-extremes"], 1.0)
        found.append(Cause(row["cause"], row["label"], row["kind"], row["factor"] or "", row["additive"] or "", row["fluid"] or "", row["prior"],
                           grid, row["severity_unit"] or "", row["severity_meaning"] or "", tuple((row["materials"] or "").split(";")) if row["materials"] else (),
                           row["model"], row["course"] == "lasting", row["course"] == "since", _fact(row), common / common.sum()))
    return tuple(sorted(found, key=lambda cause: cause.kind == "none"))


def read_model(connection: sqlite3.Connection, analytes: Sequence[str], only: Sequence[str] | None = None, beside: Model | None = None) -> Model:
    """Read what is known beforehand of some results.

    Args:
        connection: the database.
        analytes: ids, each with a row in the population.
        only: ids of the causes whose effects are wanted; those of all when not given.
        beside: a model of the same database, whose settings and causes are taken.
    """
    named = [] if beside else _setting_rows(connection)
    settings = beside.settings if beside else {row["parameter"] + row["about"]: row["value"] for row in named}
    causes = beside.causes if beside else read_causes(connection, settings)
    figures = {row["analyte"]: row for row in rows(connection, "population_figures")}
    chosen = [figures[analyte] for analyte in analytes]
    logarithmic = np.array([row["shape"] == "log-normal" for row in chosen], dtype=bool)
    level = np.array([row["mean"] for row in chosen], dtype=float)
    deviation = np.array([row["sd"] for row in chosen], dtype=float)
    mean = np.where(logarithmic, np.log(np.maximum(level, 1e-12)), level)
    variation: dict[tuple[str, str], float] = {(row["analyte"], row["kind"]): row["share"] for row in rows(connection, "variations")}

    def shares(kind: str, otherwise: float) -> Array:
        return np.array([variation.get((analyte, kind), otherwise) for analyte in analytes], dtype=float)

    covariance = _correlations(connection, analytes) * np.outer(deviation, deviation)
    effects = _effects(connection, analytes, [cause.id for cause in causes], only)
    return Model(tuple(analytes), tuple(row["label"] for row in chosen), tuple(row["unit"] for row in chosen), logarithmic, mean, covariance,
                 shares("within-subject", settings["usual-within-subject"]), shares("analytical", settings["usual-analytical"]),
                 np.array([settings.get(f"{OWN_TIME}{analyte}", settings["correlation-time"]) for analyte in analytes]),
                 np.maximum(shares("desirable-total-error", 0.0), settings["reportable-change"]), settings["share-left-of-nothing"] * np.abs(level),
                 np.array([row["charge"] == 1 for row in chosen], dtype=bool), causes, effects, settings,
                 tuple(_fact(row) for row in chosen), beside.figures if beside else {row["parameter"] + row["about"]: _fact(row) for row in named})


def _correlations(connection: sqlite3.Connection, analytes: Sequence[str]) -> Array:
    place = {analyte: i for i, analyte in enumerate(analytes)}
    found = np.eye(len(analytes))
    for row in rows(connection, "population_pairs"):
        if row["analyte"] in place and row["other"] in place:
            i, j = place[row["analyte"]], place[row["other"]]
            found[i, j] = found[j, i] = row["correlation"]
    return found


def _effects(connection: sqlite3.Connection, analytes: Sequence[str], causes: Sequence[str], only: Sequence[str] | None) -> Effects:
    shape = (len(causes), GRID, len(analytes))
    column, line = ({name: i for i, name in enumerate(names)} for names in (analytes, causes))
    parts = np.zeros((4, *shape))
    parts[0] = 1.0
    connection.row_factory, factory = None, connection.row_factory
    try:
        found = rows(connection, "responses_of_panel", analytes=json.dumps(list(analytes)), causes=json.dumps(list(causes if only is None else only)))
    finally:
        connection.row_factory = factory
    if found:
        names_a, names_c, steps, *values = zip(*found, strict=True)
        at = ([line[name] for name in names_c], list(steps), [column[name] for name in names_a])
        for part, numbers in zip(parts, values, strict=True):
            part[at] = numbers
    return Effects(*parts)
