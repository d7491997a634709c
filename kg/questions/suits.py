"""suits TEST [--on MATERIAL]: the specimen materials and containers that serve a test, and what they ask for."""

from __future__ import annotations

import sqlite3

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.common import (
    MOVES,
    USABILITIES,
    analytes_of,
    causes_of,
    chain,
    cited,
    effect_item,
    join,
    note,
    related,
    understood,
)
from kg.questions.handling import handling_sections
from kg.wording import inside, magnitude

Row = sqlite3.Row
DEFAULT_GUIDELINE = "eflm-colabiocli-2018-venous"
ON = ("SpecimenMaterial", "Additive", "Container")


def suits(connection: sqlite3.Connection, test: str, on: str | None = None) -> Answer:
    """Say what suits an analyte or a test of the catalogue, or whether one material does.

    Args:
        connection: the database.
        test: a test by code or name, an analyte, or a group of analytes.
        on: a specimen material, a container or an additive; everything that suits is listed without it.

    Returns:
        verdict ``answered`` or ``not-known``; with ``on`` one of ``suitable``, ``limited``, ``unsuitable``,
        ``disputed``, ``expected-unsuitable`` (by chemistry only) and ``not-known``.

    Raises:
        UnknownName, AmbiguousName: a name is not understood.
    """
    target = names.resolve(connection, test, names.MEASURED, tests=True)
    if on:
        return _judged(connection, target, names.resolve(connection, on, ON))
    used: dict[str, str] = {}
    sections: list[Section] = []
    if target.kind == "Test":
        sections.append(_catalogue(connection, target.id))
    found, additives = _facts(connection, target)
    sections += _by_usability(found, additives, used)
    good = [r["material_label"] for r in found if r["usability"] == "suitable"]
    preferred = [r["material_label"] for r in found if r["usability"] == "suitable" and r["preferred"] == "yes"]
    best = list(dict.fromkeys(preferred or good))
    sections += handling_sections(connection, target, used)
    position = _positions(connection, best, found, used)
    if position:
        sections.append(position)
    unknowns = []
    if best:
        headline = f"{target.label}: {', '.join(inside(b) for b in best[:4])}{' preferred' if preferred else ''}."
    elif additives:
        fit = list(dict.fromkeys(e["cause_label"] for e in additives if e["usability"] == "suitable"))
        headline = (f"{target.label}: {', '.join(fit[:4])} published as suitable." if fit
                    else f"{target.label}: no material is recorded as suitable.")
    else:
        headline = f"{target.label}: not known. No suitability is recorded."
        unknowns.append(f"Which material suits {inside(target.label)}.")
    return Answer("suits", understood(target), "answered" if found or additives else "not-known", headline, tuple(sections),
                  (), tuple(_conflicts(found)), tuple(unknowns), cite(connection, used), versions=versions(connection))


def _facts(connection: sqlite3.Connection, target: names.Name) -> tuple[list[Row], list[Row]]:
    found: list[Row] = []
    additives: list[Row] = []
    for analyte, _ in analytes_of(connection, target):
        found += rows(connection, "suitability", analyte=analyte)
        additives += [e for e in rows(connection, "effects_on_analyte", analyte=analyte) if e["cause_kind"] == "Additive"]
    return found, [e for e in additives if e["usability"]]


def _by_usability(found: list[Row], additives: list[Row], used: dict[str, str]) -> list[Section]:
    sections = []
    for usability, word in USABILITIES.items():
        of_kind = [r for r in found if r["usability"] == usability]
        if of_kind:
            sections.append(Section(f"Specimen materials: {word}", tuple(_materials(of_kind, used))))
    for usability, word in USABILITIES.items():
        with_use = [e for e in additives if e["usability"] == usability]
        if with_use:
            sections.append(Section(f"Additives: {word}", tuple(_additives(with_use, used))))
    return sections


def _judged(connection: sqlite3.Connection, target: names.Name, on: names.Name) -> Answer:
    materials, additives = _meant(connection, on)
    used: dict[str, str] = {}
    found, effects = _facts(connection, target)
    found = _most_special(found, "material", materials)
    effects = _most_special(effects, "cause", additives)
    derived = _derived(connection, target, additives[:-1])
    kinds = set().union(*materials[-1:], *additives[-1:])
    condemned, uses = _weighed([*((r["material_label"], r["usability"], r["material"] in kinds) for r in found),
                                *((e["cause_label"], e["usability"], e["cause"] in kinds) for e in effects)])
    verdict = usability_of(uses, bool(derived))
    if verdict == "not-known":
        derived = _derived(connection, target, additives[-1:])
    explained = [] if verdict == "suitable" else _one_each(derived)
    because = [link for e in explained for link in chain(connection, e["id"], used)]
    sections = _by_usability(found, effects, used)
    if effects:
        sections.append(Section("What was seen", tuple(effect_item(e, used, name_cause=True, name_analyte=True) for e in effects)))
    sections += handling_sections(connection, target, used)
    said = _SAID[verdict] + (f" ({', '.join(sorted(USABILITIES[u] for u in uses))})" if verdict == "disputed" else "")
    if verdict == "expected-unsuitable" and not condemned:
        said += "; no published judgement is recorded"
    if verdict != "unsuitable":
        said += _kinds(condemned, [e["cause_label"] for e in derived] if verdict == "not-known" else [])
    headline = f"{target.label} on {inside(on.label)}: {said}."
    unknowns = (f"Whether {inside(on.label)} serves {inside(target.label)}; that is not the same as suitable.",)
    return Answer("suits", understood(target, on), verdict, headline, tuple(sections), tuple(because), tuple(_conflicts(found)),
                  unknowns if verdict == "not-known" else (), cite(connection, used), versions=versions(connection))


def _weighed(judgements: list[tuple[str, str, bool]]) -> tuple[set[str], set[str]]:
    """Return the narrower kinds that are unsuitable, and what all others are.

    A kind that is unsuitable does not condemn what it is a kind of, but that no longer suits without limits.

    Args:
        judgements: of what, which, and whether that is a narrower kind of what was asked for.
    """
    condemned = {label for label, use, narrower in judgements if use == "unsuitable" and narrower}
    condemned -= {label for label, use, _ in judgements if use == "suitable"}  # of these, sources disagree
    uses = {use for label, use, _ in judgements if label not in condemned} - {"not-known"}
    return condemned, uses | {"limited"} if condemned and uses else uses


def _kinds(condemned: set[str], expected: list[str]) -> str:
    """Name the narrower kinds that are unsuitable, and those that are expected to be by chemistry."""
    text = ""
    for words, labels in (("unsuitable with", condemned), ("expected to be unsuitable by chemistry with", [e for e in expected if e not in condemned])):
        named = sorted({inside(label) for label in labels})
        if named:
            text += f"; {words} {join([*named[:3], *([f'{len(named) - 3} more'] if len(named) > 3 else [])])}"
    return text


_SAID = {
    "suitable": "suitable",
    "limited": "suitable within limits",
    "unsuitable": "unsuitable",
    "disputed": "sources disagree",
    "expected-unsuitable": "expected to be unsuitable by chemistry",
    "not-known": "not known",
}


def _derived(connection: sqlite3.Connection, target: names.Name, additives: list[set[str]]) -> list[Row]:
    """Return what the rules derive for the most special additives that they speak of."""
    for level in additives:
        effects = {e["id"]: e for analyte, _ in analytes_of(connection, target) for additive in sorted(level)
                   for e in rows(connection, "effects_of_pair", cause=additive, analyte=analyte)
                   if e["status"] == "derived" and e["direction"] in MOVES and e["cause"] in level}
        if effects:
            return list(effects.values())
    return []


def _most_special(found: list[Row], column: str, levels: list[set[str]]) -> list[Row]:
    """Return the facts on what was asked; failing that on the next broader, then on the narrower ones."""
    for level in levels:
        of_level = [row for row in found if row[column] in level]
        if of_level:
            return of_level
    return []


def usability_of(uses: set[str], derived: bool) -> str:
    """The stricter of two judgements holds, unless one says suitable and the other unsuitable."""
    if {"suitable", "unsuitable"} <= uses:
        return "disputed"
    for usability in ("unsuitable", "limited", "suitable"):
        if usability in uses:
            return usability
    return "expected-unsuitable" if derived else "not-known"


def _one_each(derived: list[Row]) -> list[Row]:
    return list({(e["mechanism"], e["direction"]): e for e in reversed(derived)}.values())[:3]


def _meant(connection: sqlite3.Connection, on: names.Name) -> tuple[list[set[str]], list[set[str]]]:
    """Return materials and additives that are meant: first those asked for, then the broader, then the narrower."""
    if on.kind == "SpecimenMaterial":
        materials = _levels(connection, {on.id})
        held = connection.execute("SELECT additive FROM materials WHERE id = ?", (on.id,)).fetchone()["additive"]
        return materials, _levels(connection, {held}) if held else []
    additives = _levels(connection, {additive for additive, _ in causes_of(connection, on)})
    of = {r["id"]: r["additive"] for r in connection.execute("SELECT id, additive FROM materials WHERE additive IS NOT NULL")}
    return [{material for material, additive in of.items() if additive in level} for level in additives], additives


def _levels(connection: sqlite3.Connection, concepts: set[str]) -> list[set[str]]:
    marks = ",".join("?" * len(concepts))
    levels: dict[int, set[str]] = {}
    for row in connection.execute(f"SELECT broader, distance FROM closure WHERE narrower IN ({marks})", sorted(concepts)):
        levels.setdefault(row["distance"], set()).add(row["broader"])
    narrower = {r["narrower"] for r in connection.execute(
        f"SELECT narrower FROM closure WHERE broader IN ({marks}) AND distance > 0", sorted(concepts))}
    return [*(levels[distance] for distance in sorted(levels)), narrower]


def _catalogue(connection: sqlite3.Connection, code: str) -> Section:
    test = connection.execute("SELECT * FROM test WHERE code = ?", (code,)).fetchone()

    def labels(table: str, column: str) -> str:
        return ", ".join(r["label"] for r in connection.execute(
            f"SELECT c.label FROM {table} x JOIN concept c ON c.id = x.{column} WHERE x.test = ? ORDER BY c.label", (code,)))

    facts = [("Material", labels("test_material", "material")), ("Container", labels("test_container", "container")),
             ("Volume", magnitude(test["volume_ml"], None, "mL")), ("Minimum volume", magnitude(test["minimum_volume_ml"], None, "mL")),
             ("Stability", f"{magnitude(test['stability_hours'], None, 'h')} {test['stability_temperature'] or ''}".strip()),
             ("Separate within", magnitude(test["separate_within_minutes"], None, "min")),
             ("Handling", labels("test_handling", "requirement")), ("Turn-round", magnitude(test["turnround_hours"], None, "h")),
             ("Department", test["department"]), ("Remark", test["remark"])]
    return Section(f"Local catalogue: {code}, {test['name']}", tuple(Item(f"{title}: {text}", {title.lower(): text}) for title, text in facts if text),
                   "What the laboratory wrote; the facts below may say otherwise.")


def _materials(found: list[Row], used: dict[str, str]) -> list[Item]:
    items: dict[tuple[str, str], list[Row]] = {}
    for row in found:
        items.setdefault((row["material_label"], row["analyte_label"]), []).append(row)
    return [_merged(f"{material}, for {inside(analyte)}", listed, used) for (material, analyte), listed in items.items()]


def _merged(text: str, listed: list[Row], used: dict[str, str]) -> Item:
    details = []
    for row in listed:
        bias = magnitude(row["bias_low"], row["bias_high"], row["bias_unit"])
        details += [part for part in (f"bias {bias}" if bias else "", row["condition"]) if part]
    if any(row["preferred"] == "yes" for row in listed):
        text += " - preferred"
    if details:
        text += f" ({'; '.join(dict.fromkeys(details))})"
    return Item(text, {"material": listed[0]["material"], "facts": [row["id"] for row in listed]}, cited(used, listed))


def _additives(found: list[Row], used: dict[str, str]) -> list[Item]:
    items: dict[str, list[Row]] = {}
    for row in found:
        items.setdefault(row["cause_label"], []).append(row)
    result = []
    for cause, listed in sorted(items.items()):
        conditions = "; ".join(dict.fromkeys(r["condition"] for r in listed if r["condition"]))
        result.append(Item(cause + (f" ({conditions})" if conditions else ""), {"additive": listed[0]["cause"], "facts": [r["id"] for r in listed]},
                           cited(used, listed)))
    return result


def _conflicts(found: list[Row]) -> list[str]:
    by_material: dict[tuple[str, str], set[str]] = {}
    for row in found:
        by_material.setdefault((row["material_label"], row["analyte_label"]), set()).add(row["usability"])
    return [f"{material}, for {inside(analyte)}: sources say {' and '.join(USABILITIES[u] for u in sorted(uses))}."
            for (material, analyte), uses in by_material.items() if len(uses - {"not-known"}) > 1]


def _positions(connection: sqlite3.Connection, best: list[str], found: list[Row], used: dict[str, str]) -> Section | None:
    additives = {r["additive"] for r in found if r["material_label"] in best and r["additive"]}
    near = {part for additive in additives for part in related(connection, additive)}
    items = []
    for row in rows(connection, "draw_order", guideline=DEFAULT_GUIDELINE):
        if set((row["additives"] or "").split(";")) & near:
            note(used, row["source"], row["basis"])
            reason = f", because {row['rationale']}" if row["rationale"] else ""
            items.append(Item(f"Position {row['position']}: {row['step']}{reason}", {"position": row["position"]}, (row["source"],)))
    if not items:
        return None
    guideline = connection.execute("SELECT label FROM guidelines WHERE id = ?", (DEFAULT_GUIDELINE,)).fetchone()["label"]
    return Section(f"Place in the draw order ({guideline})", tuple(items))
