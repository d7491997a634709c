"""From the tests that are asked for to what each of them needs: panels opened, bare analytes looked up, nothing dropped."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from kg import names
from kg.database import rows
from kg.plans.volumes import TestVolumes, assumed_volumes, volumes_of_test
from kg.problem import TubeloreError
from kg.wording import fold

Row = sqlite3.Row


class Test(NamedTuple):
    """A test that is to be measured, and all that planning has to know of it."""

    code: str
    """The code of the catalogue, or the id of a bare analyte."""
    label: str
    catalogued: bool
    analytes: tuple[str, ...]
    materials: tuple[str, ...]
    containers: tuple[str, ...]
    handling: tuple[str, ...]
    volumes: TestVolumes
    stability_hours: float | None
    stability_temperature: str
    separate_minutes: float | None
    remark: str
    priority: int
    asked_as: str


class Refused(NamedTuple):
    """A test that cannot be planned, and why."""

    name: str
    field: str
    why: str
    sources: tuple[str, ...] = ()


class Requests(NamedTuple):
    """What was asked for."""

    tests: tuple[Test, ...]
    refused: tuple[Refused, ...]
    problems: tuple[Refused, ...]
    """What could not be understood in the form."""
    understood: tuple[str, ...]
    assumptions: tuple[str, ...]
    others: Mapping[str, tuple[Test, ...]]
    """For a test that stands for an analyte, the other tests of the catalogue that measure it alone."""


class _Reader:
    """Gathers what the wishes of a form stand for, each test once with its highest priority."""

    def __init__(self, connection: sqlite3.Connection, values: Mapping[tuple[str, str], Row], people: str) -> None:
        self.connection, self.values, self.people = connection, values, people
        self.tests: dict[str, Test] = {}
        self.refused: list[Refused] = []
        self.problems: list[Refused] = []
        self.understood: list[str] = []
        self.assumptions: list[str] = []
        self.stand_for: list[str] = []
        self.others: dict[str, tuple[Test, ...]] = {}

    def read(self, field: str, typed: str, priority: int) -> None:
        """Take one wish in."""
        try:
            name = self.named(typed)
        except TubeloreError as error:
            self.problems.append(Refused(typed, field, str(error)))
            return
        if name.said and name.how != "code":
            self.understood.append(name.said)
        if name.kind == "Test":
            self.test(name.id, field, priority, name.label)
            if name.how != "code":
                self.by_name(name.id, priority)
        else:
            self.analytes(name, field, priority)

    def by_name(self, code: str, priority: int) -> None:
        """Note the other tests of the analyte when the name of a test is also that of the one thing it measures."""
        alone = self.connection.execute("SELECT a.analyte, c.label, t.name FROM test t JOIN test_analyte a ON a.test = t.code JOIN concept c ON c.id = a.analyte "
                                        "WHERE t.code = ?", (code,)).fetchall()
        if len(alone) == 1 and fold(alone[0]["label"]) == fold(alone[0]["name"]):
            self.note_others(code, [row["code"] for row in self.measuring(alone[0]["analyte"], alone[0]["label"])], priority, alone[0]["label"])

    def measuring(self, analyte: str, label: str) -> list[Row]:
        """Return the active tests that measure an analyte alone, the one of its name first, then those in containers for these people."""
        return self.connection.execute(
            "SELECT t.code, t.name FROM test t JOIN test_analyte a ON a.test = t.code WHERE a.analyte = ? AND t.status = 'active' "
            "AND (SELECT count(*) FROM test_analyte o WHERE o.test = t.code) = 1 ORDER BY lower(t.name) <> lower(?), "
            "NOT EXISTS (SELECT 1 FROM test_container c JOIN container_volumes v ON v.container = c.container "
            "            WHERE c.test = t.code AND instr(';' || v.people || ';', ';' || ? || ';') > 0), length(t.name), t.code",
            (analyte, label, self.people)).fetchall()

    def note_others(self, code: str, codes: Sequence[str], priority: int, asked_as: str) -> None:
        """Keep the other tests of an analyte, in case the first cannot be drawn."""
        found = [rows(self.connection, "test_details", test=other)[0] for other in codes if other != code]
        self.others[code] = tuple(self.made(row, priority, asked_as) for row in found if row["kind"] != "panel")

    def named(self, typed: str) -> names.Name:
        """Return what a wish names: a test by code or by its whole name, else what is measured."""
        found = self.connection.execute("SELECT code, name FROM test WHERE lower(name) = ? AND status = 'active' ORDER BY kind, code",
                                        (typed.strip().lower(),)).fetchall()
        if len(found) == 1 and not names.test_by_code(self.connection, typed):
            return names.Name(found[0]["code"], "Test", found[0]["name"], typed, "label")
        return names.resolve(self.connection, typed, names.MEASURED, tests=True)

    def test(self, code: str, field: str, priority: int, asked_as: str) -> None:
        """Take in a test of the catalogue, or the members of a panel."""
        row = rows(self.connection, "test_details", test=code)[0]
        if row["kind"] == "panel":
            for member in rows(self.connection, "panel_members", panel=code):
                if member["kind"] is None:
                    self.refused.append(Refused(member["code"], field, f"the panel {row['name']} names it, but the catalogue does not hold it"))
                else:
                    self.test(member["code"], field, priority, asked_as)
        elif row["status"] != "active":
            self.refused.append(Refused(f"{row['name']} ({code})", field, f"the catalogue marks it {row['status']}"
                                        + (f": {row['remark']}" if row["remark"] else "")))
        else:
            made = self.made(row, priority, asked_as)
            if made.volumes.assumed:
                self.assumptions.append(f"{row['name']}: the catalogue states no full set of volumes; {_assumed(made.volumes)}.")
            self.keep(made)

    def made(self, row: Row, priority: int, asked_as: str) -> Test:
        """Return a test of the catalogue."""
        return Test(row["code"], row["name"], True, _list(row["analytes"]), _list(row["materials"]), _list(row["containers"]), _list(row["handling"]),
                    volumes_of_test(self.connection, row["code"], self.values), row["stability_hours"], row["stability_temperature"] or "",
                    row["separate_within_minutes"], row["remark"] or "", priority, asked_as)

    def keep(self, test: Test) -> None:
        """Keep a test; the more urgent wish wins when it is wanted twice."""
        known = self.tests.get(test.code)
        if known is None or test.priority < known.priority:
            self.tests[test.code] = test

    def analytes(self, name: names.Name, field: str, priority: int) -> None:
        """Take in an analyte, or each member of a group: by the catalogue's own test for it, else by what suits it."""
        members = [(name.id, name.label)]
        if name.kind == "AnalyteGroup":
            members = [(r["id"], r["label"]) for r in self.connection.execute(
                "SELECT c.id, c.label FROM closure x JOIN concept c ON c.id = x.narrower WHERE x.broader = ? AND c.kind = 'Analyte' ORDER BY c.id",
                (name.id,))]
        for analyte, label in members:
            found = self.measuring(analyte, label)
            if found:
                codes = [row["code"] for row in found]
                self.stand_for.append(f"{label} by {codes[0]}" + (f" (or {', '.join(codes[1:])})" if codes[1:] else ""))
                self.test(codes[0], field, priority, name.label)
                self.note_others(codes[0], codes, priority, name.label)
            else:
                self.bare(analyte, label, priority, name.label)

    def bare(self, analyte: str, label: str, priority: int, asked_as: str) -> None:
        """Take in an analyte that the catalogue does not measure: materials by published suitability, volumes assumed."""
        found = rows(self.connection, "suitability", analyte=analyte)
        fit = [row for row in found if row["usability"] == "suitable"] or [row for row in found if row["usability"] == "limited"]
        best = [row for row in fit if row["preferred"] == "yes"] or fit
        handling = {row["requirement"] for row in rows(self.connection, "handling", analyte=analyte) if row["distance"] == 0}
        volumes = assumed_volumes(self.values, analyte)
        if best:
            self.assumptions.append(f"{label}: no test of the catalogue measures it; {_assumed(volumes)}.")
        self.keep(Test(analyte, label, False, (analyte,), tuple(dict.fromkeys(row["material"] for row in best)), (),
                       tuple(sorted(handling)), volumes, None, "", None, "", priority, asked_as))


def read_requests(connection: sqlite3.Connection, wishes: Sequence[Any], values: Mapping[tuple[str, str], Row],
                  default_priority: int, people: str) -> Requests:
    """Return the tests that a form wants.

    Args:
        connection: the database.
        wishes: the ``tests`` of the form: names, or objects with ``test`` and ``priority`` (1 is the most important).
        values: the figures of ``planning_values``.
        default_priority: the priority of a test for which none is given.
        people: ``adult``, ``child``, ``infant`` or ``newborn``, whose containers come first.
    """
    reader = _Reader(connection, values, people)
    for number, wish in enumerate(wishes):
        typed = wish if isinstance(wish, str) else wish["test"]
        priority = default_priority if isinstance(wish, str) else wish.get("priority", default_priority)
        reader.read(f"tests[{number}]", typed, priority)
    planned_as = [f"Analytes are planned by their tests: {'; '.join(dict.fromkeys(reader.stand_for))}."] if reader.stand_for else []
    return Requests(tuple(reader.tests.values()), tuple(reader.refused), tuple(reader.problems),
                    tuple(dict.fromkeys(reader.understood)), (*planned_as, *dict.fromkeys(reader.assumptions)), reader.others)


def _assumed(volumes: TestVolumes) -> str:
    return f"{volumes.volume_ml:g} mL, at least {volumes.minimum_ml:g} mL, of which {volumes.dead_ml:g} mL dead volume, are assumed"


def _list(cell: str | None) -> tuple[str, ...]:
    return tuple(cell.split(";")) if cell else ()
