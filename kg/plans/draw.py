"""draw TESTS: the fewest tubes and the least blood that serve all tests, in draw order, against the published limits."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from kg import names
from kg.answer import Answer
from kg.forms import FormError, check_form, read_form
from kg.plans.containers import SPUN, Size, knowledge, stock
from kg.plans.draw_needs import ECONOMIES, Need, Setting
from kg.plans.draw_plan import AUTO, Plan, make_plan
from kg.plans.draw_served import Served, serve
from kg.plans.patient import Patient, Waste, allowance, limits, read_patient, waste
from kg.plans.requests import Refused, Requests, read_requests
from kg.plans.volumes import planning_values
from kg.problem import TubeloreError

_NUMBERS = ("weight_kg", "age_days", "age_months", "age_years", "haematocrit", "blood_taken_24h_ml", "max_blood_ml", "waste_ml")
_WHOLE = ("culture_sets",)


class Draw(NamedTuple):
    """A draw that has been planned, with all that went into it."""

    patient: Patient
    route: str
    guideline: str
    requests: Requests
    served: Served
    problems: tuple[Refused, ...]
    plan: Plan
    setting: Setting
    waste: Waste
    waste_lost_ml: float
    citrate: tuple[Size, ...]
    """Sizes of liquid citrate whose volume the haematocrit changes."""
    most_ml: float | None
    from_vein: Draw | None = None
    """The same from a vein, where a skin puncture cannot serve all and any container may be used."""

    @property
    def needs(self) -> tuple[Need, ...]:
        """What has to be filled."""
        return self.served.needs

    @property
    def unserved(self) -> tuple[Refused, ...]:
        """Tests that cannot be planned."""
        return (*self.requests.refused, *self.served.unserved)

    @property
    def total_ml(self) -> float:
        """All blood that is lost to the patient, mL."""
        return round(self.plan.blood_ml + self.waste_lost_ml, 6)


def from_words(connection: sqlite3.Connection, *, tests: Sequence[str] = (), weight: str | None = None, age: str | None = None,
               haematocrit: str | None = None, route: str | None = None, available: Sequence[str] | None = None, guideline: str | None = None,
               taken: str | None = None, culture_sets: str | None = None, max_blood: str | None = None, waste: str | None = None,
               economy: str | None = None, file: str | None = None) -> Answer:
    """Plan a draw from the words of a command line; what is typed beside a file takes the place of what the file says.

    Args:
        connection: the database.
        tests: tests and panels by code or name, or analytes.
        weight: in kg.
        age: a number with its unit (``3 d``, ``5 months``, ``42 years``), or an age group.
        haematocrit: as a share, or in per cent with the sign (``62%``).
        route: venous, capillary or line.
        available: containers at hand.
        guideline: for the order of draw.
        taken: blood taken in the last 24 h, mL.
        culture_sets: sets of each blood culture.
        max_blood: most blood that may be drawn, mL.
        waste: blood wasted to clear a line, mL.
        economy: how sparing; see ``draw-input.json``.
        file: a JSON file as ``draw-input.json`` says, or ``-`` for standard input.

    Raises:
        FormError: a word cannot be used; nothing can be planned.
    """
    words: dict[str, Any] = {"tests": list(tests) or None, "route": route, "guideline": guideline, "economy": economy,
                             "available": list(available) if available else None,
                             "weight_kg": _number("weight", weight), "haematocrit": _share(haematocrit), "blood_taken_24h_ml": _number("taken", taken),
                             "max_blood_ml": _number("max-blood", max_blood), "waste_ml": _number("waste", waste)}
    sets = _number("culture-sets", culture_sets)
    words["culture_sets"] = None if sets is None else int(sets) if sets == int(sets) else sets
    form = read_form(file, "draw-input") if file else {}
    if age is not None:
        form = {name: value for name, value in form.items() if not name.startswith("age_")}
    form = {**form, **{name: value for name, value in words.items() if value is not None}, **_age(age)}
    if "tests" not in form:
        raise FormError("tests: missing; name the tests that are wanted")
    return draw(connection, form)


def _number(field: str, text: str | None) -> float | None:
    if text is None:
        return None
    try:
        value = float(text.strip().removesuffix("kg").removesuffix("mL").removesuffix("ml"))
    except ValueError as error:
        raise FormError(f"{field}: '{text}' is not a number; write it like 3.2") from error
    if value != value or value in (float("inf"), float("-inf")):
        raise FormError(f"{field}: '{text}' is not a number; write it like 3.2")
    return value


def _share(text: str | None) -> float | None:
    if text is not None and text.strip().endswith("%"):
        value = _number("haematocrit", text.strip()[:-1])
        return None if value is None else value / 100.0
    return _number("haematocrit", text)


_UNITS = {"d": "age_days", "day": "age_days", "days": "age_days", "m": "age_months", "mo": "age_months", "month": "age_months",
          "months": "age_months", "y": "age_years", "a": "age_years", "year": "age_years", "years": "age_years"}


def _age(text: str | None) -> dict[str, Any]:
    """Read an age: a number with its unit, or the name of an age group."""
    if text is None:
        return {}
    figure = text.strip().rstrip("abcdefghijklmnopqrstuvwxyz ")
    unit = text.strip()[len(figure):].strip()
    if not figure or not figure[0].isdigit():
        return {"age_group": text.strip()}
    if unit not in _UNITS:
        raise FormError(f"age: '{text}' has no unit that is known; write it like '3 d', '5 months' or '42 years'")
    return {_UNITS[unit]: _number("age", figure)}


def draw(connection: sqlite3.Connection, form: Mapping[str, Any]) -> Answer:
    """Plan a draw.

    Args:
        connection: the database.
        form: as ``queries/schemas/draw-input.json`` says.

    Returns:
        verdict ``planned``, ``over-limit`` (all is served, but a limit of care is exceeded), ``partial`` (something asked for
        is not in the plan) or ``nothing`` (no test can be drawn).

    Raises:
        FormError: the form does not fit, a figure cannot be meant, or none of the tests is known.
    """
    from kg.plans.draw_answer import answer

    return answer(connection, plan_draw(connection, form))


def plan_draw(connection: sqlite3.Connection, form: Mapping[str, Any]) -> Draw:
    """Plan a draw and return all that went into it; see ``draw``."""
    planned = _plan(connection, form)
    if planned.route != "capillary" or not planned.served.unserved or {"available", "guideline"} & set(form):
        return planned
    return planned._replace(from_vein=_plan(connection, {**form, "route": "venous"}))


def _plan(connection: sqlite3.Connection, form: Mapping[str, Any]) -> Draw:
    checked = check_form(dict(form), "draw-input", "draw")
    values = planning_values(connection)
    most = checked.get("max_blood_ml")
    if most is not None and most <= 0:
        raise FormError(f"max_blood_ml: {most:g} mL leaves nothing to draw; give what may be drawn in mL, or leave it out")
    patient = read_patient(connection, checked, values)
    route = checked.get("route", "venous")
    requests = read_requests(connection, checked["tests"], values, int(values["priority", "test"]["value"]), patient.group["people"])
    if not requests.tests and not requests.refused:
        raise FormError("; ".join(f"{p.field}: {p.why}" for p in requests.problems))
    known = knowledge(connection)
    sizes, unknown = stock(connection, known, patient.group["people"], route, checked.get("available"))
    if not sizes:
        raise FormError("; ".join(f"{p.field}: {p.why}" for p in unknown))
    adjusted = _adjusted(connection, patient, sizes)
    setting = Setting(known, tuple(sizes), values, patient.haematocrit, adjusted)
    sets = checked.get("culture_sets", int(values["culture-sets", "patient"]["value"]))
    served = serve(connection, setting, requests, route, patient.group["people"], sets)
    liquid = {size.container for size in sizes if size.blood_to_additive}
    citrate = any(choice.use == SPUN and choice.container in liquid for need in served.needs for choice in need.choices)
    wasted = waste(connection, checked, patient, values, citrate)
    lost = 0.0 if checked.get("waste_returned") else wasted.volume_ml
    guideline = _guideline(connection, checked["guideline"]) if "guideline" in checked else wasted.route["guideline"]
    start = max(patient.group["economy"], wasted.route["economy"], key=ECONOMIES.index)
    allowed = allowance(limits(connection, patient, lost), patient)
    plan = make_plan(setting, served.needs, checked.get("economy", AUTO), start, None if allowed is None else allowed[0] - lost,
                     None if most is None else most - lost)
    return Draw(patient, route, guideline, requests, served, (*requests.problems, *unknown), plan, setting, wasted, lost,
                tuple(size for size in sizes if size.key in adjusted), most)


def _guideline(connection: sqlite3.Connection, typed: str) -> str:
    try:
        return names.resolve(connection, typed, ("DrawGuideline",)).id
    except TubeloreError as error:
        listed = ", ".join(row["id"] for row in connection.execute("SELECT id FROM guidelines ORDER BY id"))
        raise FormError(f"guideline: {error}; give one of {listed}") from error


def _adjusted(connection: sqlite3.Connection, patient: Patient, sizes: Sequence[Size]) -> dict[str, float]:
    """Return the citrate to leave for each mL of blood, by container and size, when the haematocrit is above the published threshold."""
    threshold = min(row["haematocrit"] for row in connection.execute(
        "SELECT haematocrit FROM citrate_rules WHERE kind = 'rule' AND haematocrit IS NOT NULL"))
    if not patient.haematocrit_known or round(100.0 * patient.haematocrit, 9) <= threshold:
        return {}
    from kg.chemistry.mixing import citrate_for_blood

    left = float(citrate_for_blood(1.0, patient.haematocrit))
    return {size.key: left for size in sizes if size.blood_to_additive == 9.0}
