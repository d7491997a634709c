"""invalidates ADDITIVE: every analyte, test and panel that an additive makes unusable or limits."""

from __future__ import annotations

import sqlite3
from collections import defaultdict

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.common import (
    DIRECTIONS,
    MOVES,
    causes_of,
    cited,
    effect_data,
    join,
    mechanisms_of,
    narrower,
    size,
    understood,
)
from kg.wording import inside

Row = sqlite3.Row

TITLES = {
    "unusable": "Unsuitable",
    "limited": "Suitable within limits",
    "disputed": "Sources disagree",
    "expected": "Expected from chemistry, nothing published here",
}


def invalidates(connection: sqlite3.Connection, additive: str, material: str | None = None) -> Answer:
    """List what an additive spoils.

    Args:
        connection: the database.
        additive: an additive, a container, or another factor such as a carry-over.
        material: keep only published effects on this specimen material (and what it comprises).

    Raises:
        UnknownName, AmbiguousName: a name is not understood.
    """
    cause = names.resolve(connection, additive, names.CAUSES)
    matter = names.resolve(connection, material, ("SpecimenMaterial",)) if material else None
    kept = None if matter is None else narrower(connection, matter.id)
    effects = {e["id"]: e for part, _ in causes_of(connection, cause) for e in rows(connection, "effects_of_cause", cause=part)
               if kept is None or e["material"] is None or e["material"] in kept}
    by_analyte: dict[str, list[Row]] = defaultdict(list)
    for effect in effects.values():
        by_analyte[effect["analyte"]].append(effect)
    groups: dict[str, list[list[Row]]] = defaultdict(list)
    elsewhere = narrower(connection, "other-specimen-tests")
    for analyte, listed in by_analyte.items():
        judgement = judge(listed)
        groups["elsewhere" if judgement == "expected" and analyte in elsewhere else judgement].append(listed)
    used: dict[str, str] = {}
    sections = [_section(kind, groups[kind], used) for kind in TITLES if groups[kind]]
    spoiled = [listed[0]["analyte"] for kind in ("unusable", "limited", "disputed", "expected") for listed in groups[kind]]
    tests = _tests(connection, [listed[0]["analyte"] for listed in groups["unusable"]], [listed[0]["analyte"] for listed in groups["limited"]])
    sections += tests
    where = f" on {inside(matter.label)}" if matter else ""
    headline = f"{cause.label}{where} {_counted(groups)}." if spoiled else (
        f"Nothing is recorded that {inside(cause.label)}{where} spoils; that is not known, not harmless.")
    others = f" {len(groups['elsewhere'])} tests on urine and other specimens would change too." if groups["elsewhere"] else ""
    unknowns = (f"{len(groups['harmless'])} analytes or groups are published as not changed; every other analyte is not known.{others}",)
    return Answer("invalidates", understood(cause, *([matter] if matter else [])),
                  "spoils" if spoiled else "not-known", headline, tuple(sections), (), (), unknowns,
                  cite(connection, used), versions=versions(connection))


def _counted(groups: dict[str, list[list[Row]]]) -> str:
    """Say how many analytes fall under each judgement, leaving out what is empty."""
    phrases = {"unusable": "makes {} analytes or groups unsuitable", "limited": "limits {} analytes or groups",
               "disputed": "is judged differently by sources for {}", "expected": "is expected by chemistry to change {} more"}
    return join(phrase.format(len(groups[kind])) for kind, phrase in phrases.items() if groups[kind])


def judge(effects: list[Row]) -> str:
    """Return what the effects of one cause on one analyte amount to.

    A published judgement of use stands before what chemistry lets expect; judgements that differ are
    a dispute, unless they differ only between 'limited' and 'unsuitable', where the stricter holds.
    """
    uses = {e["usability"] for e in effects if e["status"] == "asserted" and e["usability"]}
    moved = [e for e in effects if e["direction"] in MOVES]
    if "unsuitable" in uses:
        return "disputed" if "suitable" in uses else "unusable"
    if "limited" in uses:
        return "limited"
    if "suitable" in uses:
        return "harmless"
    published = [e for e in effects if e["status"] == "asserted"]
    if any(e["direction"] in MOVES for e in published):
        return "limited"
    if published:
        return "harmless"
    return "expected" if moved else "harmless"


def _section(kind: str, listed: list[list[Row]], used: dict[str, str]) -> Section:
    if kind == "expected":
        return Section(TITLES[kind], tuple(_expected(listed)))
    ordered = sorted(listed, key=lambda effects: (_mechanism(effects), effects[0]["analyte_label"]))
    return Section(TITLES[kind], tuple(_item(effects, used) for effects in ordered))


def _mechanism(effects: list[Row]) -> str:
    return next((e["mechanism_label"] for e in effects if e["mechanism_label"]), "~")


def _item(effects: list[Row], used: dict[str, str]) -> Item:
    published = [e for e in effects if e["status"] == "asserted"]
    sources = cited(used, published)
    ways = join(dict.fromkeys(DIRECTIONS[e["direction"]] for e in published))
    mechanisms = mechanisms_of(effects)
    sizes = list(dict.fromkeys(_sized(e) for e in published if e["low"] is not None or e["high"] is not None))
    text = f"{effects[0]['analyte_label']}: {ways}"
    if mechanisms:
        text += f" - {mechanisms}"
    if sizes:
        text += f" - {sizes[0]}" + (f" and {len(sizes) - 1} more figures" if len(sizes) > 1 else "")
    if any(e["status"] == "derived" for e in effects):
        text += " - also follows from chemistry"
    return Item(text, {"analyte": effects[0]["analyte"], "effects": [effect_data(e) for e in effects]}, sources)


def _sized(effect: Row) -> str:
    return size(effect) + (f" ({effect['condition']})" if effect["condition"] else "")


def _expected(listed: list[list[Row]]) -> list[Item]:
    """Group what chemistry alone predicts by mechanism and direction."""
    groups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for effects in listed:
        for effect in effects:
            groups[effect["mechanism_label"], effect["method_label"] or "", effect["direction"]].append(effect)
    items = []
    for (mechanism, method, direction), effects in sorted(groups.items()):
        labels = sorted({e["analyte_label"] for e in effects})
        shown = "; ".join(labels[:12]) + (f" and {len(labels) - 12} more" if len(labels) > 12 else "")
        by = f", when measured by {inside(method)}" if method else ""
        items.append(Item(f"{mechanism}{by}: {DIRECTIONS[direction]} - {shown}",
                          {"mechanism": effects[0]["mechanism"], "method": effects[0]["method"], "direction": direction,
                           "analytes": sorted({e["analyte"] for e in effects})}))
    return items


def _tests(connection: sqlite3.Connection, unusable: list[str], limited: list[str]) -> list[Section]:
    sections = []
    seen: set[str] = set()
    for title, analytes in (("Tests of the catalogue made unsuitable", unusable), ("Tests of the catalogue limited", limited)):
        found = {r["code"]: r for analyte in analytes for r in rows(connection, "tests_measuring", analyte=analyte)}
        tests = [r for code, r in sorted(found.items()) if code not in seen and r["kind"] == "test"]
        panels = [r for code, r in sorted(found.items()) if code not in seen and r["kind"] == "panel"]
        seen |= set(found)
        items = [Item(f"{r['name']} ({r['code']}){', retired' if r['status'] == 'retired' else ''}",
                      {"code": r["code"], "kind": r["kind"]}) for r in [*tests, *panels]]
        if tests:
            sections.append(Section(title, tuple(items[:len(tests)])))
        if panels:
            sections.append(Section(title.replace("Tests", "Panels") + ", at least in part", tuple(items[len(tests):])))
    return sections
