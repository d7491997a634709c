"""about TERM: what a term means here, its names and codes, and what is recorded about it."""

from __future__ import annotations

import sqlite3

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.questions.common import note, understood

KINDS = ("Analyte", "AnalyteGroup", "Additive", "Factor", "Container", "SpecimenMaterial", "Method", "Mechanism", "Species",
         "Process", "Fluid", "HandlingRequirement", "DrawGuideline")
_REFERRING = (
    # title, query of facts that speak of the concept
    ("What it is made of", "SELECT id FROM composition WHERE additive = :c OR species = :c"),
    ("What it binds or is bound by", "SELECT id FROM binding WHERE ligand = :c OR metal = :c UNION SELECT id FROM interaction WHERE agent = :c OR target = :c"),
    ("What it inhibits or is inhibited by", "SELECT id FROM inhibition WHERE agent = :c OR target = :c"),
    ("What it measures", "SELECT id FROM measurands WHERE analyte = :c OR species = :c"),
    ("What methods require", "SELECT id FROM requirements WHERE method = :c OR species = :c"),
    ("What it uses up and sets free", "SELECT id FROM process_turnover WHERE process = :c OR species = :c"),
    ("Tube figures", "SELECT id FROM tube_specifications WHERE additive = :c OR container = :c OR additive IN "
                     "(SELECT additives FROM containers WHERE id = :c)"),
    ("Blood culture", "SELECT id FROM culture_rules WHERE :c IN ('sodium-polyanethole-sulfonate', 'blood-culture') AND "
                      "(:c = 'blood-culture' OR topic = 'anticoagulant')"),
    ("Composition of the fluid", "SELECT id FROM fluid_composition WHERE fluid = :c"),
    ("Limits and variation", "SELECT id FROM reference_limits WHERE analyte = :c UNION SELECT id FROM variation WHERE analyte = :c"),
    ("What to look for and what to do", "SELECT id FROM actions WHERE factor = :c"),
    ("Rules for urine and other specimens", "SELECT id FROM urine_rules WHERE material = :c OR analyte = :c"),
    ("Order", "SELECT id FROM draw_order WHERE guideline = :c"),
)


def about(connection: sqlite3.Connection, term: str) -> Answer:
    """Describe a concept.

    Args:
        connection: the database.
        term: any concept by any of its names.

    Raises:
        UnknownName, AmbiguousName: the name is not understood.
    """
    name = names.resolve(connection, term, KINDS, tests=True)
    if name.kind == "Test":
        raise names.UnknownName(term, [f"tubelore suits {name.id}"], "term (it is a test of the catalogue)")
    concept = connection.execute("SELECT * FROM concept WHERE id = ?", (name.id,)).fetchone()
    used: dict[str, str] = {}
    note(used, concept["source"], concept["basis"])
    kind = connection.execute("SELECT count(*) AS n FROM concept WHERE kind = ?", (name.kind,)).fetchone()["n"]
    called = [r["name"] for r in connection.execute(
        "SELECT name FROM name WHERE concept = ? AND sort IN ('synonym', 'colour') ORDER BY name", (name.id,))]
    codes = [f"{r['system']} {r['code']}{f', {r[3]}' if r['display'] else ''} ({r['predicate']}, {r['basis'] or 'basis not stated'})" for r in
             connection.execute("SELECT system, code, predicate, display, basis FROM mapping WHERE subject = ? ORDER BY system, code", (name.id,))]
    broader = [r["label"] for r in connection.execute(
        "SELECT c.label FROM closure x JOIN concept c ON c.id = x.broader WHERE x.narrower = ? AND x.distance > 0 ORDER BY x.distance", (name.id,))]
    narrower = [r["label"] for r in connection.execute(
        "SELECT c.label FROM closure x JOIN concept c ON c.id = x.narrower WHERE x.broader = ? AND x.distance = 1 ORDER BY c.label", (name.id,))]
    facts = [("Kind", f"{_spaced(name.kind)}, one of {kind}"), ("Id", name.id), ("Also called", ", ".join(called)),
             ("Belongs to", ", ".join(broader)), ("Comprises", ", ".join(narrower))]
    sections = [Section("Names", tuple(Item(f"{title}: {text}", {title.lower(): text}) for title, text in facts if text))]
    if codes:
        sections.append(Section("Codes", tuple(Item(code) for code in codes)))
    for title, query in _REFERRING:
        found = connection.execute(f"SELECT id, sentence, source, basis FROM fact WHERE id IN ({query}) ORDER BY table_name, id", {"c": name.id}).fetchall()
        for row in found:
            note(used, row["source"], row["basis"])
        if found:
            sections.append(Section(title, tuple(Item(r["sentence"], {"id": r["id"]}, (r["source"],) if r["source"] else ()) for r in found)))
    ways = [r["label"] for r in connection.execute(
        "SELECT DISTINCT m.label FROM effect e JOIN mechanisms m ON m.id = e.mechanism WHERE e.cause = ? ORDER BY m.label", (name.id,))]
    if ways:
        sections.append(Section("Acts through", tuple(Item(way) for way in ways)))
    effects = connection.execute("SELECT count(*) AS n FROM effect WHERE cause = :c OR analyte = :c", {"c": name.id}).fetchone()["n"]
    if effects:
        sections.append(Section("Effects", (Item(f"{effects} effects name it; ask 'affects' for an analyte, 'invalidates' for an additive or factor.", {"effects": effects}),)))
    headline = f"{name.label}: {concept['definition'] or _spaced(name.kind).lower()}"
    return Answer("about", understood(name), "answered", headline if headline.endswith(".") else headline + ".", tuple(sections),
                  citations=cite(connection, used), versions=versions(connection))


def _spaced(kind: str) -> str:
    return "".join(f" {c.lower()}" if c.isupper() and i else c for i, c in enumerate(kind))
