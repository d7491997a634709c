"""What to do about a judged specimen: what to ask, what to collect again, what else is touched, what to say on the telephone."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from kg import names
from kg.database import rows
from kg.decisions.drawing import carry_over, place
from kg.decisions.facts import Facts
from kg.decisions.findings import REJECTED, REPORTED, Judged
from kg.decisions.specimen import Story
from kg.decisions.wanted import Wanted
from kg.questions.common import MOVES, broader, join
from kg.wording import inside

Row = sqlite3.Row
_SHOWN = 8


class Question(NamedTuple):
    """A fact that was not said, and the tests whose decision hangs on it."""

    field: str
    question: str
    whom: str
    """``ward`` or ``laboratory``: who can tell."""
    tests: tuple[str, ...]
    alone: tuple[str, ...]
    """Those for which nothing else is missing and nothing objects."""


class Again(NamedTuple):
    """A container to collect again."""

    container: str | None
    label: str
    tests: tuple[str, ...]
    handling: tuple[str, ...]
    position: int | None


class Touched(NamedTuple):
    """Another tube of the same draw, and what is at risk in it."""

    tube: str
    label: str
    why: str
    published: tuple[str, ...]
    by_chemistry: int


def questions(judged: Sequence[Judged], fields: Mapping[str, tuple[str, str]]) -> list[Question]:
    """Return what was not said, the field on which most tests hang first. A rejected test hangs on nothing."""
    open_tests = [test for test in judged if test.decision not in REJECTED and test.missing]
    asked: dict[str, tuple[str, list[str], list[str]]] = {}
    for test in open_tests:
        clear = all(f.missing for f in test.findings if f.decision == "not-known")
        for finding in test.findings:
            if finding.missing:
                _, tests, alone = asked.setdefault(finding.missing, (finding.question, [], []))
                if test.label not in tests:
                    tests.append(test.label)
                    if clear and len(test.missing) == 1:
                        alone.append(test.label)
    found = [Question(field, question, fields[field][1], tuple(tests), tuple(alone)) for field, (question, tests, alone) in asked.items()]
    return sorted(found, key=lambda q: (-len(q.tests), q.field))


def collect_again(connection: sqlite3.Connection, facts: Facts, tests: Sequence[Wanted], judged: Sequence[Judged]) -> list[Again]:
    """Return the containers to collect again, in the draw order, each with its tests and what to mind."""
    again: dict[str | None, list[Wanted]] = {}
    for test, result in zip(tests, judged, strict=True):
        if result.decision == "recollect":
            again.setdefault(_container(connection, facts, test), []).append(test)
    labels = _labels(connection, [*filter(None, again), *(r for listed in again.values() for test in listed for r in test.requirements)])
    found = []
    for container, listed in again.items():
        position = place(connection, names.Name(container, "Container", labels[container], "", "id")) if container else None
        handling = dict.fromkeys(labels[requirement] for test in listed for requirement in sorted(test.requirements))
        for test in listed:
            for analyte in test.analytes:
                handling |= dict.fromkeys(row["requirement_label"] for row in facts.requirements.get(analyte, ())
                                          if row["distance"] == 0 and row["requirement"] in _TOLD)
        if any(test.row is not None and test.row["separate_within_minutes"] for test in listed):
            least = min(test.row["separate_within_minutes"] for test in listed if test.row is not None and test.row["separate_within_minutes"])
            handling[f"off the cells within {least:g} min"] = None
        label = labels[container] if container else "a container that is not recorded; ask the laboratory"
        found.append(Again(container, label, tuple(test.label for test in listed), tuple(inside(h) for h in handling), position))
    return sorted(found, key=lambda a: (a.position is None, a.position, a.label))


_TOLD = ("keep-on-ice", "protect-from-light", "keep-warm-37", "do-not-refrigerate", "keep-anaerobic", "use-metal-free-tube", "full-fill", "avoid-gel")


def _container(connection: sqlite3.Connection, facts: Facts, test: Wanted) -> str | None:
    """Return the container that the catalogue names first, a microtube for a skin puncture; failing that one of a material that suits."""
    if test.containers:
        route = facts.story.said.get("route")
        small = [c for c in test.containers if c.startswith(("microtube", "capillary"))]
        return small[0] if route is not None and route.value == "capillary" and small else test.containers[0]
    good = [row for analyte in test.analytes for row in facts.suitability.get(analyte, ()) if row["usability"] == "suitable"]
    good.sort(key=lambda row: (row["preferred"] != "yes", row["distance"], row["id"]))
    for row in good:
        found = rows(connection, "containers_for_material", material=row["material"])
        if found:
            return str(found[0]["id"])
    return None


def _labels(connection: sqlite3.Connection, ids: Sequence[str]) -> dict[str, str]:
    marks = ",".join("?" * len(ids))
    return {row["id"]: row["label"] for row in connection.execute(f"SELECT id, label FROM concept WHERE id IN ({marks})", list(ids))}


def touched(connection: sqlite3.Connection, facts: Facts, story: Story, judged: Sequence[Judged]) -> list[Touched]:
    """Return the other tubes of the draw that what was found touches too.

    A fault of the whole draw touches every tube; an additive that was carried over touches the tubes
    filled after the tube that holds it.
    """
    spreads = {rule["check"]: rule["spreads"] for rule in facts.rules if rule["spreads"]}
    found: dict[str, str] = {}
    for test in judged:
        for finding in test.findings:
            if not finding.missing and finding.check in spreads:
                found.setdefault(finding.check, finding.words)
    listed: list[Touched] = []
    for check, words in found.items():
        if spreads[check] == "all":
            listed += [Touched(tube.id, tube.label, words, (), 0) for i, tube in enumerate(story.draw) if i != story.position]
    culprits = {part for field in ("poured_from", "contaminated_by", "out_of_order") if field in story.said
                for part in story.said[field].factors if found.keys() & {"poured", "contamination", "draw-order"}}
    for i, tube in enumerate(story.draw):
        guilty = sorted(set(carry_over(connection, tube)) & culprits)
        if not guilty:
            continue
        for j, later in enumerate(story.draw[i + 1:], i + 1):
            if j != story.position and not set(carry_over(connection, later)) & set(guilty):
                listed.append(_at_risk(connection, facts, tube, later, guilty))
    return list(dict.fromkeys(listed))


def _at_risk(connection: sqlite3.Connection, facts: Facts, culprit: names.Name, tube: names.Name, guilty: list[str]) -> Touched:
    """Say what an additive puts at risk in a tube that was filled after it, published effects by name."""
    above = {part for factor in guilty for part in broader(connection, factor)}
    marks = ",".join("?" * len(above))
    effects = connection.execute(f"SELECT e.analyte, e.direction, e.status, c.label FROM effect e JOIN concept c ON c.id = e.analyte "
                                 f"WHERE e.cause IN ({marks}) ORDER BY c.label", sorted(above)).fetchall()
    moved = [e for e in effects if e["direction"] in MOVES]
    published = dict.fromkeys(e["label"] for e in moved if e["status"] == "asserted")
    derived = {e["label"] for e in moved} - set(published)
    return Touched(tube.id, tube.label, f"filled after the {inside(culprit.label)}", tuple(published), len(derived))


def call(story: Story, judged: Sequence[Judged], again: Sequence[Again], asked: Sequence[Question], when: str) -> list[str]:
    """Return what to say on the telephone, a sentence each; nothing when all can be reported and nothing is to be asked."""
    rejected = [test for test in judged if test.decision in REJECTED]
    waiting = [test for test in judged if test.decision == "not-known"]
    if not rejected and not waiting:
        return []
    said = [f"This is the laboratory, about the {inside(story.label)}{when}."]
    for reason, labels in _by_reason(rejected).items():
        said.append(f"We cannot report {_few(labels)}, because {reason}.")
    good = [test.label for test in judged if test.decision in REPORTED]
    if rejected and good:
        said.append(f"You will get {_few(good)}.")
    if again:
        said.append("Please send " + "; ".join(f"{inside(a.label)} for {_few(a.tests)}" + (f" ({', '.join(a.handling[:4])})" if a.handling else "")
                                               for a in again) + ("; in this order." if in_order(again) else "."))
        remedies = dict.fromkeys(f.remedy for test in rejected if test.decision == "recollect" for f in test.deciding[:1] if f.remedy)
        if remedies:
            said.append("This time " + "; ".join(remedies) + ".")
    others = dict.fromkeys(f.remedy for test in rejected if test.decision == "do-not-report" for f in test.deciding[:1] if f.remedy)
    said += [f"{remedy[0].upper()}{remedy[1:]}." for remedy in others]
    for_ward = list(dict.fromkeys(q.question for q in asked if q.whom == "ward"))
    if waiting and for_ward:
        said.append("Please tell us: " + " ".join(for_ward))
    elif len(said) == 1:
        return []
    return said


def _by_reason(rejected: Sequence[Judged]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for test in rejected:
        found.setdefault(test.deciding[0].words, []).append(test.label)
    return found


def _few(labels: Sequence[str]) -> str:
    shown = [inside(label) for label in labels[:_SHOWN]]
    if len(labels) > _SHOWN:
        return f"{', '.join(shown)} and {len(labels) - _SHOWN} more"
    return join(shown)


def in_order(again: Sequence[Again]) -> bool:
    """Whether the containers are several and each has a place in the draw order."""
    return len(again) > 1 and all(part.position is not None for part in again)


def again_data(again: Again) -> dict[str, Any]:
    """Return a container to collect again for programs."""
    return {"container": again.container, "label": again.label, "tests": list(again.tests), "handling": list(again.handling), "position": again.position}


