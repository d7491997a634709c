"""How long a wanted test keeps in the form in which it is measured, as far as facts and the catalogue say."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from kg.database import rows
from kg.plans.specimen import AS_IS, SPUN, WHOLE
from kg.plans.wanted import WantedTest
from kg.questions.common import related

_STATES = {WHOLE: ("unseparated",), SPUN: ("separated",), AS_IS: ("not-applicable", "not-stated", "unseparated")}
_TEMPERATURE = "room"
_HOURS = {"min": 1 / 60, "h": 1.0, "d": 24.0, "wk": 168.0, "mo": 730.0, "a": 8766.0}


class Keeping(NamedTuple):
    """How long it keeps, in hours; None where nothing is recorded."""

    hours: float | None
    said: str
    sources: tuple[tuple[str, str], ...] = ()
    """Source and basis, where a fact says so."""

    @property
    def rank(self) -> float:
        """What comes first: nothing recorded counts as keeping for no time."""
        return -1.0 if self.hours is None else self.hours


def keeping(connection: sqlite3.Connection, test: WantedTest) -> Keeping:
    """Return the shortest limit at room temperature that facts or the catalogue state, else the catalogue's at another temperature.

    Args:
        connection: the database.
        test: a test that fits the specimen.
    """
    materials = related(connection, test.fit.asked)
    found = [(row["limit"] * _HOURS[row["limit_unit"]], row) for analyte in test.analytes
             for row in rows(connection, "stability", analyte=analyte)
             if row["limit"] is not None and row["limit_unit"] in _HOURS and row["temperature"] == _TEMPERATURE
             and row["state"] in _STATES[test.fit.form] and row["material"] in materials]
    local = test.stability_hours if test.stability_temperature == _TEMPERATURE else None
    if found and (local is None or min(hours for hours, _ in found) <= local):
        hours, row = min(found, key=lambda pair: (pair[0], pair[1]["id"]))
        return Keeping(hours, f"keeps {in_words(hours)} at room temperature", ((row["source"], row["basis"]),))
    if test.stability_hours is not None:
        return Keeping(test.stability_hours, f"keeps {in_words(test.stability_hours)} by the catalogue ({test.stability_temperature})")
    return Keeping(None, "how long it keeps is not known")


def in_words(hours: float) -> str:
    """Return a time as people say it: minutes below an hour, days from two days on.

    >>> in_words(0.25), in_words(8), in_words(72)
    ('15 min', '8 h', '3 d')
    """
    if hours < 1:
        return f"{hours * 60:.0f} min"
    return f"{hours:.3g} h" if hours < 48 else f"{hours / 24:.3g} d"
