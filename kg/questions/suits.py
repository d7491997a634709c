"""suits TEST: the specimen materials and containers that serve a test, and what they ask for."""

from __future__ import annotations

import sqlite3

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.common import USABILITIES, analytes_of, note, understood
from kg.questions.handling import handling_sections
from kg.wording import magnitude

Row = sqlite3.Row
DEFAULT_GUIDELINE = "eflm-colabiocli-2018-venous"


def suits(connection: sqlite3.Connection, test: str) -> Answer:
    """List what suits an analyte or a test of the catalogue.

    Args:
        connection: the database.
        test: a test by code or name, or an analyte.

    Raises:
        UnknownName, AmbiguousName: the name is not understood.
    """
    target = names.resolve(connection, test, names.MEASURED, tests=True)
    used: dict[str, str] = {}
    sections: list[Section] = []
    if target.kind == "Test":
        sections.append(_catalogue(connection, target.id))
    found: list[Row] = []
    additives: list[Row] = []
    for analyte, _ in analytes_of(connection, target):
        found += rows(connection, "suitability", analyte=analyte)
        additives += [e for e in rows(connection, "effects_on_analyte", analyte=analyte)
                      if e["usability"] and e["cause_kind"] == "Additive"]
    for usability in ("suitable", "limited", "unsuitable", "not-known"):
        of_kind = [r for r in found if r["usability"] == usability]
        if of_kind:
            sections.append(Section(f"Specimen materials: {USABILITIES[usability]}", tuple(_materials(of_kind, used))))
    for usability in ("suitable", "limited", "unsuitable"):
        of_kind = [e for e in additives if e["usability"] == usability]
        if of_kind:
            sections.append(Section(f"Additives: {USABILITIES[usability]}", tuple(_additives(of_kind, used))))
    good = [r["material_label"] for r in found if r["usability"] == "suitable"]
    preferred = [r["material_label"] for r in found if r["usability"] == "suitable" and r["preferred"] == "yes"]
    best = list(dict.fromkeys(preferred or good))
    sections += handling_sections(connection, target, used)
    position = _positions(connection, best, found, used)
    if position:
        sections.append(position)
    unknowns, conflicts = [], _conflicts(found)
    if best:
        headline = f"{target.label}: {', '.join(best[:4])}{' preferred' if preferred else ''}."
    elif additives:
        fit = list(dict.fromkeys(e["cause_label"] for e in additives if e["usability"] == "suitable"))
        headline = f"{target.label}: {', '.join(fit[:4])} published as usable." if fit else f"{target.label}: no material is recorded as suitable."
    else:
        headline = f"{target.label}: not known. No suitability is recorded."
        unknowns.append(f"Which material suits {target.label}.")
    return Answer("suits", understood(target), "answered" if found or additives else "not-known", headline, tuple(sections),
                  (), tuple(conflicts), tuple(unknowns), cite(connection, used), versions=versions(connection))


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
    return [_merged(f"{material}, for {analyte}", listed, used) for (material, analyte), listed in items.items()]


def _merged(text: str, listed: list[Row], used: dict[str, str]) -> Item:
    details = []
    for row in listed:
        note(used, row["source"], row["basis"])
        bias = magnitude(row["bias_low"], row["bias_high"], row["bias_unit"])
        details += [part for part in (f"bias {bias}" if bias else "", row["condition"]) if part]
    if any(row["preferred"] == "yes" for row in listed):
        text += " - preferred"
    if details:
        text += f" ({'; '.join(dict.fromkeys(details))})"
    return Item(text, {"material": listed[0]["material"], "facts": [row["id"] for row in listed]},
                tuple(dict.fromkeys(row["source"] for row in listed)))


def _additives(found: list[Row], used: dict[str, str]) -> list[Item]:
    items: dict[str, list[Row]] = {}
    for row in found:
        items.setdefault(row["cause_label"], []).append(row)
    result = []
    for cause, listed in sorted(items.items()):
        for row in listed:
            note(used, row["source"], row["basis"])
        conditions = "; ".join(dict.fromkeys(r["condition"] for r in listed if r["condition"]))
        result.append(Item(cause + (f" ({conditions})" if conditions else ""), {"additive": listed[0]["cause"], "facts": [r["id"] for r in listed]},
                           tuple(dict.fromkeys(r["source"] for r in listed))))
    return result


def _conflicts(found: list[Row]) -> list[str]:
    by_material: dict[str, set[str]] = {}
    for row in found:
        by_material.setdefault(row["material_label"], set()).add(row["usability"])
    return [f"{material}: sources say {' and '.join(USABILITIES[u] for u in sorted(uses))}."
            for material, uses in by_material.items() if len(uses - {"not-known"}) > 1]


def _positions(connection: sqlite3.Connection, best: list[str], found: list[Row], used: dict[str, str]) -> Section | None:
    additives = {r["additive"] for r in found if r["material_label"] in best and r["additive"]}
    items = []
    for row in rows(connection, "draw_order", guideline=DEFAULT_GUIDELINE):
        held = set((row["additives"] or "").split(";"))
        related = {r["broader"] for a in additives for r in connection.execute(
            "SELECT broader FROM closure WHERE narrower = ? UNION SELECT narrower FROM closure WHERE broader = ?", (a, a))}
        if held & related:
            note(used, row["source"], row["basis"])
            reason = f", because {row['rationale']}" if row["rationale"] else ""
            items.append(Item(f"Position {row['position']}: {row['step']}{reason}", {"position": row["position"]}, (row["source"],)))
    if not items:
        return None
    guideline = connection.execute("SELECT label FROM guidelines WHERE id = ?", (DEFAULT_GUIDELINE,)).fetchone()["label"]
    return Section(f"Place in the draw order ({guideline})", tuple(items))
