"""The tests that are wanted of one specimen: named, taken apart, and with what the plan needs to know of each."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence, Set
from fractions import Fraction
from typing import NamedTuple

from kg import names
from kg.database import rows
from kg.plans.specimen import AS_IS, FLUID, SEPARATED, SPUN, WHOLE, WHOLE_FAMILY, Fit, Specimen, fit, judge
from kg.plans.volumes import Row, TestVolumes, assumed_volumes, planning_values, volumes_of_test
from kg.questions.common import broader
from kg.wording import fold

_WHOLE_TESTS = "whole-blood-tests"


class Bench(NamedTuple):
    """Where tests are measured, and whether they run from one cup."""

    id: str
    own_cup: bool
    row: Row | None
    """The rule that says so; None for a department that no rule knows."""


class WantedTest(NamedTuple):
    """One test that is wanted."""

    code: str
    name: str
    asked_as: tuple[str, ...]
    """What was asked for that it belongs to, as typed: itself or panels."""
    asked_labels: tuple[str, ...]
    """The same by name."""
    weight: Fraction
    analytes: tuple[str, ...]
    handling: tuple[str, ...]
    department: str
    bench: Bench
    volumes: TestVolumes
    stability_hours: float | None
    stability_temperature: str
    run: str
    """Word for the measurement that gives it together with others; empty when it has one of its own."""
    run_row: Row | None
    fit: Fit
    in_catalogue: bool
    priority_row: Row | None = None
    """The usual priority that was taken where none was stated."""



class Wanted(NamedTuple):
    """What is wanted, and what could not be read of it."""

    tests: tuple[WantedTest, ...]
    not_understood: tuple[tuple[str, str], ...]
    """What was typed, and why it is not understood."""
    duplicates: tuple[str, ...]
    understood: tuple[str, ...]
    not_in_catalogue: tuple[str, ...]


def wanted_tests(connection: sqlite3.Connection, specimen: Specimen, items: Sequence[tuple[str, Fraction]]) -> Wanted:
    """Return the tests that items name: a test by itself, a panel as its members, an analyte as the test that fits.

    The priority of a panel is shared equally by its members; a test wanted in several ways keeps the
    greatest. Unknown names are listed, not raised.

    Args:
        connection: the database.
        specimen: what is there.
        items: what is wanted as typed, each with its priority.
    """
    found: dict[str, WantedTest] = {}
    failed: list[tuple[str, str]] = []
    twice: list[str] = []
    understood: list[str] = []
    benches, runs, values = _benches(connection), rows(connection, "single_runs"), planning_values(connection)
    seen: set[str] = set()
    for typed, weight in items:
        try:
            name = names.resolve(connection, typed, names.MEASURED, tests=True)
        except (names.UnknownName, names.AmbiguousName) as error:
            failed.append((typed, str(error)))
            continue
        if name.id in seen:
            twice.append(typed)
        seen.add(name.id)
        codes = _codes(connection, specimen, name)
        if name.said:
            understood.append(name.said)
        for code in codes:
            test = _test(connection, specimen, code, benches, runs, values)
            share = weight / len(codes)
            before = found.get(code)
            if before:
                test = before._replace(weight=max(before.weight, share), asked_as=tuple(dict.fromkeys((*before.asked_as, typed))),
                                       asked_labels=tuple(dict.fromkeys((*before.asked_labels, name.label))))
            else:
                test = test._replace(weight=share, asked_as=(typed,), asked_labels=(name.label,))
            found[code] = test
    outside = tuple(test.name for test in found.values() if not test.in_catalogue)
    return Wanted(tuple(found.values()), tuple(failed), tuple(dict.fromkeys(twice)), tuple(understood), outside)


def with_usual_priorities(connection: sqlite3.Connection, specimen: Specimen, wanted: Wanted, stated: Set[str]) -> Wanted:
    """Give each test for which nobody states a priority the one that is usual in a scanty specimen of this kind.

    Args:
        connection: the database.
        specimen: what is there.
        wanted: what is wanted.
        stated: what was asked for with a priority, as typed.
    """
    tests = []
    for test in wanted.tests:
        found = [] if set(test.asked_as) & stated else [row for analyte in test.analytes
                                                        for row in rows(connection, "usual_priority", analyte=analyte, material=specimen.material)]
        best = max(found, key=lambda row: float(row["priority"]), default=None)
        share = 1 if best is None or not test.run else max(1, sum(other.run == test.run for other in wanted.tests))
        tests.append(test if best is None else test._replace(weight=Fraction(str(best["priority"])) / share, priority_row=best))
    return wanted._replace(tests=tuple(tests))


def _codes(connection: sqlite3.Connection, specimen: Specimen, name: names.Name) -> list[str]:
    """Return the codes of tests that a name stands for; the id of an analyte where the catalogue has none."""
    if name.kind == "Test":
        return _members(connection, name.id)
    if name.kind == "AnalyteGroup":
        labels = {fold(name.label), fold(name.typed)}
        panel = next((r["code"] for r in connection.execute("SELECT code, name FROM test WHERE kind = 'panel' AND status = 'active' ORDER BY code")
                      if fold(r["name"]) in labels), None)
        if panel:
            return _members(connection, panel)
        members = [r["narrower"] for r in connection.execute(
            "SELECT x.narrower FROM closure x JOIN concept c ON c.id = x.narrower WHERE x.broader = ? AND x.distance > 0 AND c.kind = 'Analyte' ORDER BY x.narrower",
            (name.id,))]
        served = [code for member in members for code in _of_analyte(connection, specimen, member) if code != member]
        return list(dict.fromkeys(served)) or [name.id]
    return _of_analyte(connection, specimen, name.id)


def _of_analyte(connection: sqlite3.Connection, specimen: Specimen, analyte: str) -> list[str]:
    """Return the one test of an analyte that fits the specimen, or the first there is, or the analyte itself."""
    codes = [r["test"] for r in connection.execute(
        "SELECT a.test FROM test_analyte a JOIN test t ON t.code = a.test WHERE a.analyte = ? AND t.kind = 'test' AND t.status = 'active' "
        "AND (SELECT count(*) FROM test_analyte b WHERE b.test = a.test) = 1 "
        "ORDER BY lower(t.name) <> (SELECT lower(label) FROM concept WHERE id = a.analyte), t.minimum_volume_ml, a.test", (analyte,))]
    fitting = [code for code in codes if _fits(connection, specimen, code)]
    return (fitting or codes or [analyte])[:1]


def _fits(connection: sqlite3.Connection, specimen: Specimen, code: str) -> bool:
    row = rows(connection, "planned_test", test=code)[0]
    return fit(connection, specimen, code, _list(row["analytes"]), _list(row["materials"])).status == "fits"


def _members(connection: sqlite3.Connection, code: str, above: frozenset[str] = frozenset()) -> list[str]:
    """Return the tests of a panel, panels within it taken apart; a test is its own member."""
    members = [r["member"] for r in connection.execute("SELECT member FROM test_member WHERE panel = ? ORDER BY position", (code,))]
    if not members:
        return [code]
    inner = [part for member in members if member not in above for part in _members(connection, member, above | {code})]
    return list(dict.fromkeys(inner))


def _test(connection: sqlite3.Connection, specimen: Specimen, code: str, benches: Mapping[str, Bench], runs: Sequence[Row],
          values: Mapping[tuple[str, str], Row]) -> WantedTest:
    found = rows(connection, "planned_test", test=code)
    if not found:
        return _outside(connection, specimen, code, benches, runs, values)
    row = found[0]
    analytes, materials = _list(row["analytes"]), _list(row["materials"])
    fitting = fit(connection, specimen, code, analytes, materials)
    if row["status"] == "retired":
        fitting = Fit("not-accepted", "", "", f"withdrawn from the catalogue{': ' + row['remark'] if row['remark'] else ''}")
    run = _run(connection, analytes, fitting, runs)
    return WantedTest(code, row["name"], (), (), Fraction(0), analytes, _list(row["handling"]), row["department"] or "",
                bench_of(benches, row["department"]), volumes_of_test(connection, code, values), row["stability_hours"],
                row["stability_temperature"] or "", run["run"] if run else "", run, fitting, True)


def _outside(connection: sqlite3.Connection, specimen: Specimen, analyte: str, benches: Mapping[str, Bench], runs: Sequence[Row],
             values: Mapping[tuple[str, str], Row]) -> WantedTest:
    """Return an analyte that the catalogue does not hold: judged by facts, with assumed volumes."""
    row = connection.execute("SELECT c.label, a.discipline FROM concept c LEFT JOIN analytes a ON a.id = c.id WHERE c.id = ?", (analyte,)).fetchone()
    whole = _WHOLE_TESTS in broader(connection, analyte)
    recorded = specimen.kind == FLUID and rows(connection, "rules_in_fluid", analyte=analyte, material=specimen.material)
    judged = judge(connection, specimen, analyte, (analyte,), (WHOLE_FAMILY,) if whole else ())
    form = AS_IS if specimen.kind == FLUID else WHOLE if whole else SPUN
    if recorded and judged.verdict == "not-known":
        fitting = Fit("fits", form, specimen.material, "not in the catalogue; rules for it in this specimen are recorded", (),
                      ((recorded[0]["source"], recorded[0]["basis"]),))
    elif judged.verdict in ("suitable", "limited", "disputed") and not (form == WHOLE and specimen.kind == SEPARATED):
        fitting = Fit("fits", form, specimen.material, f"not in the catalogue; {judged.material} is {judged.verdict} by what is recorded", (), judged.sources)
    else:
        known = judged.verdict in ("unsuitable", "expected-unsuitable")
        said = "is unsuitable" if known else "would do is not known"
        fitting = Fit("unsuitable" if known else "not-known", "", "", f"not in the catalogue; {'' if known else 'whether '}{judged.material} {said}",
                      judged.because, judged.sources)
    run = _run(connection, (analyte,), fitting, runs)
    return WantedTest(analyte, row["label"], (), (), Fraction(0), (analyte,), (), row["discipline"] or "", bench_of(benches, row["discipline"]),
                assumed_volumes(values, analyte), None, "", run["run"] if run else "", run, fitting, False)


def _run(connection: sqlite3.Connection, analytes: tuple[str, ...], fitting: Fit, runs: Sequence[Row]) -> Row | None:
    if not fitting.form or not analytes:
        return None
    materials = broader(connection, fitting.asked)
    above = [broader(connection, analyte) for analyte in analytes]
    return next((run for run in runs if run["material"] in materials and all(set(run["analytes"].split(";")) & one for one in above)), None)


def _benches(connection: sqlite3.Connection) -> dict[str, Bench]:
    return {fold(word): Bench(row["bench"], row["cup"] == "a cup for each test", row)
            for row in rows(connection, "bench_rules") for word in row["departments"].split(";")}


def bench_of(benches: Mapping[str, Bench], department: str | None) -> Bench:
    """Return the bench that a department of the catalogue is, or a bench of its own name."""
    word = fold(department or "")
    return benches.get(word) or Bench(word.replace(" ", "-") or "not-stated", False, None)


def _list(text: str | None) -> tuple[str, ...]:
    return tuple(text.split(";")) if text else ()
