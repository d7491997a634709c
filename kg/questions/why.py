"""why WHAT CAUSE: the chain of reasons from a cause to what it does to a result."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterable

from kg import names
from kg.answer import Answer, Item, Link, Section, cite, versions
from kg.database import rows
from kg.questions.common import (
    DIRECTIONS,
    MOVES,
    USABILITIES,
    analytes_of,
    broader,
    causes_of,
    chain,
    effect_item,
    join,
    note,
    understood,
)
from kg.wording import inside

Row = sqlite3.Row


def why(connection: sqlite3.Connection, what: str, cause: str) -> Answer:
    """Explain what a cause does to an analyte or test.

    Args:
        connection: the database.
        what: an analyte, a group of analytes, or a test of the catalogue.
        cause: an additive, a container or another factor.

    Returns:
        verdict ``changes`` (published), ``expected`` (follows from chemistry, nothing published),
        ``no-known-effect`` (published as harmless), or ``not-known`` (nothing recorded).

    Raises:
        UnknownName, AmbiguousName: a name is not understood.
    """
    target = names.resolve(connection, what, names.MEASURED, tests=True)
    source = names.resolve(connection, cause, names.CAUSES)
    effects: list[Row] = []
    for analyte, _ in analytes_of(connection, target):
        for additive, _ in causes_of(connection, source):
            effects += rows(connection, "effects_of_pair", cause=additive, analyte=analyte)
    effects = list({effect["id"]: effect for effect in effects}.values())
    used: dict[str, str] = {}
    published = [e for e in effects if e["status"] == "asserted"]
    derived = [e for e in effects if e["status"] == "derived"]
    near = {c for cause, _ in causes_of(connection, source) for c in broader(connection, cause)}
    because = _because(connection, [e for e in derived if e["cause"] in near] or derived, published, used)
    sections = _sections(connection, target, source, published, derived, used)
    verdict, headline = _verdict(f"{target.label} with {inside(source.label)}", near, published, derived)
    return Answer("why", understood(target, source), verdict, headline, tuple(sections), tuple(because),
                  tuple(_conflicts(connection, published)),
                  tuple(_unknowns(target, source, published, derived)), cite(connection, used),
                  versions=versions(connection))


def _because(connection: sqlite3.Connection, derived: list[Row], published: list[Row],
             used: dict[str, str]) -> list[Link]:
    """Prove one effect for each mechanism and direction: the one nearest to what was asked."""
    links: list[Link] = []
    done: set[tuple[str | None, str] | str] = set()
    seen_directions = {_same(e["direction"]) for e in published if e["direction"] in MOVES}
    ordered = sorted(derived, key=lambda e: _same(e["direction"]) not in seen_directions)
    for effect in ordered:
        key = (effect["mechanism"], effect["direction"])
        if key not in done and len(done) < 4:
            done.add(key)
            links += chain(connection, effect["id"], used)
    if not links:
        for effect in published:
            if effect["mechanism_definition"] and effect["mechanism"] not in done:
                done.add(effect["mechanism"])
                note(used, effect["source"], effect["basis"])
                text = f"{effect['mechanism_label']}: {effect['mechanism_definition']}"
                links.append(Link(text if text.endswith(".") else f"{text}.", "published", effect["id"], "", (effect["source"],)))
    return links


def _same(direction: str) -> str:
    return "decrease" if direction == "unmeasurable" else str(direction)


def _sections(connection: sqlite3.Connection, target: names.Name, source: names.Name, published: list[Row],
              derived: list[Row], used: dict[str, str]) -> list[Section]:
    sections = []
    if published:
        items = tuple(_published_item(e, used) for e in published)
        sections.append(Section("Published and practised", items))
    alone = [e for e in derived if e["agreement"] in ("derived-only", "some-kinds")]
    if alone:
        items = tuple(effect_item(e, used, name_cause=True, name_analyte=True) for e in alone)
        sections.append(Section("Derived from chemistry, size not published here", items))
    materials = [r for analyte, _ in analytes_of(connection, target) for r in rows(connection, "suitability", analyte=analyte)
                 if r["additive"] and r["additive"] in {a for a, _ in causes_of(connection, source)}]
    if materials:
        sections.append(Section("Specimen material", tuple(_material_item(r, used) for r in materials)))
    if source.kind == "Factor":
        actions = rows(connection, "actions_of_factor", factor=source.id)
        for kind, title in (("spot", "How to recognise it"), ("check", "What settles it"), ("act", "What to do"), ("ask", "What to ask")):
            items = tuple(_action_item(a, used) for a in actions if a["kind"] == kind)
            if items:
                sections.append(Section(title, items))
    return sections


def _published_item(effect: Row, used: dict[str, str]) -> Item:
    item = effect_item(effect, used, name_cause=True, name_analyte=True)
    use = f" - {USABILITIES[effect['usability']]}" if effect["usability"] else ""
    remark = (effect["note"],) if effect["note"] else ()
    return item._replace(text=item.text + use, detail=remark)


def _material_item(row: Row, used: dict[str, str]) -> Item:
    note(used, row["source"], row["basis"])
    condition = f" ({row['condition']})" if row["condition"] else ""
    return Item(f"{row['material_label']} for {row['analyte_label']}: {USABILITIES[row['usability']]}{condition}",
                {"id": row["id"], "material": row["material"], "usability": row["usability"]}, (row["source"],))


def _action_item(row: Row, used: dict[str, str]) -> Item:
    note(used, row["source"], row["basis"])
    return Item(row["statement"], {"id": row["id"], "kind": row["kind"]}, (row["source"],))


def _verdict(pair: str, near: set[str], published: list[Row], derived: list[Row]) -> tuple[str, str]:
    moved = Counter(_same(e["direction"]) for e in published if e["direction"] in MOVES)
    moves = [e for e in derived if e["direction"] in MOVES]
    expected = [e for e in moves if e["cause"] in near]
    if moved:
        return "changes", f"{pair}: {_moved(moved, published)}"
    kinds = _kinds([e for e in moves if e["cause"] not in near]) if not expected else ""
    ways, by = join(dict.fromkeys(DIRECTIONS[e["direction"]] for e in expected)), _through(expected)
    if published and expected:
        return "no-known-effect", f"{pair}: {_unmoved(published)}, although by chemistry it {ways} ({by})."
    if expected:
        return "expected", f"{pair}: {ways}, by chemistry ({by}); no published figure is recorded."
    if published:
        ground = _unmoved(published)
        return "no-known-effect", f"{pair}: no known effect. {ground[0].upper()}{ground[1:]}.{f' {kinds}' if kinds else ''}"
    if kinds:
        return "expected", f"{pair}: depends on the kind. {kinds} No published figure is recorded."
    if derived:
        when = join(dict.fromkeys(e["condition"] for e in derived if e["condition"]))
        return "expected", f"{pair}: kept by chemistry ({_through(derived)}){f', {when}' if when else ''}; no published finding is recorded."
    return "not-known", f"{pair}: not known. Nothing is recorded, neither an effect nor its absence."


def _moved(moved: Counter[str], published: list[Row]) -> str:
    """Say which way a result goes, and how many of the findings saw no change; practice is no finding."""
    sure = [way for way in moved if way != "variable"] or ["variable"]
    way = join(DIRECTIONS[w] for w in sorted(sure, key=lambda w: -moved[w]))
    mechanisms = _through(e for e in published if _same(e["direction"]) in sure)
    through = f" through {mechanisms}" if mechanisms else "; the mechanism is not stated"
    findings = [e for e in published if e["basis"] != "practice"]
    still = sum(e["direction"] == "no-effect" for e in findings)
    against = f" Of {len(findings)} published findings, {still} saw no change." if still else ""
    return f"{way}{through}.{against}"


def _through(effects: Iterable[Row]) -> str:
    return join(dict.fromkeys(inside(e["mechanism_label"]) for e in effects if e["mechanism_label"]))


def _unmoved(published: list[Row]) -> str:
    """Say on what ground there is no effect: what only practice or memory holds was not looked at."""
    grounds = {e["basis"] for e in published}
    if grounds & {"read", "abstract"}:
        return "it was looked at, and no change was found"
    holds = join(words for basis, words in (("practice", "common practice"), ("memory", "what is recalled")) if basis in grounds)
    return f"{holds} {'hold' if len(grounds) > 1 else 'holds'} it to be unaffected; no study that looked at it was read"


def _kinds(effects: list[Row]) -> str:
    """Say for which narrower kinds of the cause the rules derive a change, and which."""
    by_kind: dict[str, list[Row]] = {}
    for effect in effects:
        by_kind.setdefault(effect["cause_label"], []).append(effect)
    said = [f"{inside(kind)} ({join(dict.fromkeys(DIRECTIONS[e['direction']] for e in listed))}, {_through(listed)})"
            for kind, listed in sorted(by_kind.items())]
    more = [f"{len(said) - 3} more"] if len(said) > 3 else []
    return f"By chemistry it changes with these kinds only: {join([*said[:3], *more])}." if said else ""


def _conflicts(connection: sqlite3.Connection, published: list[Row]) -> list[str]:
    texts = []
    by_pair: dict[tuple[str, str], set[str]] = {}
    for effect in published:
        by_pair.setdefault((effect["cause_label"], effect["analyte_label"]), set()).add(_same(effect["direction"]))
    for (cause, analyte), ways in sorted(by_pair.items()):
        if len(ways) > 1:
            listed = join(DIRECTIONS[way] for way in sorted(ways))
            texts.append(f"{analyte} with {cause}: sources say {listed}; compare method, material and dose above.")
    for effect in published:
        if effect["agreement"] == "contradicted":
            reasons = connection.execute(
                "SELECT x.explanation FROM contradiction k JOIN contradictions x ON x.id = k.explanation WHERE k.effect = ?",
                (effect["id"],)).fetchall()
            why_not = " ".join(r["explanation"] for r in reasons) or "No explanation is recorded."
            texts.append(f"{effect['analyte_label']} with {effect['cause_label']}: published as "
                         f"'{DIRECTIONS[effect['direction']]}', against what the rules derive. {why_not}")
    return list(dict.fromkeys(texts))


def _unknowns(target: names.Name, source: names.Name, published: list[Row], derived: list[Row]) -> list[str]:
    if not published and not derived:
        return [f"Whether {source.label} changes {target.label}: that is not the same as harmless."]
    texts = []
    moves = [e for e in [*published, *derived] if e["direction"] in MOVES]
    if moves and all(e["low"] is None and e["high"] is None for e in moves):
        texts.append("The size of the change: no figure is recorded.")
    if any(not e["mechanism"] for e in published if e["direction"] in MOVES):
        texts.append("The mechanism behind at least one published effect.")
    return texts
