"""One published experiment beside what the model says of it."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np

from kg.chemistry.constants import Constants
from kg.chemistry.equilibrium import solve
from kg.chemistry.parameters import Parameter, Parameters, read_parameters
from kg.database import rows

MEASURED, SIGN, NOT_MODELLED = "size", "sign", "not-modelled"
NO_CHANGE = 0.02
"""A relative change below this agrees with a published "no change"."""
LEAST_CHANGE = 0.005
"""A relative change below this agrees with no published rise or fall."""


class NotModelled(Exception):
    """The model does not speak of an experiment; the text says why not."""


class Prediction(NamedTuple):
    """What the model says: a change in the unit of the publication, or relative when only a sign is published."""

    value: float
    assumed: str = ""


class Experiment(NamedTuple):
    """A row of a fact table with the model's word on it."""

    id: str
    group: str
    kind: str
    """``size``, ``sign`` or ``not-modelled``."""
    what: str
    low: float | None
    high: float | None
    unit: str
    direction: str
    source: str
    basis: str
    predicted: float | None = None
    bound: str = ""
    """``least`` or ``most`` where the publication gives a bound of the size only."""
    assumed: str = ""
    reason: str = ""
    parameters: tuple[str, ...] = ()
    shared: bool = False
    """Whether a parameter was taken from this very row or source, so that agreement is no proof."""

    @property
    def error(self) -> float | None:
        """How far the prediction lies from the published figure or range, in its unit; 0 inside it."""
        if self.kind != MEASURED or self.predicted is None or self.low is None or self.high is None:
            return None
        low, high = min(self.low, self.high), max(self.low, self.high)
        if self.bound:
            sign = -1.0 if high < 0 else 1.0
            size, published = sign * self.predicted, sign * (low if sign < 0 else high)
            short = min(size - published, 0.0) if self.bound == "least" else max(size - published, 0.0)
            return sign * short
        return self.predicted - min(max(self.predicted, low), high)

    @property
    def relative_error(self) -> float | None:
        """The size of the error as a share of the published figure; None where no change was published."""
        if self.error is None or self.low is None or self.high is None or self.low + self.high == 0:
            return None
        return abs(self.error) / abs((self.low + self.high) / 2)

    @property
    def agrees(self) -> bool | None:
        """Whether the sign is the published one, where only that is compared."""
        if self.kind != SIGN or self.predicted is None:
            return None
        if self.direction == "no-effect":
            return abs(self.predicted) < NO_CHANGE
        return (self.predicted if self.direction == "increase" else -self.predicted) >= LEAST_CHANGE


class World(NamedTuple):
    """What predictions are made from: figures, usual levels, contents of cells, constants of complexes."""

    connection: sqlite3.Connection
    parameters: Parameters
    levels: dict[str, float]
    """Usual level of an analyte: the middle of its reference interval."""
    ratios: dict[str, float]
    """Concentration in red cells over that in plasma, by analyte."""
    constants: Constants

    def free_metals(self, edta: float) -> dict[str, float]:
        """Return free calcium, magnesium and zinc of usual plasma with EDTA, in mmol/L, and under ``zinc-held`` what EDTA holds."""
        totals = {"calcium-ion": self.levels["calcium-total"], "magnesium-ion": self.levels["magnesium-total"],
                  "zinc-ion": self.levels["zinc"] / 1000, "edta-4minus": edta, "albumin-protein": ALBUMIN}
        found = solve({name: amount / 1000 for name, amount in totals.items()}, constants=self.constants, solids=())
        held = sum(amount for name, amount in found.complexes.items() if name.startswith("zinc") and name.endswith("edta"))
        return {**{name: found.free[name] * 1000 for name in totals if name.endswith("-ion")}, "zinc-held": 1000 * held}

    def calcium_with(self, ligands: Mapping[str, float], calcium: float) -> tuple[float, float]:
        """Return free calcium and calcium in solution, in mmol/L, of plasma with citrate or oxalate (mmol/L); the rest fell out."""
        totals = {"calcium-ion": calcium, "magnesium-ion": self.levels["magnesium-total"], "albumin-protein": ALBUMIN, **ligands}
        found = solve({name: amount / 1000 for name, amount in totals.items()}, constants=self.constants)
        fallen = sum(amount for name, amount in found.solids.items() if name.startswith("calcium"))
        return 1000 * found.free["calcium-ion"], calcium - 1000 * fallen

    def edta_log10_k(self, ph: float) -> float:
        """Return the apparent constant of calcium and EDTA at a pH, as log10 of L/mol, at 25 Cel and ionic strength 0.1."""
        amount = 1e-6
        found = solve({"calcium-ion": amount, "edta-4minus": amount}, ph, 25.0, 0.1, constants=self.constants, solids=())
        held = sum(value for name, value in found.complexes.items() if name.startswith("calcium") and name.endswith("edta"))
        return float(np.log10(held) - np.log10(found.free["calcium-ion"]) - np.log10(max(amount - held, 1e-30)))


ALBUMIN = 0.63
"""mmol/L; 42 g/L at 66.5 kg/mol, the middle of the usual range (recalled)."""


def make_world(connection: sqlite3.Connection) -> World:
    """Read everything that predictions need."""
    levels = {row["analyte"]: (row["low"] + row["high"]) / 2 for row in rows(connection, "usual_levels")}
    ratios = {row["analyte"]: row["ratio"] for row in rows(connection, "cell_ratios")}
    return World(connection, read_parameters(connection), levels, ratios, Constants.from_database(connection))


def shares(row: sqlite3.Row, used: Iterable[Parameter]) -> bool:
    """Whether a row of a fact table, or its source, is where one of the parameters comes from."""
    return any(figure.source == row["source"] or re.search(rf"\b{re.escape(row['id'])}\b", figure.locator) for figure in used)


def bound_of(row: sqlite3.Row) -> str:
    """Return whether a row gives a least or a most of the size, as its words say."""
    words = f"{row['condition'] or ''} {row['note'] or ''}"
    if re.search(r"lower bound|at least|more than this", words):
        return "least"
    return "most" if re.search(r"upper bound|less than this", words) else ""
