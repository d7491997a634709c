"""Times and temperatures of a specimen: how long it stood on the cells and off them, and how warm."""

from __future__ import annotations

import sqlite3
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from kg.database import rows
from kg.forms import FormError

_SLACK = 0.02
"""Hours by which segments may add up to more than the time that has passed; a minute is lost in rounding."""


class Clock(NamedTuple):
    """Hours since collection, and how they were spent, by temperature.

    What was told is a lower bound: ``missing`` names the field that would make it complete, and
    ``missing_split`` the one that would say how much of it was on the cells. None where nothing was said.
    """

    elapsed: float | None
    whole: dict[str, float]
    """Hours by temperature, on the cells or off them."""
    on_cells: dict[str, float]
    off_cells: dict[str, float]
    separated: bool | None
    """Whether serum or plasma is off the cells now."""
    temperature: str | None
    """Where it is now."""
    clotting_hours: float | None
    now: datetime | None
    missing: str | None
    missing_split: str | None


def read_clock(connection: sqlite3.Connection, form: dict[str, Any], where: str, *, gel: bool, off_cells: bool, cells: bool) -> Clock:
    """Read the times and temperatures of a form.

    Args:
        connection: the database, for the names of temperatures.
        form: the form.
        where: what to call the form in messages.
        gel: whether the container has a gel, so that spinning separates.
        off_cells: whether the material that was named is off the cells.
        cells: whether it is blood or comes from blood; other specimens are not separated.

    Raises:
        FormError: times are out of order or in the future, or the segments do not fit into the time that passed.
    """
    elapsed, now = _elapsed(form, where)
    spun_after = _hours_to(form, "centrifuged", elapsed, where)
    separated = _separated(form, gel, off_cells, spun_after) if cells else False
    segments = _segments(connection, form, where)
    if segments is not None:
        return _of_segments(segments, elapsed, spun_after, separated if cells else None, now, where)
    temperature = _name_of(connection, form["temperature"], "temperature", where) if "temperature" in form else None
    if elapsed is None or temperature is None:
        return Clock(elapsed, {}, {}, {}, separated, temperature, spun_after, now, "collected_at" if elapsed is None else "temperature", None)
    on, off = _split(elapsed, spun_after, separated)
    missing_split = None if on is not None else "centrifuged" if separated is None and spun_after is None else "centrifuged_at"
    return Clock(elapsed, {temperature: elapsed}, {temperature: on} if on is not None else {}, {temperature: off} if off else {}, separated,
                 temperature, spun_after, now, None, missing_split)


def _moment(form: dict[str, Any], field: str, where: str) -> datetime | None:
    if field not in form:
        return None
    try:
        return datetime.fromisoformat(form[field])
    except ValueError as error:
        raise FormError(f"{where}: {field}: '{form[field]}' is not a date and time; write 2026-03-01T08:30") from error


def _elapsed(form: dict[str, Any], where: str) -> tuple[float | None, datetime | None]:
    """Return the hours since collection and the present moment, after checking the order of all moments."""
    moments = {field: moment for field in ("collected_at", "centrifuged_at", "received_at", "now") if (moment := _moment(form, field, where))}
    if len({moment.tzinfo is None for moment in moments.values()}) > 1:
        raise FormError(f"{where}: {', '.join(moments)}: some of these have a time zone and some have none; write all alike")
    collected, now = moments.get("collected_at"), moments.get("now")
    if collected is not None and now is None and "hours_since_collection" not in form:
        now = datetime.now(collected.tzinfo)
        moments["now"] = now
    for earlier, later in (("collected_at", "centrifuged_at"), ("collected_at", "received_at"), ("collected_at", "now"),
                           ("centrifuged_at", "now"), ("received_at", "now")):
        if earlier in moments and later in moments and moments[earlier] > moments[later]:
            what = "lies in the future" if later == "now" else f"is after {later}"
            raise FormError(f"{where}: {earlier}: {form.get(earlier)} {what} ({later} is {moments[later].isoformat(timespec='minutes')}); check both")
    said = form.get("hours_since_collection")
    if collected is None or now is None:
        return (None if said is None else float(said)), now
    elapsed = (now - collected) / timedelta(hours=1)
    if said is not None and abs(elapsed - said) > _SLACK:
        raise FormError(f"{where}: hours_since_collection: {said:g} h, but collected_at and now are {elapsed:g} h apart; give one of the two")
    return elapsed, now


def _hours_to(form: dict[str, Any], what: str, elapsed: float | None, where: str) -> float | None:
    """Return the hours from collection to the spin, however they were given."""
    field, moment_field = f"{what}_after_hours", f"{what}_at"
    if form.get(what) is False and (field in form or moment_field in form):
        raise FormError(f"{where}: {what}: said not to be so, but a time is given for it; leave one of them out")
    hours = form.get(field)
    if hours is None and moment_field in form and "collected_at" in form:
        moment, collected = _moment(form, moment_field, where), _moment(form, "collected_at", where)
        assert moment is not None and collected is not None
        hours = (moment - collected) / timedelta(hours=1)
    if hours is not None and elapsed is not None and hours > elapsed + _SLACK:
        raise FormError(f"{where}: {field}: {hours:g} h is later than the {elapsed:g} h that have passed since collection")
    return None if hours is None else float(hours)


def _separated(form: dict[str, Any], gel: bool, off_cells: bool, spun_after: float | None) -> bool | None:
    if "separated" in form:
        return bool(form["separated"])
    spun = form.get("centrifuged")
    if spun is False:
        return False
    if off_cells or (gel and (spun or spun_after is not None)):
        return True
    return None


def _split(elapsed: float | None, spun_after: float | None, separated: bool | None) -> tuple[float | None, float | None]:
    """Return the hours on and off the cells; None where what was said leaves it open."""
    if elapsed is None:
        return None, None
    if separated is False:
        return elapsed, 0.0
    if separated and spun_after is not None:
        return spun_after, elapsed - spun_after
    return None, None


def _name_of(connection: sqlite3.Connection, value: str | float, field: str, where: str) -> str:
    """Return the name of a temperature that was given as a name or in degrees Celsius."""
    if isinstance(value, str):
        return value
    for row in rows(connection, "storage_temperatures"):
        if row["low"] <= value < row["high"]:
            return str(row["temperature"])
    raise FormError(f"{where}: {field}: {value:g} Cel is no temperature at which specimens are kept")


def _segments(connection: sqlite3.Connection, form: dict[str, Any], where: str) -> list[tuple[str, str, float]] | None:
    if "storage" not in form:
        return None
    if "temperature" in form:
        raise FormError(f"{where}: temperature: storage tells the temperatures already; leave one of them out")
    segments = [(part["state"], _name_of(connection, part["temperature"], f"storage[{i}].temperature", where), float(part["hours"]))
                for i, part in enumerate(form["storage"])]
    states = [state for state, _, _ in segments]
    if "off-cells" in states and "on-cells" in states[states.index("off-cells"):]:
        raise FormError(f"{where}: storage: a specimen that is off the cells does not go back on them; put the parts in order of time")
    return segments


def _of_segments(segments: list[tuple[str, str, float]], elapsed: float | None, spun_after: float | None, separated: bool | None,
                 now: datetime | None, where: str) -> Clock:
    """Return the clock of a specimen whose storage was told part by part."""
    spent: dict[str, dict[str, float]] = {"on-cells": {}, "off-cells": {}}
    for state, temperature, hours in segments:
        spent[state][temperature] = spent[state].get(temperature, 0.0) + hours
    on, off = (sum(spent[state].values()) for state in ("on-cells", "off-cells"))
    total = on + off
    if elapsed is not None and total > elapsed + _SLACK:
        raise FormError(f"{where}: storage: its parts add up to {total:g} h, but {elapsed:g} h have passed since collection")
    if separated is False and off:
        raise FormError(f"{where}: storage: {off:g} h off the cells, but the specimen is said not to be separated")
    if spun_after is not None and on > spun_after + _SLACK and separated is not False:
        raise FormError(f"{where}: storage: {on:g} h on the cells, but it was spun after {spun_after:g} h")
    gap = elapsed is not None and total < elapsed - _SLACK
    whole = {kept: spent["on-cells"].get(kept, 0.0) + spent["off-cells"].get(kept, 0.0) for kept in [*spent["on-cells"], *spent["off-cells"]]}
    return Clock(total if elapsed is None else elapsed, whole, spent["on-cells"], spent["off-cells"], off > 0 or separated is True,
                 segments[-1][1], spun_after, now, "storage" if gap else None, None)
