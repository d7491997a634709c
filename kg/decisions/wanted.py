"""The tests wanted of a specimen: from what was typed to analytes, method and what the local catalogue says."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from kg import names
from kg.database import rows

Row = sqlite3.Row


class Wanted(NamedTuple):
    """One test wanted; ``code`` and what follows from it are None for an analyte outside the catalogue."""

    key: str
    label: str
    analytes: tuple[str, ...]
    code: str | None = None
    method: str | None = None
    materials: tuple[str, ...] = ()
    containers: tuple[str, ...] = ()
    requirements: frozenset[str] = frozenset()
    row: Row | None = None
    panel: str = ""


class Unclear(NamedTuple):
    """A test wanted that is not understood, with what may be meant."""

    typed: str
    message: str
    suggestions: tuple[str, ...]


def read_wanted(connection: sqlite3.Connection, texts: Sequence[str]) -> tuple[list[Wanted], list[Unclear], list[str]]:
    """Resolve the tests that were typed; a panel stands for its tests.

    Returns:
        the tests, each once and in the order typed; those not understood; how names were understood.
    """
    found: list[tuple[names.Name, str]] = []
    unclear: list[Unclear] = []
    understood: list[str] = []
    codes = json.dumps(list({text.strip().upper() for text in texts}))
    by_code = {row["code"]: row for row in rows(connection, "decision_tests", tests=codes)}
    for text in texts:
        row = by_code.get(text.strip().upper())
        if row is not None and row["kind"] == "test":
            found.append((names.Name(row["code"], "Test", row["name"], text, "code"), ""))
            continue
        try:
            name = names.resolve(connection, text, names.MEASURED, tests=True)
        except names.UnknownName as error:
            unclear.append(Unclear(text, str(error), tuple(error.suggestions)))
            continue
        except names.AmbiguousName as error:
            unclear.append(Unclear(text, str(error), tuple(choice.id for choice in error.choices)))
            continue
        if name.said and name.how != "code":
            understood.append(name.said)
        found += _members(connection, name)
    others = [name.id for name, _ in found if name.kind == "Test" and name.id not in by_code]
    catalogue = by_code | ({row["code"]: row for row in rows(connection, "decision_tests", tests=json.dumps(others))} if others else {})
    wanted: dict[str, Wanted] = {}
    for name, panel in found:
        made = _test(catalogue[name.id], panel) if name.kind == "Test" else _analyte(name)
        wanted.setdefault(made.key, made)
    return list(wanted.values()), unclear, understood


def _members(connection: sqlite3.Connection, name: names.Name) -> list[tuple[names.Name, str]]:
    """Return the tests of a panel, panels in it followed; the name itself when it is none."""
    if name.kind == "AnalyteGroup":
        members = connection.execute("SELECT c.id, c.kind, c.label FROM closure x JOIN concept c ON c.id = x.narrower "
                                     "WHERE x.broader = ? AND c.kind = 'Analyte' ORDER BY c.label", (name.id,))
        return [(names.Name(row["id"], row["kind"], row["label"], name.typed, "label"), name.label) for row in members]
    if name.kind != "Test":
        return [(name, "")]
    parts = connection.execute("SELECT t.code, t.name, t.kind FROM test_member m JOIN test t ON t.code = m.member WHERE m.panel = ? "
                               "ORDER BY m.position", (name.id,)).fetchall()
    if not parts:
        return [(name, "")]
    inner = [_members(connection, names.Name(part["code"], "Test", part["name"], name.typed, "label")) for part in parts]
    return [(member, name.label) for listed in inner for member, _ in listed]


def _test(row: Row, panel: str) -> Wanted:
    def part(column: str) -> tuple[str, ...]:
        return tuple(row[column].split(";")) if row[column] else ()

    return Wanted(row["code"], row["name"], part("analytes"), row["code"], row["method"], part("materials"), part("containers"),
                  frozenset(part("requirements")), row, panel)


def _analyte(name: names.Name) -> Wanted:
    return Wanted(name.id, name.label, (name.id,))


def one_each(tests: Sequence[Wanted]) -> list[str]:
    """Return the analytes of tests, each once."""
    return list(dict.fromkeys(analyte for test in tests for analyte in test.analytes))
