"""handling TEST: what has to be done with the specimen, how long it keeps, and what happens otherwise."""

from __future__ import annotations

import sqlite3

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.common import analytes_of, narrower, note, understood
from kg.wording import inside, magnitude

Row = sqlite3.Row
GENERAL = ("any-test", "blood-tests")
"""Groups whose rules hold for so many tests that they come last."""
_STATES = {"unseparated": "On the cells", "separated": "Taken off the cells", "not-applicable": "Without cells",
           "not-stated": "Cells not stated"}
_OUTCOMES = {"stable-for": "stable for at least", "unstable-after": "stable up to", "changed-at": "changed at",
             "not-stable": "not stable"}


def handling(connection: sqlite3.Connection, test: str) -> Answer:
    """List the handling rules and stability limits of an analyte or test.

    Args:
        connection: the database.
        test: a test by code or name, an analyte, or a group of analytes.

    Raises:
        UnknownName, AmbiguousName: the name is not understood.
    """
    target = names.resolve(connection, test, names.MEASURED, tests=True)
    used: dict[str, str] = {}
    sections = handling_sections(connection, target, used)
    rules = [item for section in sections if section.title == "Handling" for item in section.items]
    if rules:
        wanted = list(dict.fromkeys(inside(item.data["requirement_label"]) for item in rules))
        headline = f"{target.label}: {', '.join(wanted[:5])}{' and more' if len(wanted) > 5 else ''}."
    elif sections:
        headline = f"{target.label}: no handling rule is recorded; stability limits are below."
    else:
        headline = f"{target.label}: not known. Neither a handling rule nor a stability limit is recorded."
    unknowns = () if sections else (f"How {target.label} must be handled.",)
    return Answer("handling", understood(target), "answered" if sections else "not-known", headline, tuple(sections), (), (),
                  unknowns, cite(connection, used), versions=versions(connection))


def handling_sections(connection: sqlite3.Connection, target: names.Name, used: dict[str, str]) -> list[Section]:
    """Return the handling and stability sections of an analyte or test."""
    rules: list[Row] = []
    limits: list[Row] = []
    others: list[Row] = []
    for analyte in _all_meant(connection, target):
        others += rows(connection, "specimen_rules", analyte=analyte)
        rules += rows(connection, "handling", analyte=analyte)
        limits += rows(connection, "stability", analyte=analyte)
    sections = []
    own = {r["id"]: r for r in rules if r["analyte"] not in GENERAL}
    general = {r["id"]: r for r in rules if r["analyte"] in GENERAL}
    if own:
        near = sorted(own.values(), key=lambda r: r["distance"])
        sections.append(Section("Handling", tuple(_rule(r, used) for r in near)))
    if others:
        sections.append(Section("Rules for the specimen", tuple(_other(r, used) for r in {r["sentence"]: r for r in others}.values())))
    if general:
        sections.append(Section("Handling of any test", tuple(_rule(r, used) for r in general.values())))
    for state, title in _STATES.items():
        of_state = {r["id"]: r for r in limits if r["state"] == state}.values()
        if of_state:
            sections.append(Section(f"Stability. {title}", tuple(_limit(r, used) for r in of_state)))
    return sections


def _rule(row: Row, used: dict[str, str]) -> Item:
    note(used, row["source"], row["basis"])
    figure = magnitude(row["value"], None, row["unit"])
    text = row["requirement_label"] + (f" ({figure})" if figure else "")
    text += f", {inside(row['material_label'])}" if row["material_label"] else ""
    text += f", for {inside(row['analyte_label'])}"
    text += f": {row['condition']}" if row["condition"] else ""
    text += f". Otherwise: {row['consequence']}" if row["consequence"] else ""
    return Item(text, {"id": row["id"], "requirement": row["requirement"], "requirement_label": row["requirement_label"],
                       "value": row["value"], "unit": row["unit"]}, (row["source"],))


def _all_meant(connection: sqlite3.Connection, target: names.Name) -> list[str]:
    """Return the analytes of a test, or a group with its members."""
    listed = [analyte for analyte, _ in analytes_of(connection, target)]
    if target.kind == "AnalyteGroup" and target.id not in GENERAL:
        listed += sorted(narrower(connection, target.id) - {target.id})
    return listed


def _other(row: Row, used: dict[str, str]) -> Item:
    note(used, row["source"], row["basis"])
    return Item(row["sentence"], {"id": row["id"], "topic": row["topic"]}, (row["source"],))


def _limit(row: Row, used: dict[str, str]) -> Item:
    note(used, row["source"], row["basis"])
    low, high = row["temperature_low"], row["temperature_high"]
    degrees = f" ({magnitude(low, high, 'Cel')})" if low is not None or high is not None else ""
    text = f"{row['analyte_label']}, {inside(row['material_label'])}, {row['temperature'].replace('-', ' ')}{degrees}: {_OUTCOMES[row['outcome']]}"
    figure = magnitude(row["limit"], None, row["limit_unit"])
    text += f" {figure}" if figure else ""
    extra = "; ".join(part for part in (row["criterion"], row["condition"]) if part)
    text += f" ({extra})" if extra else ""
    keys = ("id", "analyte", "material", "state", "temperature", "limit", "limit_unit", "outcome")
    return Item(text, {key: row[key] for key in keys}, (row["source"],))
