"""Input of the arithmetic: every quantity is checked before it is used, and a message names it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kg.problem import TubeloreError

Array = NDArray[np.float64]

COLDEST, HOTTEST = -2.0, 45.0
"""Cel; below it blood freezes, above it red cells break: no rate law of this project reaches further."""


class InputError(TubeloreError, ValueError):
    """A quantity that cannot be; the message names the field."""


def within(name: str, value: ArrayLike, low: float = 0.0, high: float = np.inf, *, below_high: bool = False) -> Array:
    """Return a quantity as an array of floats.

    Args:
        name: the field, as a message is to name it.
        value: one number or an array of them.
        low: the least that is allowed.
        high: the most that is allowed.
        below_high: whether ``high`` itself is too much.

    Raises:
        InputError: it is not a number, or lies outside.
    """
    try:
        found = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name}: a number is needed, not {value!r}") from error
    good = (found >= low) & ((found < high) if below_high else (found <= high)) & np.isfinite(found)
    if not np.all(good):
        bad = float(found[~good].flat[0]) if found.ndim else float(found)
        if np.isinf(high):
            raise InputError(f"{name}: must be a number of at least {low:g}, not {bad:g}")
        raise InputError(f"{name}: must lie between {low:g} and {high:g}{' (less than it)' if below_high else ''}, not {bad:g}")
    return found


def fraction(name: str, value: ArrayLike) -> Array:
    """Return a share between 0 and 1, both allowed."""
    return within(name, value, 0.0, 1.0)


def haematocrit(value: ArrayLike, name: str = "haematocrit") -> Array:
    """Return a haematocrit as a share of the blood volume; blood without plasma is refused, and so is a percentage."""
    return within(name, value, 0.0, 1.0, below_high=True)


def celsius(value: ArrayLike) -> Array:
    """Return a temperature at which whole blood stays blood."""
    return within("temperature_cel", value, COLDEST, HOTTEST)
