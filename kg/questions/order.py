"""order [TUBES...]: the draw order by a named guideline, what carries over when it is broken, and who disagrees."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.common import causes_of, cited, join, note, related, understood
from kg.questions.suits import DEFAULT_GUIDELINE
from kg.wording import inside

Row = sqlite3.Row
_PASSED_ON = ("cation-contamination", "analyte-contamination", "chelation", "cofactor-removal", "enzyme-inhibition",
              "precipitation", "assay-reagent-interaction", "anticoagulation", "procoagulation", "microbial-inhibition")
_WAYS = {"increase": "Up:", "decrease": "Down:", "unmeasurable": "Not measurable:"}
_NAMED = 12


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
    asked = [names.resolve(connection, tube, ("Container", "Additive", "SpecimenMaterial")) for tube in tubes]
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
    return Item(f"{number}. {tube.label} (position {position}: {step['step']}).{_reason(step)}",
                {"tube": tube.id, "position": position}, cited(used, [step]))


def _step_item(step: Row, used: dict[str, str]) -> Item:
    return Item(f"{step['position']}. {step['step']}.{_reason(step)}",
                {"position": step["position"], "additives": step["additives"]}, cited(used, [step]))


def _reason(step: Row) -> str:
    return f" Because {step['rationale']}." if step["rationale"] else ""


def _broken(connection: sqlite3.Connection, placed: list[tuple[int, names.Name, Row]], used: dict[str, str]) -> list[Item]:
    """Say for each tube what its additive would do to tubes that should come before it."""
    items = []
    for place, tube, _ in placed[1:]:
        before = [other.label for other_place, other, _ in placed if other_place < place]
        effects = [e for additive, _ in causes_of(connection, tube) for e in rows(connection, "effects_of_cause", cause=additive)
                   if e["mechanism"] in _PASSED_ON and e["direction"] in _WAYS]
        if before and effects:
            items.append(_passed_on(tube, before, effects, used))
    return items


def _passed_on(tube: names.Name, before: list[str], effects: list[Row], used: dict[str, str]) -> Item:
    """Name the analytes that published effects speak of; count those that chemistry alone predicts."""
    published = [e for e in effects if e["status"] == "asserted"]
    sources = cited(used, published)
    parts = []
    for direction, word in _WAYS.items():
        labels = sorted({inside(e["analyte_label"]) for e in published if e["direction"] == direction})
        if labels:
            more = f" and {len(labels) - _NAMED} more" if len(labels) > _NAMED else ""
            parts.append(f"{word} {'; '.join(labels[:_NAMED])}{more}")
    known = {e["analyte"] for e in published}
    alone = {e["analyte"] for e in effects} - known
    if alone:
        parts.append(f"By chemistry {len(alone)} {'more' if parts else 'analytes'}")
    return Item(f"{tube.label} before {join(inside(b) for b in before)}: {'. '.join(parts)}",
                {"tube": tube.id, "before": before, "published": sorted(known), "by_chemistry": sorted(alone)}, sources)


def _findings(connection: sqlite3.Connection, tubes: list[names.Name], used: dict[str, str]) -> list[Item]:
    wanted = {near for tube in tubes for additive, _ in causes_of(connection, tube) for near in related(connection, additive)}
    items = []
    for row in connection.execute("SELECT d.*, f.sentence FROM draw_findings d JOIN fact f ON f.id = d.id ORDER BY d.topic, d.id"):
        about = set((row["additives"] or "").split(";")) - {""}
        if not tubes or (about and about & wanted):
            note(used, row["source"], row["basis"])
            items.append(Item(row["sentence"].replace("-", " ", 1), {"id": row["id"]}, (row["source"],)))
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
