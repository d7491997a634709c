"""order [TUBES...]: the draw order by a named guideline, what carries over when it is broken, and who disagrees."""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Sequence

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.common import DIRECTIONS, causes_of, join, note, related, understood
from kg.questions.suits import DEFAULT_GUIDELINE

Row = sqlite3.Row
_PASSED_ON = ("cation-contamination", "analyte-contamination", "chelation", "cofactor-removal", "enzyme-inhibition",
              "assay-reagent-interaction", "anticoagulation", "procoagulation", "microbial-inhibition")


def order(connection: sqlite3.Connection, tubes: Sequence[str] = (), guideline: str | None = None) -> Answer:
    """Put tubes in the order of a guideline.

    Args:
        connection: the database.
        tubes: containers or additives; the whole order of the guideline when there are none.
        guideline: a draw guideline; the joint European and Latin American one when not given.

    Raises:
        UnknownName, AmbiguousName: a name is not understood.
    """
    scheme = names.resolve(connection, guideline or DEFAULT_GUIDELINE, ("DrawGuideline",))
    steps = rows(connection, "draw_order", guideline=scheme.id)
    used: dict[str, str] = {}
    asked = [names.resolve(connection, tube, ("Container", "Additive")) for tube in tubes]
    placed: list[tuple[int, names.Name, Row]] = []
    unplaced: list[names.Name] = []
    for tube in asked:
        step = _step(connection, tube, steps)
        if step is None:
            unplaced.append(tube)
        else:
            placed.append((step["position"], tube, step))
    placed.sort(key=lambda entry: entry[0])
    if asked:
        items = tuple(_placed(n, p, tube, step, used) for n, (p, tube, step) in enumerate(placed, 1))
        listed = [tube.label for _, tube, _ in placed]
    else:
        items = tuple(_step_item(step, used) for step in steps)
        listed = [step["step"] for step in steps]
    sections = [Section(f"Order by {scheme.label}", items)]
    broken = _broken(connection, placed, used)
    if broken:
        sections.append(Section("What is passed on when the order is broken", tuple(broken)))
    findings = _findings(connection, [tube for _, tube, _ in placed], used)
    if findings:
        sections.append(Section("Studies and statements", tuple(findings)))
    unknowns = [f"Where {tube.label} stands in {scheme.label}: the guideline does not name it." for tube in unplaced]
    headline = f"{'; then '.join(listed)}." if listed else f"None of these has a place in {scheme.label}."
    return Answer("order", understood(*asked), "answered" if listed else "not-known", headline, tuple(sections), (),
                  tuple(_disagreements(connection, scheme, placed)), tuple(unknowns), cite(connection, used),
                  versions=versions(connection))


def _step(connection: sqlite3.Connection, tube: names.Name, steps: Sequence[Row]) -> Row | None:
    """Return the step that names the container or, failing that, an additive it holds."""
    for step in steps:
        if tube.id in (step["containers"] or "").split(";"):
            return step
    for additive, _ in causes_of(connection, tube):
        for step in steps:
            if additive in (step["additives"] or "").split(";"):
                return step
    for additive, _ in causes_of(connection, tube):
        for step in steps:
            if related(connection, additive) & set((step["additives"] or "").split(";")):
                return step
    return None


def _placed(number: int, position: int, tube: names.Name, step: Row, used: dict[str, str]) -> Item:
    note(used, step["source"], step["basis"])
    reason = f" Because {step['rationale']}." if step["rationale"] else ""
    return Item(f"{number}. {tube.label} (position {position}: {step['step']}).{reason}",
                {"tube": tube.id, "position": position}, (step["source"],))


def _step_item(step: Row, used: dict[str, str]) -> Item:
    note(used, step["source"], step["basis"])
    reason = f" Because {step['rationale']}." if step["rationale"] else ""
    return Item(f"{step['position']}. {step['step']}.{reason}", {"position": step["position"], "additives": step["additives"]}, (step["source"],))


def _broken(connection: sqlite3.Connection, placed: list[tuple[int, names.Name, Row]], used: dict[str, str]) -> list[Item]:
    """Say for each tube what its additive would do to tubes that should come before it."""
    items = []
    for place, tube, _ in placed[1:]:
        before = [other.label for other_place, other, _ in placed if other_place < place]
        groups: dict[tuple[str, str], set[str]] = defaultdict(set)
        sources: list[str] = []
        for additive, _ in causes_of(connection, tube):
            for effect in rows(connection, "effects_of_cause", cause=additive):
                if effect["mechanism"] in _PASSED_ON and effect["direction"] in ("increase", "decrease", "unmeasurable"):
                    groups[effect["mechanism_label"], effect["direction"]].add(effect["analyte_label"])
                    if effect["source"]:
                        note(used, effect["source"], effect["basis"])
                        sources.append(effect["source"])
        parts = []
        for (mechanism, direction), labels in sorted(groups.items()):
            listed = sorted(labels)
            more = f" and {len(listed) - 6} more" if len(listed) > 6 else ""
            parts.append(f"{', '.join(listed[:6])}{more} {DIRECTIONS[direction]} ({mechanism.lower()})")
        if before and parts:
            items.append(Item(f"{tube.label} before {join(before)}: {'; '.join(parts)}", {"tube": tube.id, "before": before},
                              tuple(dict.fromkeys(sources))[:6]))
    return items


def _findings(connection: sqlite3.Connection, tubes: list[names.Name], used: dict[str, str]) -> list[Item]:
    wanted = {related for tube in tubes for additive, _ in causes_of(connection, tube) for related in related(connection, additive)}
    items = []
    for row in connection.execute("SELECT * FROM draw_findings ORDER BY topic, id"):
        about = set((row["additives"] or "").split(";")) - {""}
        if not tubes or (about and about & wanted):
            note(used, row["source"], row["basis"])
            items.append(Item(f"{row['topic'].replace('-', ' ').capitalize()}: {row['finding']}", {"id": row["id"]}, (row["source"],)))
    return items


def _disagreements(connection: sqlite3.Connection, scheme: names.Name, placed: list[tuple[int, names.Name, Row]]) -> list[str]:
    """Name the other guidelines of the same route that put two of the tubes the other way round."""
    texts = []
    others = connection.execute(
        "SELECT id, label FROM guidelines WHERE id <> ? AND route = (SELECT route FROM guidelines WHERE id = ?) ORDER BY id",
        (scheme.id, scheme.id)).fetchall()
    for other in others:
        steps = rows(connection, "draw_order", guideline=other["id"])
        place = {tube.id: step["position"] for _, tube, _ in placed if (step := _step(connection, tube, steps)) is not None}
        for i, (p, first, _) in enumerate(placed):
            for q, second, _ in placed[i + 1:]:
                if p < q and first.id in place and second.id in place and place[first.id] > place[second.id]:
                    texts.append(f"{other['label']} puts {second.label} before {first.label}.")
    return texts
