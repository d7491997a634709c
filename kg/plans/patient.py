"""Whose blood it is: age group, weight, haematocrit, how much blood there is and how much of it may be taken."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Any, NamedTuple

from kg.database import rows
from kg.forms import FormError
from kg.wording import fold, magnitude

Row = sqlite3.Row
_DAYS = {"age_days": 1.0, "age_months": 365.25 / 12, "age_years": 365.25}
WITHIN, BETWEEN, ABOVE, UNKNOWN, NOTICE = "within", "between", "above", "not-known", "notice"


class Patient(NamedTuple):
    """What is known of the patient, and what had to be assumed."""

    group: Row
    """The row of ``patient_groups``."""
    weight_kg: float | None
    haematocrit: float
    haematocrit_known: bool
    taken_ml: float
    """Blood already taken in the last 24 h, mL."""
    assumptions: tuple[str, ...]


class Limit(NamedTuple):
    """A published limit, and how the draw stands to it."""

    id: str
    text: str
    status: str
    """``within``, ``between`` the strictest and the loosest of several guidelines, ``above``, ``notice`` or ``not-known``."""
    counted_ml: float
    """What counts towards it: this draw, with the last 24 h where it runs over more than one draw."""
    allowed_ml: float | None
    strictest_ml: float | None
    research: bool
    sources: tuple[str, ...]
    basis: str


class Waste(NamedTuple):
    """Blood that is drawn off to clear a line."""

    volume_ml: float
    why: str
    sources: tuple[str, ...]
    basis: str
    remark: str
    route: Row
    """The row of ``draw_routes``."""


def read_patient(connection: sqlite3.Connection, form: Mapping[str, Any], values: Mapping[tuple[str, str], Row]) -> Patient:
    """Return the patient of a form.

    Args:
        connection: the database.
        form: the form; weight in kg, age in days, months or years or as an age group, haematocrit as a share.
        values: the figures of ``planning_values``.

    Raises:
        FormError: a figure cannot be meant, or weight and age do not go together.
    """
    weight = _between(form, "weight_kg", values["weight-least", "patient"], values["weight-greatest", "patient"],
                      "give the weight in kilograms (800 g is 0.8)")
    haematocrit = _between(form, "haematocrit", values["haematocrit-least", "patient"], values["haematocrit-greatest", "patient"],
                           "give it as a share (45 % is 0.45)")
    taken = form.get("blood_taken_24h_ml", 0.0)
    if taken < 0:
        raise FormError(f"blood_taken_24h_ml: {taken:g} mL is below 0; give what was drawn in the last 24 h, 0 for nothing")
    groups = rows(connection, "patient_groups")
    group, assumed = _group(groups, form, weight)
    assumptions = [assumed] if assumed else []
    if haematocrit is None:
        assumptions.append(f"The haematocrit is not stated; {group['haematocrit']:g} is taken, as is usual for this age ({group['population']}).")
    return Patient(group, weight, haematocrit or float(group["haematocrit"]), haematocrit is not None, float(taken), tuple(assumptions))


def _between(form: Mapping[str, Any], field: str, least: Row, greatest: Row, right: str) -> float | None:
    value = form.get(field)
    if value is None:
        return None
    if not least["value"] <= value <= greatest["value"]:
        unit = "" if least["unit"] == "1" else f" {least['unit']}"
        raise FormError(f"{field}: {value:g}{unit} cannot be meant; it must lie from {least['value']:g} to {greatest['value']:g}{unit}; {right}")
    return float(value)


def _group(groups: list[Row], form: Mapping[str, Any], weight: float | None) -> tuple[Row, str]:
    """Return the age group and, where it had to be assumed, the sentence that says so."""
    stated = [field for field in ("age_group", *_DAYS) if form.get(field) is not None]
    if len(stated) > 1:
        raise FormError(f"{stated[1]}: the age is given as {stated[0]} already; give one of them")
    if not stated:
        return _group_by_weight(groups, weight)
    field = stated[0]
    if field == "age_group":
        fitting = [row for row in groups if fold(form[field]) in (fold(row["id"]), fold(row["population"]))]
        if not fitting:
            raise FormError(f"age_group: '{form[field]}' is not known; give one of {', '.join(row['id'] for row in groups)}")
    else:
        days = form[field] * _DAYS[field]
        if days < 0 or days > 45000:
            raise FormError(f"{field}: {form[field]:g} cannot be meant; give the age since birth")
        fitting = [row for row in groups if (row["age_low"] or 0) <= days < (row["age_high"] or float("inf"))]
    if weight is None:
        return fitting[-1], ""
    of_weight = [row for row in fitting if row["weight_low"] <= weight <= row["weight_high"]]
    if not of_weight:
        row = fitting[-1]
        raise FormError(f"weight_kg: {weight:g} kg does not go with {field} ({row['population']}: {row['weight_low']:g} to {row['weight_high']:g} kg); "
                        "check the unit and the point")
    return of_weight[-1], ""


def _group_by_weight(groups: list[Row], weight: float | None) -> tuple[Row, str]:
    """Return an adult where the weight may be an adult's, else the youngest group with such a weight."""
    adult = groups[-1]
    if weight is None:
        return adult, "Neither age nor weight is stated; the tubes of an adult are taken."
    row = adult if weight >= adult["weight_low"] else next(r for r in groups if r["weight_low"] <= weight <= r["weight_high"])
    return row, f"The age is not stated; by the weight the patient is taken as: {row['population']}."


def blood_volume(connection: sqlite3.Connection, patient: Patient) -> tuple[float, float, list[Row]] | None:
    """Return the least and the greatest published blood volume of a patient in mL, with the facts; nothing without a weight."""
    if patient.weight_kg is None:
        return None
    wanted = patient.group["blood_volumes"].split(";")
    facts = [row for row in rows(connection, "volume_facts") if row["id"] in wanted]
    low = min(row["low"] for row in facts) * patient.weight_kg
    return low, max(row["high"] for row in facts) * patient.weight_kg, facts


def limits(connection: sqlite3.Connection, patient: Patient, draw_ml: float) -> list[Limit]:
    """Return every published limit that holds for the patient, with how a draw stands to it.

    A share is taken of the least published blood volume, which is the cautious reading.

    Args:
        connection: the database.
        patient: the patient.
        draw_ml: blood of this draw with its waste, mL.
    """
    volume = blood_volume(connection, patient)
    care = (patient.group["limits"] or "").split(";")
    research = (patient.group["research_limits"] or "").split(";")
    by_id = {row["id"]: row for row in rows(connection, "volume_facts")}
    found = []
    for fact in [*care, *research]:
        row = by_id.get(fact)
        if row is not None and _of_weight(row, patient.weight_kg):
            found.append(_limit(row, patient, draw_ml, volume[0] if volume else None, fact in research))
    return found


def _of_weight(row: Row, weight: float | None) -> bool:
    """Whether a row of a table by weight is meant; its bounds are whole kilograms."""
    if row["weight_low"] is None and row["weight_high"] is None:
        return True
    if weight is None:
        return False
    high = row["weight_high"]
    return bool((row["weight_low"] or 0) <= weight and (high is None or weight < high + 1))


def _limit(row: Row, patient: Patient, draw_ml: float, blood_ml: float | None, research: bool) -> Limit:
    counted = draw_ml if row["period"] == "one draw" else draw_ml + patient.taken_ml
    allowed, strictest = _in_ml(row["high"], row, patient, blood_ml), _in_ml(row["low"], row, patient, blood_ml)
    status = UNKNOWN
    if allowed is not None:
        status = ABOVE if counted > allowed + 1e-9 else BETWEEN if strictest is not None and counted > strictest + 1e-9 else WITHIN
    elif strictest is not None:
        status = NOTICE if counted > strictest + 1e-9 else WITHIN
    figure = magnitude(row["low"], row["high"], row["unit"])
    text = f"{row['population']}: {figure}{f' in {row_period}' if (row_period := row['period']) else ''}"
    text += f" ({row['condition']})" if row["condition"] else ""
    return Limit(row["id"], text, status, counted, allowed, strictest if row["low"] != row["high"] else None, research, (row["source"],), row["basis"])


def _in_ml(value: float | None, row: Row, patient: Patient, blood_ml: float | None) -> float | None:
    if value is None:
        return None
    if row["unit"] == "%":
        return None if blood_ml is None else value / 100.0 * blood_ml
    if row["unit"] == "mL/kg":
        return None if patient.weight_kg is None else value * patient.weight_kg
    return float(value)


def allowance(found: list[Limit], patient: Patient) -> tuple[float, Limit] | None:
    """Return the blood that may still be drawn now by the strictest limit of care, mL, and that limit; nothing when there is none."""
    binding = [(limit.allowed_ml - (0.0 if _one_draw(limit) else patient.taken_ml), limit) for limit in found
               if not limit.research and limit.allowed_ml is not None]
    return min(binding, key=lambda pair: pair[0]) if binding else None


def _one_draw(limit: Limit) -> bool:
    return " in one draw" in limit.text


def waste(connection: sqlite3.Connection, form: Mapping[str, Any], patient: Patient, values: Mapping[tuple[str, str], Row], citrate: bool) -> Waste:
    """Return the blood that is drawn off and not measured.

    Args:
        connection: the database.
        form: the form, with ``route`` and ``waste_ml``.
        patient: the patient; what clears the line of a child is less than what is published for adults.
        values: the figures of ``planning_values``.
        citrate: whether a citrate tube may be filled.
    """
    route = form.get("route", "venous")
    row = next(r for r in rows(connection, "draw_routes") if r["route"] == route)
    stated, own = form.get("waste_ml"), values.get(("line-waste", patient.group["people"]))
    if stated is not None:
        return Waste(float(stated), "as stated", (), "", "", row)
    if row["waste_ml"] is not None and own is not None:
        return Waste(own["value"], own["condition"], (own["source"],), own["basis"], own["note"] or "", row)
    if citrate and row["citrate_waste_ml"] is not None:
        return Waste(row["citrate_waste_ml"], row["citrate_waste_finding"], (row["citrate_waste_source"],), row["citrate_waste_basis"], row["note"] or "", row)
    if row["waste_ml"] is not None:
        return Waste(row["waste_ml"], row["waste_finding"], (row["waste_source"],), row["waste_basis"], row["note"] or "", row)
    return Waste(0.0, "", (), "", row["note"] or "", row)
