"""What was said of a specimen beside its results: material, tubes drawn, infusions, time, temperature, facts."""

from __future__ import annotations

import re
import sqlite3
from typing import Any, NamedTuple

from kg import names
from kg.explain.naming import Analyte
from kg.explain.quantity import in_unit, limits, number_of, possible, quantity_of
from kg.forms import FormError, schema_of

_COUNTED = {"haematocrit": Analyte("haematocrit", "Haematocrit"), "platelets": Analyte("platelet-count", "Platelet count"),
            "leukocytes": Analyte("wbc-count", "White cell count")}
"""Facts that are quantities, with the analyte that each is."""
_NUMBER = re.compile(r"\s*([+-]?\d+(?:\.\d+)?)\s*(.*)", re.DOTALL)


class Specimen(NamedTuple):
    """What was said of the specimen, names resolved and figures checked."""

    material: str
    age_group: str
    tubes_drawn: tuple[str, ...]
    infusions: tuple[str, ...]
    hours_since_collection: float | None
    temperature_cel: float | None
    facts: dict[str, Any]
    said: tuple[str, ...]


def read_specimen(connection: sqlite3.Connection, form: dict[str, Any]) -> Specimen:
    """Return what a form says of the specimen.

    Args:
        connection: the database.
        form: fits ``queries/schemas/explain-input.json``.

    Raises:
        FormError: a name is not known or a figure is impossible; the message names the field.
    """
    said: list[str] = []
    material = ""
    if form.get("material"):
        found = _resolve(connection, "material", form["material"], ("SpecimenMaterial",))
        material = found.id
        said += [found.said] if found.said else []
    tubes = tuple(_tube(connection, f"tubes_drawn[{place}]", text, said) for place, text in enumerate(form.get("tubes_drawn", ())))
    fluids = [_resolve(connection, f"infusions[{place}]", text, ("Fluid",)) for place, text in enumerate(form.get("infusions", ()))]
    said += [fluid.said for fluid in fluids if fluid.said]
    return Specimen(material, _age_group(form), tubes, tuple(fluid.id for fluid in fluids),
                    _bounded(form, "hours_since_collection"), _bounded(form, "temperature_cel"), _facts(connection, form),
                    tuple(dict.fromkeys(said)))


def _resolve(connection: sqlite3.Connection, field: str, text: str, kinds: tuple[str, ...]) -> names.Name:
    try:
        return names.resolve(connection, text, kinds)
    except (names.UnknownName, names.AmbiguousName) as error:
        raise FormError(f"{field}: {error}") from error


def _tube(connection: sqlite3.Connection, field: str, text: str, said: list[str]) -> str:
    found = _resolve(connection, field, text, ("Additive", "Container", "SpecimenMaterial"))
    said += [found.said] if found.said else []
    if found.kind == "Additive":
        return found.id
    column, table = ("additives", "containers") if found.kind == "Container" else ("additive", "materials")
    held: str | None = connection.execute(f"SELECT {column} FROM {table} WHERE id = ?", (found.id,)).fetchone()[0]
    if not held:
        raise FormError(f"{field}: {found.label} says nothing of an additive; name the tube by its additive")
    return held.split(";")[0]


def _age_group(form: dict[str, Any]) -> str:
    given = str(form.get("age_group", "")).strip().casefold()
    allowed = schema_of("explain-input")["properties"]["age_group"]["enum"] if given else [""]
    if given not in allowed:
        raise FormError(f"age_group: '{form['age_group']}' is not one of {', '.join(word for word in allowed if word)}")
    return given


def _bounded(form: dict[str, Any], field: str) -> float | None:
    value = form.get(field)
    if value is None:
        return None
    limit, number = limits()[field], number_of(value)
    if number is None or not limit.low <= number <= limit.high:
        given = value if number is None else f"{number:g}"
        raise FormError(f"{field}: {given} cannot be; it is the {limit.meaning}, {limit.low:g} to {limit.high:g} {limit.unit}")
    return number


def _facts(connection: sqlite3.Connection, form: dict[str, Any]) -> dict[str, Any]:
    facts = dict(form.get("facts", {}))
    for name, analyte in _COUNTED.items():
        if facts.get(name) is not None:
            facts[name] = _counted(connection, f"facts.{name}", facts[name], analyte)
    return {name: value for name, value in facts.items() if value is not None}


def _counted(connection: sqlite3.Connection, field: str, given: Any, analyte: Analyte) -> float:
    """Return a fact that is a quantity, in the working unit, in which a bare number is taken to be."""
    quantity = quantity_of(connection, analyte)
    value, unit = given, ""
    if isinstance(given, dict):
        value, unit = given.get("value"), given.get("unit") or ""
    elif isinstance(given, str):
        match = _NUMBER.fullmatch(given)
        value, unit = (float(match[1]), match[2].strip()) if match else (None, "")
    number = number_of(value)
    if number is None or not isinstance(unit, str):
        raise FormError(f"{field}: '{str(given)[:40]}' is not a number; write it in {quantity.unit.code}")
    choices = in_unit(quantity, number, unit or quantity.unit.code)
    if not choices:
        raise FormError(f"{field}: '{unit}' is not a unit of {analyte.label}; write it in {quantity.unit.code}")
    if not possible(quantity, choices[0].value):
        hint = f": {quantity.hint}" if quantity.hint else f" ({quantity.low:g} to {quantity.high:g} {quantity.unit.code})"
        raise FormError(f"{field}: {number:g}{f' {unit}' if unit else ''} cannot be{hint}")
    return choices[0].value
