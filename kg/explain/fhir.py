"""FHIR R4 and R5: a Bundle of Observations, or one Observation, read as a panel and its earlier results.

Only what a panel needs is read: code, value, comparator, unit, time, status, components. HL7 FHIR R4
(4.0.1) and R5 (5.0.0), Observation and Bundle, https://hl7.org/fhir/R4/observation.html and
https://hl7.org/fhir/R5/observation.html; both releases have these elements in the same places.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any, NamedTuple

from kg import names
from kg.explain.naming import analyte_of
from kg.explain.quantity import limits, number_of
from kg.forms import FormError
from kg.problem import TubeloreError
from kg.wording import fold

_LOINC = "http://loinc.org"
_UCUM = "http://unitsofmeasure.org"
_NOT_RESULTS = ("cancelled", "entered-in-error")
_COMPARATORS = {"": "", "<": "<", "<=": "<", ">": ">", ">=": ">"}
_TEXT_VALUE = re.compile(r"\s*(<=|>=|<|>)?\s*([+-]?\d+(?:\.\d+)?)\s*(\S.*)?")


class _Found(NamedTuple):
    """One value of an observation."""

    where: str
    analyte: str
    known_as: str
    """The analyte's id, so that the same analyte under two codes is one."""
    value: float
    unit: str
    comparator: str
    time: datetime | None
    subject: str

    def given(self) -> dict[str, Any]:
        """Return the value as a result of the form."""
        figure = f"{self.comparator or '='}{self.value:g}{self.unit}"
        return {"analyte": self.analyte, "value": self.value, "unit": self.unit, "comparator": self.comparator,
                "typed": f"{self.where}: {self.analyte}{figure}"[:300]}


class _Skip(TubeloreError):
    """A part of the bundle is no result that can be read; the message says why."""


def form_from_fhir(connection: sqlite3.Connection, resource: dict[str, Any], place: str) -> tuple[dict[str, Any], list[str]]:
    """Return the form that a FHIR bundle gives, and what of it could not be read.

    The newest observations, and those drawn with them, are the panel; all others are earlier results. The
    specimen's type is taken over when its words are a known material.

    Args:
        connection: the database.
        resource: a Bundle or an Observation as parsed JSON.
        place: the name of the file, for messages.

    Returns:
        the form, and what was left out, each with its place in the bundle and the reason.

    Raises:
        FormError: it is another resource, holds no usable observation, or observations of several patients.
    """
    rejects: list[str] = []
    resources = list(_resources(resource, place))
    found: list[_Found] = []
    for where, one in resources:
        if one.get("resourceType") == "Observation":
            found += _values(connection, where, one, rejects)
    others = sorted({str(one.get("resourceType")) for _, one in resources} - {"Observation", "Specimen", "Patient"})
    if others:
        rejects.append(f"{place}: not read: {', '.join(others)}")
    if not found:
        raise FormError(f"{place}: no observation with a number that can be read{'; ' + '; '.join(rejects[:5]) if rejects else ''}")
    subjects = sorted({one.subject for one in found if one.subject})
    if len(subjects) > 1:
        raise FormError(f"{place}: observations of {len(subjects)} patients ({', '.join(subjects[:3])}); send one patient at a time")
    form = _by_time(found, rejects)
    material = _material(connection, [one for _, one in resources])
    return ({**form, "material": material} if material else form), rejects


def _resources(resource: dict[str, Any], place: str) -> Iterator[tuple[str, dict[str, Any]]]:
    kind = resource.get("resourceType")
    if kind == "Observation":
        yield place, resource
        yield from _contained(place, resource)
        return
    if kind != "Bundle":
        raise FormError(f"{place}: resourceType is '{kind}'; send a Bundle of Observations or one Observation")
    entries = resource.get("entry", [])
    if not isinstance(entries, list):
        raise FormError(f"{place}: entry: not a list")
    for number, entry in enumerate(entries):
        inner = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(inner, dict):
            yield f"entry[{number}]", inner
            yield from _contained(f"entry[{number}]", inner)


def _contained(where: str, resource: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    for inner in _dicts(resource.get("contained")):
        if inner.get("resourceType") == "Specimen":
            yield f"{where}.contained", inner


def _dicts(value: Any) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _values(connection: sqlite3.Connection, where: str, observation: dict[str, Any], rejects: list[str]) -> list[_Found]:
    """Return the values of an observation: its own and those of its components."""
    status = observation.get("status")
    if status in _NOT_RESULTS:
        rejects.append(f"{where}: {_words(observation)} left out, its status is {status}")
        return []
    components = _dicts(observation.get("component"))
    parts = [(where, observation)] if _has_value(observation) or not (components or observation.get("hasMember")) else []
    parts += [(f"{where}.component[{number}]", part) for number, part in enumerate(components)]
    found = []
    for place, part in parts:
        try:
            time = _time(place, observation)
            analyte, known_as = _analyte(connection, place, part)
            value, unit, comparator = _quantity(place, part)
        except _Skip as skip:
            rejects.append(str(skip))
        else:
            subject = observation.get("subject")
            patient = str(subject.get("reference", "")) if isinstance(subject, dict) else ""
            found.append(_Found(place, analyte, known_as, value, unit, comparator, time, patient))
    return found


def _has_value(part: dict[str, Any]) -> bool:
    return "dataAbsentReason" in part or any(name.startswith("value") for name in part)


def _analyte(connection: sqlite3.Connection, where: str, part: dict[str, Any]) -> tuple[str, str]:
    """Return the name or code by which the analyte is known, and its id; a LOINC code goes before words."""
    code = part.get("code") if isinstance(part.get("code"), dict) else {}
    codings = _dicts(code.get("coding")) if code else []
    loinc = [str(coding["code"]) for coding in codings if coding.get("system") == _LOINC and coding.get("code")]
    local = [str(coding["code"]) for coding in codings if coding.get("system") != _LOINC and coding.get("code")]
    words = [str(one) for one in (code.get("text") if code else None, *(coding.get("display") for coding in codings)) if one]
    # A LOINC code that is not known may be of another fluid; its words alone would not say so.
    tried = loinc or [*words, *local]
    reasons = []
    for name in tried:
        try:
            return name, analyte_of(connection, name).id
        except TubeloreError as error:
            reasons.append(str(error))
    raise _Skip(f"{where}: {_words(part)}: {reasons[0] if reasons else 'it has no code and no text'}")


def _words(part: dict[str, Any]) -> str:
    code = part.get("code")
    if not isinstance(code, dict):
        return "an observation without code"
    coding = next(iter(_dicts(code.get("coding"))), {})
    return str(code.get("text") or coding.get("display") or coding.get("code") or "an observation without code")


def _quantity(where: str, part: dict[str, Any]) -> tuple[float, str, str]:
    """Return value, unit and comparator of an observation or component."""
    quantity = part.get("valueQuantity")
    if isinstance(quantity, dict) and "value" in quantity:
        value, sign = number_of(quantity["value"]), str(quantity.get("comparator") or "")
        if sign not in _COMPARATORS:
            raise _Skip(f"{where}: {_words(part)}: the comparator '{sign}' is neither < nor >")
        if value is None:
            raise _Skip(f"{where}: {_words(part)}: the value is not a number")
        unit = quantity.get("code") if quantity.get("system") == _UCUM else None
        return value, str(unit or quantity.get("unit") or quantity.get("code") or ""), _COMPARATORS[sign]
    whole = number_of(part.get("valueInteger"))
    if whole is not None:
        return whole, "", ""
    match = _TEXT_VALUE.fullmatch(part["valueString"]) if isinstance(part.get("valueString"), str) else None
    if match:
        return float(match[2]), match[3] or "", _COMPARATORS[match[1] or ""]
    absent = part.get("dataAbsentReason")
    if isinstance(absent, dict):
        coding = next(iter(_dicts(absent.get("coding"))), {})
        reason = absent.get("text") or coding.get("display") or coding.get("code") or "no reason given"
        raise _Skip(f"{where}: {_words(part)}: no value ({reason})")
    raise _Skip(f"{where}: {_words(part)}: no number among its values")


def _time(where: str, observation: dict[str, Any]) -> datetime | None:
    period = observation.get("effectivePeriod")
    text = observation.get("effectiveDateTime") or observation.get("effectiveInstant") or (
        period.get("end") or period.get("start") if isinstance(period, dict) else None)
    if not text:
        return None
    try:
        time = datetime.fromisoformat(str(text))
    except ValueError as error:
        raise _Skip(f"{where}: {_words(observation)}: the time '{text}' is not a full date; write YYYY-MM-DDThh:mm:ss+zz:zz") from error
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def _by_time(found: list[_Found], rejects: list[str]) -> dict[str, Any]:
    """Return the form: the newest observations as results, others with the hours before them."""
    timed = sorted((one for one in found if one.time), key=lambda one: one.time or datetime.min.replace(tzinfo=UTC), reverse=True)
    untimed = [one for one in found if not one.time]
    if not timed:
        return {"results": [one.given() for one in untimed], "partial": True}
    rejects += [f"{one.where}: {one.analyte}: no time, so it cannot be told from which specimen it is" for one in untimed]
    newest = timed[0].time
    results: list[dict[str, Any]] = []
    previous: list[dict[str, Any]] = []
    taken: dict[str, datetime | None] = {}
    for one in timed:
        hours = (newest - one.time).total_seconds() / 3600 if newest and one.time else 0.0
        if hours <= limits()["same-draw"].high and taken.get(one.known_as, one.time) == one.time:
            taken[one.known_as] = one.time
            results.append(one.given())
        else:
            previous.append({**one.given(), "hours_before": round(hours, 6)})
    form: dict[str, Any] = {"results": results, "partial": True}
    return {**form, "previous": previous} if previous else form


def _material(connection: sqlite3.Connection, resources: list[dict[str, Any]]) -> str:
    """Return the one material that the specimens' words name; empty when there is none or several."""
    found = set()
    for one in resources:
        specimens = [one.get("specimen")] if one.get("resourceType") == "Observation" else [one] if one.get("resourceType") == "Specimen" else []
        for specimen in specimens:
            for words in _type_words(specimen):
                material = _known_material(connection, words)
                if material:
                    found.add(material)
                    break
    return found.pop() if len(found) == 1 else ""


def _type_words(specimen: Any) -> list[str]:
    if not isinstance(specimen, dict):
        return []
    kind = specimen.get("type")
    listed = [specimen.get("display")]
    if isinstance(kind, dict):
        listed += [kind.get("text"), *(coding.get("display") for coding in _dicts(kind.get("coding")))]
    return [words for words in listed if isinstance(words, str) and words]


def _known_material(connection: sqlite3.Connection, words: str) -> str:
    found = names.exact(connection, fold(words), ("SpecimenMaterial",))
    return found[0].id if len(found) == 1 else ""
