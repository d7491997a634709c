"""Simulated laboratories: each with one method for each result and with figures of its own."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from kg.chemistry.parameters import Parameter, Parameters

DYES = ("arsenazo-calcium", "ocpc-calcium", "nm-bapta-calcium")
RECOVERING = "recovering-calcium-method"
CALCIUM = (*DYES, RECOVERING)
MAGNESIUM = ("xylidyl-blue-magnesium", "enzymatic-magnesium")
IRON = ("pdts-iron", "furyl-triazine-iron")
UREA = ("urease-gldh", "urease-end-point")
_VARY = (*CALCIUM, *MAGNESIUM, *IRON, *UREA, "free-zinc-colorimetry", "ifcc-alp", "ld-lactate-to-pyruvate", "glycolysis", "potassium-leak",
         "phosphate-leak", "ld-leak", "ammonia-release")
_VARY_ALONE = {("blood", "haemoglobin-in-cells"), ("blood", "osmotic-cell-water")}
_FIXED = "reference-temperature"
_DECADES = 10.0


class Laboratory(NamedTuple):
    """One laboratory."""

    parameters: Parameters
    """The figures, those of methods and rates drawn between their published ends."""
    calcium: str
    magnesium: str
    iron: str
    urea: str
    direct_electrode: bool


def draw_laboratories(parameters: Parameters, count: int, generator: np.random.Generator) -> tuple[Laboratory, ...]:
    """Return laboratories, each with methods picked with equal chance and figures drawn between their published ends.

    Args:
        parameters: the figures that the explanation uses.
        count: laboratories.
        generator: of random numbers.
    """
    return tuple(_draw_laboratory(parameters, generator) for _ in range(count))


def _draw_laboratory(parameters: Parameters, generator: np.random.Generator) -> Laboratory:
    drawn = {figure.id: _between(figure, generator) for figure in parameters.figures if _varies(figure)}
    calcium, magnesium, iron, urea = (str(generator.choice(among)) for among in (CALCIUM, MAGNESIUM, IRON, UREA))
    return Laboratory(parameters.with_values(**drawn), calcium, magnesium, iron, urea, bool(generator.integers(2)))


def _varies(figure: Parameter) -> bool:
    chosen = figure.model in _VARY or (figure.model, figure.parameter) in _VARY_ALONE
    return chosen and figure.parameter != _FIXED and figure.low is not None and figure.high is not None


def _between(figure: Parameter, generator: np.random.Generator) -> float:
    """Draw a figure between its ends, evenly; on its logarithm where the ends lie more than tenfold apart."""
    assert figure.low is not None and figure.high is not None
    if figure.low > 0 and figure.high / figure.low > _DECADES:
        return float(np.exp(generator.uniform(np.log(figure.low), np.log(figure.high))))
    return float(generator.uniform(figure.low, figure.high))
