"""What is to be explained: results understood, in one unit each."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable
from typing import Any, NamedTuple

from kg.explain.naming import NotOneAnalyte, analyte_of
from kg.explain.quantity import (
    CONVENTIONAL,
    SELDOM,
    WORKING,
    Choice,
    Quantity,
    choose,
    in_unit,
    limits,
    number_of,
    one_of,
    possible,
    quantity_of,
    role_of,
    spelt,
    without_unit,
)
from kg.explain.specimen import read_specimen
from kg.forms import FormError
from kg.names import AmbiguousName, UnknownName
from kg.problem import TubeloreError
from kg.units import readings

_INDICES = {"haemolysis-index": "haemolysis", "icteric-index": "icterus", "lipaemic-index": "lipaemia"}


class Result(NamedTuple):
    """One measured value in the unit in which the project reckons for its analyte."""

    analyte: str
    label: str
    value: float
    unit: str
    """UCUM: that of ``population.csv`` for the analyte where it has a row, else that of ``analytes.csv``."""
    comparator: str
    """Empty, ``<`` or ``>``: a result beyond what can be measured."""
    typed: str
    """As it was given, e.g. ``K=9.8`` or ``potassium 9.8 mmol/L``."""


class Earlier(NamedTuple):
    """The results of one earlier specimen of the same patient."""

    hours_before: float
    results: tuple[Result, ...]


class Panel(NamedTuple):
    """All that is known of the specimen and its results."""

    results: tuple[Result, ...]
    earlier: tuple[Earlier, ...] = ()
    """The latest first."""
    indices: dict[str, Result] = {}
    """``haemolysis`` in g/L of free haemoglobin, ``icterus``, ``lipaemia``; they are not among the results."""
    material: str = ""
    """Concept id of the specimen material; empty when not stated."""
    age_group: str = ""
    tubes_drawn: tuple[str, ...] = ()
    """Ids of additives in the order drawn."""
    infusions: tuple[str, ...] = ()
    """Ids of fluids running when the specimen was drawn."""
    hours_since_collection: float | None = None
    temperature_cel: float | None = None
    haematocrit: float | None = None
    """As a share, 0 to 1: stated as a fact, or measured."""
    facts: dict[str, Any] = {}
    """Other facts as given; haematocrit, platelets and leukocytes in their working units."""
    said: tuple[str, ...] = ()
    """How names and units were understood."""
    unread: tuple[str, ...] = ()
    """Results that were left out, each with its reason."""


class _Entry(NamedTuple):
    """A result as it was given, its name understood."""

    field: str
    """Its place in the form, ``results[2]``."""
    given: dict[str, Any]
    quantity: Quantity
    mass_of: str
    hours_before: float | None

    @property
    def shown(self) -> str:
        return shown(self.given)

    def place(self, part: str) -> str:
        """Return what to call it in a message: as it was typed, else its field."""
        return str(self.given.get("typed") or f"{self.field}.{part}")


class _Notes(NamedTuple):
    partial: bool
    said: list[str]
    unread: list[str]

    def leave_out(self, what: str, error: TubeloreError) -> None:
        """Note a result as left out, or refuse the form when it must be read in whole."""
        if not self.partial:
            raise error
        self.unread.append(str(error) if str(error).startswith(what) else f"{what}: {error}")


def shown(given: dict[str, Any]) -> str:
    """Return a result of a form as it was typed, or as it would be."""
    if given.get("typed"):
        return str(given["typed"])
    number = number_of(given["value"])
    figure = str(given["value"])[:20] if number is None else f"{number:g}"
    return " ".join(part for part in (given["analyte"], given.get("comparator", ""), figure, given.get("unit", "")) if part)


def read_panel(connection: sqlite3.Connection, form: dict[str, Any]) -> Panel:
    """Return the panel that a form means.

    Analytes that are not known are listed as unread. With ``partial`` in the form, whatever else cannot
    be read is listed too; otherwise the form is refused.

    Args:
        connection: the database.
        form: fits ``queries/schemas/explain-input.json``.

    Raises:
        FormError: a value is impossible, contradicts another or has no clear unit; the message names the
            field, or the word as it was typed.
        AmbiguousName: a name stands for several things.
    """
    notes = _Notes(bool(form.get("partial")), [], list(form.get("unread", ())))
    specimen = read_specimen(connection, form)
    entries = [*_entries(connection, "results", form["results"], notes),
               *_entries(connection, "previous", form.get("previous", ()), notes),
               *_entries(connection, "indices", _listed_indices(form), notes)]
    settled = _settled(entries, form.get("units", ""))
    by_time: dict[float | None, list[tuple[_Entry, Result]]] = {}
    for entry in entries:
        try:
            result = _result(entry, settled, bool(form.get("units")), notes.said)
        except FormError as error:
            notes.leave_out(entry.shown, error)
        else:
            by_time.setdefault(entry.hours_before, []).append((entry, result))
    found = {hours: _once(pairs, notes) for hours, pairs in by_time.items()}
    now = found.pop(None, ())
    results = tuple(result for result in now if result.analyte not in _INDICES)
    if not results:
        raise FormError(f"none of the results can be used: {'; '.join(notes.unread) or 'there are none'}")
    earlier = tuple(Earlier(hours, results) for hours, results in sorted(found.items(), key=lambda pair: pair[0] or 0.0)
                    if hours is not None)
    facts = dict(specimen.facts)
    return Panel(results, earlier, {_INDICES[r.analyte]: r for r in now if r.analyte in _INDICES}, specimen.material,
                 specimen.age_group, specimen.tubes_drawn, specimen.infusions, specimen.hours_since_collection,
                 specimen.temperature_cel, _haematocrit(results, facts.pop("haematocrit", None)), facts,
                 tuple(dict.fromkeys([*specimen.said, *_grouped(notes.said)])), tuple(notes.unread))


def _listed_indices(form: dict[str, Any]) -> list[dict[str, Any]]:
    return [{"analyte": name, **given} for name, given in form.get("indices", {}).items()]


def _entries(connection: sqlite3.Connection, part: str, given: Iterable[dict[str, Any]], notes: _Notes) -> list[_Entry]:
    """Return the results of one part of a form whose names are understood; the others are noted as unread."""
    entries = []
    for place, one in enumerate(given):
        field = f"{part}.{one['analyte']}" if part == "indices" else f"{part}[{place}]"
        try:
            analyte = analyte_of(connection, one["analyte"])
            quantity = quantity_of(connection, analyte)
            hours = _hours(field, one) if part == "previous" else None
        except (UnknownName, NotOneAnalyte) as error:
            notes.unread.append(f"{shown(one)}: {error}")
        except (AmbiguousName, FormError) as error:
            notes.leave_out(shown(one), error)
        else:
            if analyte.said:
                notes.said.append(analyte.said)
            entries.append(_Entry(field, one, quantity, analyte.mass_of, hours))
    return entries


def _hours(field: str, given: dict[str, Any]) -> float:
    limit, hours = limits()["hours_before"], number_of(given["hours_before"])
    if hours is None or not limit.low < hours <= limit.high:
        figure = given["hours_before"] if hours is None else f"{hours:g}"
        raise FormError(f"{given.get('typed') or f'{field}.hours_before'}: {figure} h before cannot be; hours_before is the {limit.meaning}")
    return hours


def _settled(entries: list[_Entry], units: str) -> dict[bool, str]:
    """Return which of the usual units a panel speaks for, for activities of enzymes and for the rest.

    What the sender says goes first; else the units given with other results, when they agree.
    """
    if units:
        return {True: units, False: units}
    roles: dict[bool, set[str]] = {True: set(), False: set()}
    for entry in entries:
        if entry.given.get("unit"):
            for unit in readings(entry.given["unit"]):
                role = role_of(entry.quantity, unit)
                if role:
                    roles[SELDOM in entry.quantity.usual].add(role)
    return {kind: next(iter(found)) if len(found) == 1 else "" for kind, found in roles.items()}


def _result(entry: _Entry, settled: dict[bool, str], firm: bool, said: list[str]) -> Result:
    """Return one result in the working unit of its analyte."""
    given, quantity = entry.given, entry.quantity
    value = number_of(given["value"])
    if value is None:
        raise FormError(f"{entry.place('value')}: the value is not a number; leave the result out where there is none")
    comparator = {"<=": "<", ">=": ">"}.get(given.get("comparator", ""), given.get("comparator", ""))
    if given.get("unit"):
        chosen = _in_its_unit(entry, value, comparator)
        if chosen.value != value:
            said.append(f"{entry.shown} is {chosen.value:.4g} {quantity.unit.code}")
    else:
        chosen = _in_some_unit(entry, value, comparator, settled, firm)
        if len(quantity.unit.dimension) or len(quantity.usual) > 1:
            said.append(f"no unit given\0{quantity.label}\0{chosen.unit.code}")
    return Result(quantity.analyte, quantity.label, chosen.value, quantity.unit.code, comparator, entry.shown)


def _in_its_unit(entry: _Entry, value: float, comparator: str) -> Choice:
    given, quantity = entry.given, entry.quantity
    choices = in_unit(quantity, value, given["unit"], entry.mass_of)
    if not choices:
        usual = one_of(unit.code for unit in quantity.usual.values())
        raise FormError(f"{entry.place('unit')}: '{given['unit']}' is not a unit of {quantity.label}; write {usual}")
    if len(choices) > 1:
        meant = one_of(f"{choice.value:.4g} {quantity.unit.code} if that is {choice.mass_of}" for choice in choices)
        raise FormError(f"{entry.place('unit')}: {given['unit']} of what? it is {meant}; write it in {quantity.unit.code}, or by "
                        "the name of what was weighed")
    if not possible(quantity, choices[0].value, comparator):
        raise FormError(f"{entry.place('value')}: {_impossible(quantity, choices[0].value)}; check the figure and its unit")
    return choices[0]


def _in_some_unit(entry: _Entry, value: float, comparator: str, settled: dict[bool, str], firm: bool) -> Choice:
    quantity = entry.quantity
    choices = without_unit(quantity, value, entry.mass_of)
    role = settled[SELDOM in quantity.usual] or (CONVENTIONAL if entry.mass_of else "")
    chosen = choose(quantity, choices, comparator, role, firm)
    if chosen is not None:
        return chosen
    can_be = [choice for choice in choices if possible(quantity, choice.value, comparator)]
    if not can_be:
        raise FormError(f"{entry.place('value')}: {_impossible(quantity, choices[0].value)}")
    name = entry.given["analyte"]
    ways = one_of(spelt(choice.mass_of if choice.mass_of and choice.role != WORKING else name, comparator, value, choice)
                  for choice in sorted(can_be, key=lambda choice: choice.role == WORKING))
    only = f" ({_impossible(quantity, value)})" if len(can_be) == 1 and can_be[0].role != WORKING else ""
    raise FormError(f"{entry.place('unit')}: no unit; write {ways}{only}")


def _impossible(quantity: Quantity, value: float) -> str:
    unit = "" if quantity.unit.code.startswith(("1", "{", "[pH]")) else f" {quantity.unit.code}"
    span = f"{quantity.low or 0:g} to {quantity.high or 1e9:g}{unit}"
    return f"{quantity.label} cannot be {value:g}{unit} in any specimen ({quantity.hint or span})"


def _once(pairs: list[tuple[_Entry, Result]], notes: _Notes) -> tuple[Result, ...]:
    """Return each analyte once; the same value twice is one result, two values are a contradiction."""
    by_analyte: dict[str, list[tuple[_Entry, Result]]] = {}
    for entry, result in pairs:
        by_analyte.setdefault(result.analyte, []).append((entry, result))
    kept = []
    for several in by_analyte.values():
        first = min(several, key=lambda pair: (pair[0].given.get("unit") != pair[1].unit, pair[1].typed))
        other = next((pair for pair in several if not _same(first, pair)), None)
        if other is None:
            kept.append(first[1])
            if len(several) > 1:
                notes.said.append(f"{first[1].label} is given {len(several)} times with the same value and taken once")
        else:
            notes.leave_out(first[1].label, _contradiction(first, other))
    return tuple(kept)


def _same(one: tuple[_Entry, Result], other: tuple[_Entry, Result]) -> bool:
    """Whether two results agree; to within rounding where their units differ."""
    alike = one[0].given.get("unit") == other[0].given.get("unit")
    tolerance = 1e-9 if alike else limits()["same-value"].high
    return one[1].comparator == other[1].comparator and math.isclose(one[1].value, other[1].value, rel_tol=tolerance)


def _contradiction(one: tuple[_Entry, Result], other: tuple[_Entry, Result]) -> FormError:
    hours, result = one[0].hours_before, one[1]
    when = f" {hours:g} h before" if hours is not None else ""
    values = " and ".join(f"{r.comparator}{r.value:g} {r.unit}" for r in (result, other[1]))
    return FormError(f"{result.label} has two values{when}: {one[0].place('value')} and {other[0].place('value')} ({values}); give one")


def _haematocrit(results: tuple[Result, ...], stated: float | None) -> float | None:
    measured = next((r.value for r in results if r.analyte == "haematocrit" and not r.comparator), None)
    if measured is not None and stated is not None and not math.isclose(measured, stated, rel_tol=limits()["same-value"].high):
        raise FormError(f"facts.haematocrit: {stated:g} contradicts the haematocrit of {measured:g} among the results; give one")
    return measured if stated is None else stated


def _grouped(said: list[str]) -> list[str]:
    """Join what was said of missing units into one line."""
    by_unit: dict[str, list[str]] = {}
    others = []
    for line in said:
        _, _, rest = line.partition("no unit given\0")
        if rest:
            label, _, unit = rest.partition("\0")
            by_unit.setdefault(unit, []).append(label)
        else:
            others.append(line)
    read = "; ".join(f"{', '.join(dict.fromkeys(labels))} read in {unit}" for unit, labels in by_unit.items())
    return [*others, f"no unit given: {read}"] if read else others


