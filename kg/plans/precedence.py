"""The order of steps of one specimen as a partial order, solved from the tables of steps and precedence rules.

Which steps apply follows from the tests that are wanted; which come before which from the rules between the
steps that apply. Steps that no rule orders may be done in any order. The order printed puts equal steps by
the rank of the table, so that the same request always reads the same.
"""

from __future__ import annotations

import graphlib
import sqlite3
from collections.abc import Iterable, Mapping, Sequence, Set
from itertools import pairwise
from typing import NamedTuple

from kg.database import rows
from kg.plans.specimen import SPUN, Specimen, kinds_of
from kg.plans.wanted import WantedTest
from kg.questions.common import broader

Row = sqlite3.Row
BEFORE, TOGETHER, NOT_TOGETHER = "before", "together", "not-together"
HOLD, SERVE, FINISH = "hold", "serve", "finish"
LOCAL = "local-rule"


class Step(NamedTuple):
    """A step that applies, for the specimen, for a bench or for a test."""

    id: str
    rule: Row
    """Its row of ``share_steps``."""
    bench: str
    tests: tuple[WantedTest, ...]
    portion: int
    """Portion or tube of its own to which it belongs; 0 for the whole specimen."""

    @property
    def name(self) -> str:
        """What is done, with the bench or test for which."""
        whose = self._whose()
        return f"{self.rule['step']}{f' ({whose})' if whose else ''}"

    @property
    def short(self) -> str:
        """The same in a few words."""
        whose = self._whose()
        return f"{self.rule['short']}{f', {whose}' if whose else ''}"

    def _whose(self) -> str:
        return {"bench": self.bench, "test": self.tests[0].name if self.tests else ""}.get(self.rule["per"], "")


class Traits(NamedTuple):
    """What a test is looked at for when steps are chosen: what it asks for, with all that is more general."""

    requirements: frozenset[str]
    analytes: frozenset[str]
    asked: frozenset[str]
    form: str
    bench: str


class Edge(NamedTuple):
    """One step comes before another."""

    first: str
    second: str
    topic: str
    reason: str
    rule: str
    """Id of the rule, or ``local-rule``."""


class Order(NamedTuple):
    """The solved order."""

    steps: tuple[Step, ...]
    """In an order that keeps every rule."""
    levels: Mapping[str, int]
    """By step: 1 for what may be first, one more for each step that has to come before."""
    edges: tuple[Edge, ...]
    direct: tuple[Edge, ...]
    """Those that do not follow from others."""
    broken: tuple[tuple[Edge, ...], ...]
    """Circles: each edge of one asks for its step first, so that not all can be met; the first was let go."""


def applying_steps(connection: sqlite3.Connection, specimen: Specimen, portions: Sequence[Sequence[WantedTest]]) -> list[Step]:
    """Return the steps that apply to a specimen.

    Args:
        connection: the database.
        specimen: what is there.
        portions: the tests that fit, in one list; or in a list for each portion or tube that is kept apart.
    """
    rules = rows(connection, "precedence_rules")
    fitting = steps_for(connection, specimen)
    steps: list[Step] = []
    for number, tests in enumerate(portions, 1):
        portion = number if len(portions) > 1 else 0
        known = traits(connection, tests)
        served = _serving(fitting, tests, known, portion)
        steps += [step for row in fitting if row["role"] == HOLD and row["condition"] == "tests"
                  for step in _instances(row, [t for t in tests if asks(row, known[t.code])], portion)]
        steps += served
        steps += [Step(_instance_id(row["id"], "", portion), row, "", tuple(tests), portion)
                  for row in fitting if row["condition"] == "spun" and _needs_spin(row, served, rules)]
    everyone = tuple(test for tests in portions for test in tests)
    apart = len(portions) > 1
    several = sum(step.rule["role"] == SERVE for step in steps) > 1 and (specimen.drawn or not apart)
    for row in fitting:
        if {"always": True, "several-benches": several, "portions": apart and specimen.drawn,
            "tubes": apart and not specimen.drawn}.get(row["condition"], False):
            steps.append(Step(row["id"], row, "", everyone, 0))
    return steps


def steps_for(connection: sqlite3.Connection, specimen: Specimen) -> list[Row]:
    """Return the rows of ``share_steps`` that are for this kind of specimen, by rank."""
    held = kinds_of(connection, specimen)
    return [row for row in rows(connection, "share_steps") if not row["materials"] or _any(row["materials"], held)]


def traits(connection: sqlite3.Connection, tests: Iterable[WantedTest]) -> dict[str, Traits]:
    """Return the traits of tests by their codes."""
    return {test.code: Traits(frozenset(test.handling), frozenset(one for analyte in test.analytes for one in broader(connection, analyte)),
                              frozenset(broader(connection, test.fit.asked)), test.fit.form, test.bench.id) for test in tests}


def asks(row: Row, test: Traits) -> bool:
    """Say whether a test asks for a step: every filled column agrees, requirement or analyte counting as one."""
    if (row["requirements"] or row["analytes"]) and not (_any(row["requirements"], test.requirements) or _any(row["analytes"], test.analytes)):
        return False
    if row["forms"] and test.form not in row["forms"].split(";"):
        return False
    if row["benches"] and test.bench not in row["benches"].split(";"):
        return False
    return not row["asked"] or _any(row["asked"], test.asked)


def _serving(table: Sequence[Row], tests: Sequence[WantedTest], known: Mapping[str, Traits], portion: int) -> list[Step]:
    """Give each test the one step that serves it: that of lowest rank."""
    by_rule: dict[str, list[WantedTest]] = {}
    for test in tests:
        row = next((row for row in table if row["role"] == SERVE and asks(row, known[test.code])), None)
        if row is not None:
            by_rule.setdefault(row["id"], []).append(test)
    return [step for row in table if row["id"] in by_rule for step in _instances(row, by_rule[row["id"]], portion)]


def _instances(row: Row, tests: Sequence[WantedTest], portion: int) -> list[Step]:
    """Return one step for the specimen, or one for each bench or test."""
    groups: dict[str, list[WantedTest]] = {}
    for test in tests:
        key = {"specimen": "", "bench": test.bench.id, "test": test.code}[row["per"]]
        groups.setdefault(key, []).append(test)
    return [Step(_instance_id(row["id"], key, portion), row, listed[0].bench.id if row["per"] == "bench" else "", tuple(listed), portion)
            for key, listed in groups.items()]


def _instance_id(rule: str, key: str, portion: int) -> str:
    return rule + (f"@{key}" if key else "") + (f"#{portion}" if portion else "")


def _needs_spin(row: Row, served: Sequence[Step], rules: Sequence[Row]) -> bool:
    """Say whether a spin is needed: a test waits for it, and no other step takes plasma or serum off the cells."""
    if any(step.rule["condition"] == "separates" for step in served):
        return False
    after = {step for rule in rules if rule["relation"] == BEFORE and row["id"] in rule["first"].split(";") for step in rule["second"].split(";")}
    return any(step.rule["id"] in after and any(test.fit.form == SPUN for test in step.tests) for step in served)


def _any(listed: str | None, held: Set[str]) -> bool:
    return bool(listed) and any(one in held for one in str(listed).split(";"))


def solve(connection: sqlite3.Connection, steps: Sequence[Step], local: Sequence[Edge] = ()) -> Order:
    """Return the order of steps.

    Args:
        connection: the database.
        steps: those that apply.
        local: rules of the laboratory between these steps; where they make a circle they are let go first.
    """
    edges = [edge for rule in rows(connection, "precedence_rules") if rule["relation"] == BEFORE for edge in _edges(rule, steps)]
    edges, broken = _acyclic(steps, [*{(e.first, e.second): e for e in reversed(edges)}.values()], list(local))
    levels = _levels(steps, edges)
    ordered = sorted(steps, key=lambda step: (levels[step.id], step.portion, step.rule["rank"], step.id))
    place = {step.id: number for number, step in enumerate(ordered)}
    edges.sort(key=lambda edge: (place[edge.first], place[edge.second]))
    return Order(tuple(ordered), levels, tuple(edges), tuple(_direct(edges)), tuple(broken))


def _edges(rule: Row, steps: Sequence[Step]) -> list[Edge]:
    first, second = rule["first"].split(";"), rule["second"].split(";")
    return [Edge(a.id, b.id, rule["topic"], rule["reason"], rule["id"]) for a in steps if a.rule["id"] in first
            for b in steps if b.rule["id"] in second and a.id != b.id and _same_portion(a, b)]


def _same_portion(a: Step, b: Step) -> bool:
    """Steps of different portions do not wait for each other, nor does the whole wait for a portion, except at the end."""
    return a.portion == b.portion or a.portion == 0 or (b.portion == 0 and b.rule["role"] == FINISH)


def _acyclic(steps: Sequence[Step], edges: list[Edge], local: list[Edge]) -> tuple[list[Edge], list[tuple[Edge, ...]]]:
    """Let go of one edge of every circle, a local one first, and return the circles."""
    broken: list[tuple[Edge, ...]] = []
    while True:
        kept = [*edges, *local]
        try:
            _sorter(steps, kept).prepare()
            return kept, broken
        except graphlib.CycleError as error:
            circle = error.args[1]
            found = [next(e for e in reversed(kept) if (e.first, e.second) == pair) for pair in pairwise(circle)]
            worst = next((e for e in found if e.rule == LOCAL), found[-1])
            (local if worst in local else edges).remove(worst)
            at = found.index(worst)
            broken.append((*found[at:], *found[:at]))


def _sorter(steps: Sequence[Step], edges: Sequence[Edge]) -> graphlib.TopologicalSorter[str]:
    sorter: graphlib.TopologicalSorter[str] = graphlib.TopologicalSorter()
    for step in sorted(step.id for step in steps):
        sorter.add(step)
    for edge in edges:
        sorter.add(edge.second, edge.first)
    return sorter


def _levels(steps: Sequence[Step], edges: Sequence[Edge]) -> dict[str, int]:
    before: dict[str, list[str]] = {}
    for edge in edges:
        before.setdefault(edge.second, []).append(edge.first)
    levels: dict[str, int] = {}
    for step in _sorter(steps, edges).static_order():
        levels[step] = 1 + max((levels[one] for one in before.get(step, ())), default=0)
    return levels


def _direct(edges: Sequence[Edge]) -> list[Edge]:
    """Leave out what follows from the rest: a before b before c needs no line from a to c."""
    after: dict[str, set[str]] = {}
    for edge in edges:
        after.setdefault(edge.first, set()).add(edge.second)
    return [edge for edge in edges if not any(_reaches(after, middle, edge.second) for middle in after[edge.first] - {edge.second})]


def _reaches(after: Mapping[str, set[str]], start: str, goal: str) -> bool:
    seen, todo = {start}, [start]
    while todo:
        for following in after.get(todo.pop(), ()):
            if following == goal:
                return True
            if following not in seen:
                seen.add(following)
                todo.append(following)
    return False
