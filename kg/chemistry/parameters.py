"""The figures of ``model_parameters.csv``, with a record of which of them a calculation used."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from kg.chemistry.bounds import Array, InputError
from kg.database import rows

_AT = re.compile(r"^at (-?[0-9.]+) Cel$")


class Parameter(NamedTuple):
    """One figure: what it is, its range, and where it comes from."""

    id: str
    model: str
    parameter: str
    about: str
    """The analyte or species, where there is one."""
    condition: str
    value: float
    low: float | None
    high: float | None
    unit: str
    source: str
    locator: str
    basis: str


class Parameters:
    """All figures, found by model, parameter and what they are about.

    ``used`` holds what was looked up so far, so that a result can name the figures behind it.
    """

    def __init__(self, figures: Iterable[Parameter]) -> None:
        """Take the figures and start with an empty record."""
        self.figures = tuple(figures)
        self.used: dict[str, Parameter] = {}
        self._found: dict[tuple[str, str], list[Parameter]] = {}
        for figure in self.figures:
            self._found.setdefault((figure.model, figure.parameter), []).append(figure)

    def fresh(self) -> Parameters:
        """Return the same figures with an empty record."""
        copy = Parameters(())
        copy.figures, copy._found = self.figures, self._found
        return copy

    def with_values(self, **values: float) -> Parameters:
        """Return the figures with some replaced, by id with ``_`` for ``-``: for another method, or for the ends of a range."""
        wanted = {name.replace("_", "-"): value for name, value in values.items()}
        missing = sorted(wanted.keys() - {figure.id for figure in self.figures})
        if missing:
            raise InputError(f"{missing[0]}: there is no such parameter")
        return Parameters(figure._replace(value=wanted.get(figure.id, figure.value)) for figure in self.figures)

    def every(self, model: str, parameter: str, about: str = "", condition: str = "") -> list[Parameter]:
        """Return all figures that fit, and note them as used."""
        found = [figure for figure in self._found.get((model, parameter), [])
                 if about in ("", figure.about) and condition in ("", figure.condition)]
        self.used.update((figure.id, figure) for figure in found)
        return found

    def figure(self, model: str, parameter: str, about: str = "", condition: str = "") -> Parameter:
        """Return the one figure that fits.

        Raises:
            InputError: there is none, or more than one.
        """
        found = self.every(model, parameter, about, condition)
        if len(found) != 1:
            what = " ".join(part for part in (model, parameter, about, condition) if part)
            raise InputError(f"{what}: {'no figure is known' if not found else 'several figures fit'}")
        return found[0]

    def value(self, model: str, parameter: str, about: str = "", condition: str = "") -> float:
        """Return the value of the one figure that fits; see ``figure``."""
        return self.figure(model, parameter, about, condition).value

    def curve(self, model: str, parameter: str, temperature_cel: ArrayLike) -> Array:
        """Return a figure at a temperature, by straight lines between the temperatures for which it is known.

        Args:
            model, parameter: the figure; its conditions read ``at 4 Cel``.
            temperature_cel: in Cel; beyond the ends the figure of the end holds.
        """
        points = sorted((float(match.group(1)), figure.value) for figure in self.every(model, parameter)
                        if (match := _AT.match(figure.condition)))
        if not points:
            raise InputError(f"{model} {parameter}: no figure is known")
        at, values = zip(*points, strict=True)
        found: Array = np.interp(np.asarray(temperature_cel, dtype=np.float64), at, values)
        return found


def read_parameters(connection: sqlite3.Connection) -> Parameters:
    """Read the figures from the database."""
    return Parameters(Parameter(*(row[name] for name in Parameter._fields)) for row in rows(connection, "model_parameters"))
