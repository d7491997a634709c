"""Demands on one specimen that cannot both be met: with both reasons, and what to do."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from kg.answer import Item
from kg.database import rows
from kg.plans.misfits import named
from kg.plans.precedence import NOT_TOGETHER, SERVE, TOGETHER, Edge, Order, Step, Traits, asks, steps_for, traits
from kg.plans.specimen import Specimen
from kg.plans.wanted import WantedTest
from kg.questions.common import join, note, related
from kg.wording import inside

Row = sqlite3.Row


class Side(NamedTuple):
    """One of two demands."""

    demand: str
    tests: tuple[WantedTest, ...]
    why: str
    sources: tuple[tuple[str, str], ...] = ()


class Clash(NamedTuple):
    """Two demands that one undivided specimen cannot meet together."""

    kind: str
    """``keeping`` (two ways of keeping or treating), ``container`` (two additives) or ``circle`` (rules)."""
    first: Side
    second: Side
    reason: str
    remedy: str
    met: bool
    """Whether the order given here meets both all the same, by dividing first or by separate tubes."""
    sources: tuple[tuple[str, str], ...] = ()


def portions_of(connection: sqlite3.Connection, specimen: Specimen, tests: Sequence[WantedTest], divisible: bool) -> list[list[WantedTest]]:
    """Divide tests into those that can be kept together: one list where all can.

    Args:
        connection: the database.
        specimen: what is there; blood that is not in a tube yet gets a tube for each additive.
        tests: those that fit.
        divisible: whether the specimen may be divided.
    """
    if not specimen.drawn:
        return _tubes(connection, tests)
    portions = [list(tests)]
    table, known = steps_for(connection, specimen), traits(connection, tests)
    if not divisible or not any(row["condition"] == "portions" for row in table):
        return portions
    for rule in _opposed(connection):
        if rule["divides"] == "split":
            portions = [part for portion in portions for part in _split(table, known, rule, portion)]
    return portions


def _split(table: Sequence[Row], known: Mapping[str, Traits], rule: Row, tests: list[WantedTest]) -> list[list[WantedTest]]:
    """Take apart the tests that ask for one of two opposed steps from the rest, where some ask for the other."""
    first, second = _askers(table, rule["first"], tests, known), _askers(table, rule["second"], tests, known)
    apart = {test.code for test in first}
    if not first or not second or apart & {test.code for test in second}:
        return [tests]
    return [first, [test for test in tests if test.code not in apart]]


def _tubes(connection: sqlite3.Connection, tests: Sequence[WantedTest]) -> list[list[WantedTest]]:
    tubes: dict[str, list[WantedTest]] = {}
    for test in tests:
        tubes.setdefault(_additive(connection, test) or test.fit.asked, []).append(test)
    return list(tubes.values()) or [[]]


def _additive(connection: sqlite3.Connection, test: WantedTest) -> str:
    row = connection.execute("SELECT additive FROM materials WHERE id = ?", (test.fit.asked,)).fetchone()
    return (row["additive"] or "") if row else ""


def _opposed(connection: sqlite3.Connection) -> list[Row]:
    return [rule for rule in rows(connection, "precedence_rules") if rule["relation"] == NOT_TOGETHER]


def _askers(table: Sequence[Row], steps: str, tests: Sequence[WantedTest], known: Mapping[str, Traits]) -> list[WantedTest]:
    """Return the tests that ask for one of some steps, or are served by it."""
    named_steps = [row for row in table if row["id"] in steps.split(";")]
    serving = [row for row in table if row["role"] == SERVE]
    found = []
    for test in tests:
        own = next((row for row in serving if asks(row, known[test.code])), None)
        if any(row is own if row["role"] == SERVE else asks(row, known[test.code]) for row in named_steps):
            found.append(test)
    return found


def keeping_clashes(connection: sqlite3.Connection, steps: Sequence[Step]) -> list[Clash]:
    """Return the pairs of steps that one undivided specimen cannot have together."""
    found = []
    for rule in _opposed(connection):
        for a in (step for step in steps if step.rule["id"] in rule["first"].split(";")):
            for b in (step for step in steps if step.rule["id"] in rule["second"].split(";")):
                found.append(Clash("keeping", _side(connection, a), _side(connection, b), rule["reason"], rule["statement"],
                                   a.portion != b.portion, _evidence(connection, rule)))
    return found


def container_clashes(connection: sqlite3.Connection, tubes: Sequence[Sequence[WantedTest]]) -> list[Clash]:
    """Return the pairs of tubes of different additive that tests need, before the blood is drawn."""
    found = []
    for number, first in enumerate(tubes):
        for second in tubes[number + 1:]:
            sides = [Side(f"Draw into a tube for {_asked(connection, tube[0])}", tuple(tube), "this is what the catalogue accepts") for tube in (first, second)]
            found.append(Clash("container", sides[0], sides[1], "one tube holds one additive", "Draw a tube for each", True))
    return found


def circle_clashes(order: Order, steps: Mapping[str, Step]) -> list[Clash]:
    """Return the circles of rules, of which one edge was let go."""
    found = []
    for circle in order.broken:
        gone, rest = circle[0], circle[1:]
        found.append(Clash("circle", _edge_side(gone, steps), _edge_side(rest[0] if rest else gone, steps),
                           "each asks to come before the other", f"The order keeps the second; '{gone.topic}' is let go. Settle it, or ask for a second specimen", False))
    return found


def _edge_side(edge: Edge, steps: Mapping[str, Step]) -> Side:
    first, second = steps[edge.first], steps[edge.second]
    return Side(f"{first.name} before {inside(second.name)}", first.tests, edge.reason)


def _side(connection: sqlite3.Connection, step: Step) -> Side:
    """Return a demand with what happens otherwise, by the handling facts of its tests."""
    wanted = set((step.rule["requirements"] or "").split(";"))
    facts = [(_nearness(connection, test, row), row["id"], row) for test in step.tests for analyte in test.analytes
             for row in rows(connection, "handling", analyte=analyte)
             if row["requirement"] in wanted and row["consequence"] and (row["value"] is None or row["unit"] == "Cel")]
    said = [row for _, _, row in sorted(facts, key=lambda fact: fact[:2])[:1]]
    why = "; ".join(f"{inside(row['analyte_label'])}: {inside(row['consequence'])}" for row in said) or step.rule["statement"] or "asked for"
    sources = tuple((row["source"], row["basis"]) for row in said) or ((step.rule["source"], step.rule["basis"]),)
    return Side(step.name, step.tests, why, sources)


def _nearness(connection: sqlite3.Connection, test: WantedTest, fact: Row) -> int:
    """Say how near a fact is to the specimen of a test: 0 for the same additive or material, 2 for another."""
    if fact["material"] is None:
        return 1
    if fact["material"] in related(connection, test.fit.asked):
        return 0
    row = connection.execute("SELECT additive FROM materials WHERE id = ?", (fact["material"],)).fetchone()
    return 0 if row and row["additive"] and row["additive"] == _additive(connection, test) else 2


def _evidence(connection: sqlite3.Connection, rule: Row) -> tuple[tuple[str, str], ...]:
    facts = supporting(connection, rule)
    return tuple(dict.fromkeys([(fact["source"], fact["basis"]) for fact in facts] or [(rule["source"], rule["basis"])]))


def supporting(connection: sqlite3.Connection, rule: Row, tests: Sequence[WantedTest] = ()) -> list[Row]:
    """Return the facts that say the same as a rule; with tests only those on what these measure, or on no analyte."""
    listed = rule["supported_by"]
    facts = rows(connection, "facts_by_id", ids=json.dumps(listed.split(";"))) if listed else []
    if not tests:
        return facts
    near = {one for test in tests for analyte in test.analytes for one in related(connection, analyte)}
    return [fact for fact in facts if not fact["analyte"] or fact["analyte"] in near]


def clash_item(clash: Clash, used: dict[str, str]) -> Item:
    """Return a clash as an item: both demands with their reasons, and what to do; its sources are noted as used."""
    pairs = (*clash.first.sources, *clash.second.sources, *clash.sources)
    for source, basis in pairs:
        note(used, source, basis)
    ways = "Met here by keeping them apart" if clash.met else "Not met"
    details = (*(f"{side.demand}, for {tests_text(side.tests)}: {inside(side.why)}" for side in (clash.first, clash.second)),
               f"{ways}. What to do: {inside(clash.remedy).rstrip('.')}.")
    return Item(f"{clash.first.demand} and {inside(clash.second.demand)}: {clash.reason}", clash_data(clash),
                tuple(dict.fromkeys(source for source, _ in pairs)), details)


def clash_data(clash: Clash) -> dict[str, Any]:
    """Return a clash as data."""
    sides = [{"demand": side.demand, "tests": [test.code for test in side.tests], "why": side.why, "sources": [source for source, _ in side.sources]}
             for side in (clash.first, clash.second)]
    return {"kind": clash.kind, "demands": sides, "reason": clash.reason, "what_to_do": clash.remedy, "met_by_dividing": clash.met,
            "sources": [source for source, _ in clash.sources]}


def together_notes(connection: sqlite3.Connection, steps: Sequence[Step]) -> list[tuple[Row, Step, Step]]:
    """Return the pairs of steps that both ask to be first and are done at one opening."""
    return [(rule, a, b) for rule in rows(connection, "precedence_rules") if rule["relation"] == TOGETHER
            for a in steps if a.rule["id"] in rule["first"].split(";") for b in steps if b.rule["id"] in rule["second"].split(";")
            if a.portion == b.portion]


def _asked(connection: sqlite3.Connection, test: WantedTest) -> str:
    row = connection.execute("SELECT label FROM concept WHERE id = ?", (test.fit.asked,)).fetchone()
    return inside(row["label"]) if row else test.fit.asked


def tests_text(tests: Sequence[WantedTest]) -> str:
    """Return tests as a sentence lists them; several of one panel as the panel."""
    of: dict[tuple[str, ...], list[WantedTest]] = {}
    for test in tests:
        of.setdefault(test.asked_as, []).append(test)
    return join(named(listed[0]) if len(listed) == 1 else f"{join(listed[0].asked_labels)} ({len(listed)} tests)" for listed in of.values())
