"""What the responses to causes are computed from, with a record of the facts that each computation took."""

from __future__ import annotations

import re
import sqlite3
from dataclasses import dataclass
from functools import cached_property

from kg.chemistry.experiment import World, make_world
from kg.database import rows
from kg.explain.model import MODEL

CHEMISTRY, EQUILIBRIUM, SIGN, PATTERN = "chemistry", "equilibrium", "sign", "pattern"
"""What a response rests on: figures of a computation, constants of the complexes solved in it, an effect of which the direction
alone is known, or a row of ``cause_shifts.csv``."""
Grounds = frozenset[tuple[str, str]]
"""Facts behind a response: pairs of what it rests on and the id of the fact."""
_SPECIES = re.compile(r"[a-z][a-z0-9.-]*")


@dataclass
class Bench:
    """What responses are computed from; the chemistry is read when it is first needed."""

    connection: sqlite3.Connection
    figures: dict[str, sqlite3.Row]
    """The rows of the population by analyte."""
    shifts: dict[str, list[sqlite3.Row]]
    """The rows of the patterns by cause."""

    @cached_property
    def world(self) -> World:
        """Constants, figures and usual levels."""
        return make_world(self.connection)

    @cached_property
    def ratios(self) -> dict[str, str]:
        """The rows of ``cell_contents.csv`` that the world's ratios come from, by analyte."""
        return {row["analyte"]: row["id"] for row in rows(self.connection, "cell_ratios")}

    @cached_property
    def reactions(self) -> tuple[tuple[str, frozenset[str]], ...]:
        """The rows of ``equilibrium_constants.csv``, each with the species that take part."""
        return tuple((row["id"], frozenset(_SPECIES.findall(row["reaction"]))) for row in rows(self.connection, "equilibrium_constants"))

    @property
    def haematocrit(self) -> float:
        """Usual haematocrit, as a share."""
        return self.world.parameters.value("blood", "haematocrit")

    @property
    def room_cel(self) -> float:
        """Temperature of a specimen that waits in the room, in Cel."""
        return self.world.parameters.value("glycolysis", "reference-temperature")

    @property
    def cold_cel(self) -> float:
        """Temperature of a specimen that waits in the cold, in Cel."""
        return self.setting("cold-storage-temperature")

    def taken(self) -> Grounds:
        """Return the figures that were looked up since this was last asked."""
        if "world" not in vars(self):
            return frozenset()
        found = frozenset((CHEMISTRY, fact) for fact in self.world.parameters.used)
        self.world.parameters.used.clear()
        return found

    def among(self, *species: str) -> Grounds:
        """Return the constants of the reactions in which nothing but these species, and hydrons, take part."""
        return frozenset((EQUILIBRIUM, fact) for fact, parts in self.reactions if parts <= {*species, "hydron"})

    def setting(self, name: str) -> float:
        """Return a figure of how odd results are explained, from ``model_parameters``."""
        return self.world.parameters.value(MODEL, name)

    def deviation(self, analyte: str) -> float:
        """Return the standard deviation of an analyte in the population, in its unit."""
        row = self.figures[analyte]
        return float(row["sd"] * row["mean"] if row["shape"] == "log-normal" else row["sd"])
