"""TestVolumes for planning: what a test asks for, what a tube yields, and the figures assumed where nothing is stated."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping
from typing import NamedTuple

from kg.database import rows

Row = sqlite3.Row


class TestVolumes(NamedTuple):
    """What one test asks for, in mL of the material that is measured; dead volume is part of volume and minimum."""

    code: str
    volume_ml: float
    """Asked for, so that a run can be repeated."""
    minimum_ml: float
    """Least that can be run once."""
    dead_ml: float
    """Stays in the cup; tests that run from one cup share it."""
    department: str
    """The bench; tests of one bench are taken to run from one cup."""
    assumed: bool = False
    """Whether a volume is not stated and was assumed from ``planning_values``."""

    @property
    def net_ml(self) -> float:
        """What is used up when the volume asked for is given, in mL."""
        return max(self.volume_ml - self.dead_ml, 0.0)

    @property
    def net_minimum_ml(self) -> float:
        """What is used up when the test is run once, in mL."""
        return max(min(self.minimum_ml, self.volume_ml) - self.dead_ml, 0.0)


def planning_values(connection: sqlite3.Connection) -> dict[tuple[str, str], Row]:
    """Return the figures of ``planning_values.csv`` by quantity and subject."""
    return {(row["quantity"], row["subject"]): row for row in rows(connection, "planning_values")}


def volumes_of_test(connection: sqlite3.Connection, code: str, values: Mapping[tuple[str, str], Row] | None = None) -> TestVolumes:
    """Return the volumes of a test of the catalogue.

    Args:
        connection: the database.
        code: the code of the test.
        values: the figures of ``planning_values``, when they have been read already.

    Returns:
        the volumes in mL; where the catalogue states none, the assumed ones, marked so.

    Raises:
        KeyError: there is no such code.
    """
    row = connection.execute("SELECT code, volume_ml, minimum_volume_ml, dead_volume_ml, department FROM test WHERE code = ?",
                             (code,)).fetchone()
    if row is None:
        raise KeyError(code)
    stated = [row["volume_ml"], row["minimum_volume_ml"], row["dead_volume_ml"]]
    if None not in stated:
        return TestVolumes(code, stated[0], stated[1], stated[2], row["department"] or "")
    assumed = assumed_volumes(values or planning_values(connection), code)
    dead = assumed.dead_ml if stated[2] is None else stated[2]
    minimum = stated[1] if stated[1] is not None else max(assumed.minimum_ml, dead)
    volume = stated[0] if stated[0] is not None else max(assumed.volume_ml, minimum)
    return TestVolumes(code, volume, minimum, dead, row["department"] or "", True)


def assumed_volumes(values: Mapping[tuple[str, str], Row], code: str) -> TestVolumes:
    """Return the volumes assumed for something whose volumes nobody states, in mL."""
    volume, minimum, dead = (float(values[name, "test"]["value"]) for name in
                             ("assumed-volume", "assumed-minimum-volume", "assumed-dead-volume"))
    return TestVolumes(code, volume, minimum, dead, "", True)


def recoverable_share(values: Mapping[tuple[str, str], Row], container_kind: str) -> float:
    """Return the share of plasma or serum that can be taken off a spun container of a kind, 0 to 1.

    Args:
        values: the figures of ``planning_values``.
        container_kind: the kind of ``containers.csv``; that of a tube is used where none is known.
    """
    row = values.get(("recoverable-share", container_kind)) or values["recoverable-share", "tube"]
    return float(row["value"])


def plasma_yield(blood_ml: float, haematocrit: float, recoverable: float = 1.0, liquid_ml: float = 0.0) -> float:
    """Return the plasma or serum that can be taken off after the spin, in mL.

    Equation: (blood (1 - haematocrit) + liquid additive) x share that can be taken off; cells are taken as packed
    without plasma between them. Source: own arithmetic.

    Args:
        blood_ml: blood in the tube, mL.
        haematocrit: as a share, 0 to below 1.
        recoverable: share of the plasma that can be taken off, 0 to 1; see ``recoverable_share``.
        liquid_ml: liquid additive in the tube, such as citrate, mL.
    """
    return (blood_ml * (1.0 - haematocrit) + liquid_ml) * recoverable


def blood_for_plasma(plasma_ml: float, haematocrit: float, recoverable: float = 1.0, liquid_per_ml: float = 0.0) -> float:
    """Return the blood that yields a volume of plasma or serum, in mL; the inverse of ``plasma_yield``.

    Args:
        plasma_ml: plasma or serum wanted, mL.
        haematocrit: as a share, 0 to below 1.
        recoverable: share of the plasma that can be taken off, above 0 to 1.
        liquid_per_ml: liquid additive for each mL of blood, mL/mL.
    """
    return plasma_ml / ((1.0 - haematocrit + liquid_per_ml) * recoverable)


def steps_up(volume_ml: float, step_ml: float) -> int:
    """Return how many whole steps a volume needs, so that no part of a step is lost."""
    return math.ceil(round(volume_ml / step_ml, 6))
