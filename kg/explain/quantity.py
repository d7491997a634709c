"""One reported value: its unit, what it can be, and what to ask where that is not clear."""

from __future__ import annotations

import csv
import math
import sqlite3
from collections.abc import Iterable
from functools import cache
from typing import NamedTuple

from kg import paths
from kg.database import rows
from kg.explain.naming import Analyte
from kg.forms import FormError
from kg.units import Conversion, Unit, alike, convert, parse, readings

WORKING, CONVENTIONAL, SELDOM = "si", "conventional", "seldom"
"""The unit in which the project reckons, the conventional one, and the katal where units of activity are usual."""


class Limits(NamedTuple):
    """One line of ``queries/reading.csv``."""

    low: float
    high: float
    unit: str
    meaning: str


class Quantity(NamedTuple):
    """What can be said of the values of an analyte."""

    analyte: str
    label: str
    unit: Unit
    usual: dict[str, Unit]
    """The units it is commonly reported in, by their role."""
    conversions: tuple[Conversion, ...]
    low: float | None
    high: float | None
    hint: str
    centre: float | None
    spread: float | None
    logarithmic: bool


class Choice(NamedTuple):
    """One way to read a value: in this unit it is this much of the working unit."""

    role: str
    unit: Unit
    value: float
    mass_of: str = ""


@cache
def limits() -> dict[str, Limits]:
    """Return the limits and thresholds of ``queries/reading.csv`` by name."""
    with open(paths.resource("queries", "reading.csv"), encoding="utf-8", newline="") as file:
        return {row["name"]: Limits(float(row["low"] or 0), float(row["high"]), row["unit"], row["meaning"])
                for row in csv.DictReader(file)}


def number_of(value: object) -> float | None:
    """Return a number as it can be reckoned with; None for what is none, endless or too great."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def quantity_of(connection: sqlite3.Connection, analyte: Analyte) -> Quantity:
    """Return what the tables say of an analyte's units and values.

    Raises:
        FormError: the analyte is not a number.
    """
    row = rows(connection, "quantity", analyte=analyte.id)[0]
    unit = parse(row["unit"]) if row["unit"] else None
    if unit is None:
        raise FormError(f"{analyte.label} is not reported as a number")
    special = tuple(Conversion(_unit(r["from_unit"]), _unit(r["to_unit"]), r["factor"], r["offset"], r["mass_of"] or "")
                    for r in rows(connection, "unit_conversions", analyte=analyte.id))
    usual = {WORKING: unit}
    conventional = parse(row["conventional_unit"] or "")
    standard = parse(row["si_unit"] or "")
    if conventional is not None and conventional != unit:
        usual[CONVENTIONAL] = conventional
    if standard is not None and standard.code != unit.code and alike(standard, unit):
        usual[SELDOM] = standard
    if row["factor_to_si"] and conventional and standard and not alike(conventional, standard) and not any(
            step.mass_of for step in special):
        special += (Conversion(conventional, standard, row["factor_to_si"]),)
    spread = row["sd"]
    return Quantity(row["id"], row["label"], unit, usual, special, row["low"], row["high"], row["hint"] or "", row["mean"],
                    spread, row["shape"] == "log-normal")


def _unit(code: str) -> Unit:
    found = parse(code)
    if found is None:
        raise FormError(f"the unit {code} of a fact table is not in queries/units.csv")
    return found


def in_unit(quantity: Quantity, value: float, unit: str, mass_of: str = "") -> list[Choice]:
    """Return the ways to read a value with a unit; several only where it is open what was weighed.

    Args:
        quantity: of the analyte.
        value: as given.
        unit: as given, in UCUM or a usual spelling.
        mass_of: what was weighed, when the name says so.

    Returns:
        an empty list when the unit is none of this analyte.
    """
    for read in readings(unit):
        found = _choices(quantity, value, read, mass_of)
        if found:
            return found
    return []


def _choices(quantity: Quantity, value: float, unit: Unit, mass_of: str, role: str = "") -> list[Choice]:
    kinds = dict.fromkeys(step.mass_of for step in quantity.conversions)
    if mass_of in kinds:
        kinds = {mass_of: None}
    found: dict[float, Choice] = {}
    for kind in kinds or {"": None}:
        steps = [step for step in quantity.conversions if step.mass_of == kind]
        read = convert(value, unit, quantity.unit, steps)
        if read is not None and math.isfinite(read):
            tidy = float(f"{read:.12g}")
            found.setdefault(tidy, Choice(role, unit, tidy, kind))
    return list(found.values())


def without_unit(quantity: Quantity, value: float, mass_of: str = "") -> list[Choice]:
    """Return the ways to read a value that came without a unit, the working unit first; equal ones once."""
    found: dict[float, Choice] = {}
    for role, unit in quantity.usual.items():
        for choice in _choices(quantity, value, unit, mass_of, role):
            found.setdefault(choice.value, choice)
    return list(found.values())


def role_of(quantity: Quantity, unit: Unit) -> str:
    """Return which of the usual units of an analyte this is, where that tells how its reporter counts."""
    if len(without_unit(quantity, 1.0)) < 2:
        return ""
    return next((role for role, usual in quantity.usual.items() if usual[1:] == unit[1:]), "")


def possible(quantity: Quantity, value: float, comparator: str = "") -> bool:
    """Whether a specimen can have this value, in the working unit; below the least one only with ``<``."""
    low = quantity.low if quantity.low is not None else 0.0
    if comparator == "<":
        return value > min(low, 0.0) and value <= _top(quantity)
    return low <= value <= _top(quantity)


def _top(quantity: Quantity) -> float:
    return quantity.high if quantity.high is not None else 1e9


def distance(quantity: Quantity, value: float) -> float | None:
    """Return how far a value lies from the centre of the population, in standard deviations.

    The greater of the distances on the plain and the logarithmic scale where the centre is above 0, so
    that a tenth of the usual value counts as far; None where the population is not known.
    """
    centre, spread = quantity.centre, quantity.spread
    if centre is None or spread is None:
        return None
    plain = 0.0 if quantity.logarithmic else abs(value - centre) / spread
    if centre <= 0 or quantity.analyte == "ph":
        return plain
    relative = spread if quantity.logarithmic else math.sqrt(math.log1p((spread / centre) ** 2))
    return max(plain, abs(math.log(max(value, centre * 1e-6) / centre)) / relative)


def choose(quantity: Quantity, choices: list[Choice], comparator: str, settled: str, firm: bool) -> Choice | None:
    """Return the reading of a value without unit that can be taken without asking; None when it must be asked.

    The working unit is taken where the value can be one and no other unit explains it much better; the
    thresholds are in ``queries/reading.csv``.

    Args:
        quantity: of the analyte.
        choices: the ways to read the value.
        comparator: empty, ``<`` or ``>``.
        settled: the role of the unit that the rest of the panel speaks for; empty when it does not.
        firm: whether the sender said so outright.
    """
    role = settled if any(choice.role == settled for choice in choices) else WORKING
    named = [choice for choice in choices if choice.role == role]
    if len(named) != 1 or not possible(quantity, named[0].value, comparator):
        return None
    mine = distance(quantity, named[0].value)
    others = [choice for choice in choices if choice is not named[0] and possible(quantity, choice.value, comparator)]
    if firm or not others:
        return named[0]
    if mine is None:
        return named[0] if settled else None
    near = mine <= limits()["believable"].high
    return named[0] if near or all(_much_worse(quantity, other, mine, bool(settled)) for other in others) else None


def _much_worse(quantity: Quantity, other: Choice, mine: float, settled: bool) -> bool:
    name = "margin-settled" if settled else "margin-seldom" if other.role == SELDOM else "margin"
    return (distance(quantity, other.value) or 0.0) >= mine + limits()[name].high


def spelt(name: str, comparator: str, value: float, choice: Choice) -> str:
    """Return a value as it should be written to be read in one way."""
    code = "" if choice.unit.code == "1" else choice.unit.code
    return f"{name}{comparator or '='}{value:g}{' ' if code[:1].isdigit() else ''}{code}"


def one_of(parts: Iterable[str]) -> str:
    """Join alternatives as a sentence does: ``a, b or c``."""
    listed = list(dict.fromkeys(parts))
    return listed[0] if len(listed) == 1 else f"{', '.join(listed[:-1])} or {listed[-1]}"
