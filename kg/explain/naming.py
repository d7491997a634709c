"""What the names on a panel of results mean: analytes, LOINC codes, tests of the local catalogue."""

from __future__ import annotations

import csv
import sqlite3
from functools import cache
from typing import NamedTuple

from kg import names, paths
from kg.database import rows
from kg.problem import TubeloreError
from kg.wording import fold


class NotOneAnalyte(TubeloreError):
    """The name stands for something else than one analyte."""


class Analyte(NamedTuple):
    """An analyte that was meant, and how that was recognised."""

    id: str
    label: str
    mass_of: str = ""
    """What is weighed, where the name says so: urea or its nitrogen."""
    said: str = ""
    """How the name was understood; empty when it was typed as it is."""


class _Short(NamedTuple):
    analytes: tuple[str, ...]
    mass_of: str


@cache
def _short_names() -> dict[str, _Short]:
    with open(paths.resource("queries", "panel_names.csv"), encoding="utf-8", newline="") as file:
        return {row["name"].casefold(): _Short(tuple(row["analyte"].split(";")), row["mass_of"])
                for row in csv.DictReader(file)}


def analyte_of(connection: sqlite3.Connection, text: str) -> Analyte:
    """Return the analyte that a name on a panel means.

    What everyday short names mean on a panel is in ``queries/panel_names.csv`` and goes first; then come
    names of the knowledge base, codes of LOINC and of the catalogue, and at last likely slips of spelling.

    Args:
        connection: the database.
        text: the name or code as it was given.

    Raises:
        UnknownName, AmbiguousName: nothing or several things have the name.
        NotOneAnalyte: it is a group, or a test that reports several analytes.
    """
    typed = text.strip()
    short = _short_names().get(typed.casefold())
    if short:
        return _by_short_name(connection, typed, short)
    for variant in names.variants(fold(typed)):
        found = names.exact(connection, variant, ("Analyte",), typed)
        if found:
            chosen = names.choose(connection, typed, found, ("Analyte",))
            return Analyte(chosen.id, chosen.label, "", chosen.said)
    found_name = names.test_by_code(connection, typed) or names.resolve(connection, typed, names.MEASURED, tests=True)
    if found_name.kind == "AnalyteGroup":
        raise NotOneAnalyte(f"'{typed}' is a group of analytes; name the one that was measured")
    if found_name.kind == "Test":
        return _of_test(connection, found_name)
    return Analyte(found_name.id, found_name.label, "", found_name.said)


def _by_short_name(connection: sqlite3.Connection, typed: str, short: _Short) -> Analyte:
    marks = ",".join("?" * len(short.analytes))
    found = connection.execute(f"SELECT id, label FROM concept WHERE id IN ({marks}) ORDER BY id", short.analytes).fetchall()
    if len(found) > 1:
        raise names.AmbiguousName(typed, [names.Name(r["id"], "Analyte", r["label"], typed, "synonym") for r in found])
    label = found[0]["label"]
    said = "" if typed.casefold() == label.casefold() else f"'{typed}' as {label}"
    return Analyte(found[0]["id"], label, short.mass_of, said)


def _of_test(connection: sqlite3.Connection, test: names.Name) -> Analyte:
    measured = rows(connection, "analytes_of_test", test=test.id)
    if len(measured) != 1:
        raise NotOneAnalyte(f"'{test.typed}' is {test.label}, which reports {len(measured)} analytes; name the one that was measured")
    return Analyte(measured[0]["id"], measured[0]["label"], "", f"'{test.typed}' as {measured[0]['label']}")
