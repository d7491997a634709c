"""affects ANALYTE: every factor that moves an analyte, and what tells the factors apart."""

from __future__ import annotations

import sqlite3
from collections import defaultdict

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.common import analytes_of, cited, effect_data, mechanisms_of, note, size, understood
from kg.wording import inside

Row = sqlite3.Row
_TITLES = {"increase": "Raised by", "decrease": "Lowered by", "unmeasurable": "Made unmeasurable by",
           "variable": "Moved either way by", "no-effect": "Looked at, no change found"}


def affects(connection: sqlite3.Connection, analyte: str) -> Answer:
    """List every additive and factor that moves an analyte or the analytes of a test.

    Args:
        connection: the database.
        analyte: an analyte, a group of analytes, or a test of the catalogue.

    Raises:
        UnknownName, AmbiguousName: the name is not understood.
    """
    target = names.resolve(connection, analyte, names.MEASURED, tests=True)
    effects = {e["id"]: e for part, _ in analytes_of(connection, target) for e in rows(connection, "effects_on_analyte", analyte=part)}
    used: dict[str, str] = {}
    by_direction: dict[str, dict[str, list[Row]]] = defaultdict(lambda: defaultdict(list))
    for effect in effects.values():
        by_direction[effect["direction"]][effect["cause"]].append(effect)
    sections = [Section(title, _items(connection, by_direction[direction], used))
                for direction, title in _TITLES.items() if by_direction[direction]]
    ups, downs = len(by_direction["increase"]), len(by_direction["decrease"]) + len(by_direction["unmeasurable"])
    if effects:
        headline = f"{target.label}: {ups} causes raise it, {downs} lower it or make it unmeasurable."
    else:
        headline = f"{target.label}: not known. Nothing is recorded that moves it."
    both = [label for label in {e["cause_label"] for e in effects.values()}
            if any(e["cause_label"] == label and e["direction"] == "increase" and e["status"] == "asserted" for e in effects.values())
            and any(e["cause_label"] == label and e["direction"] == "decrease" and e["status"] == "asserted" for e in effects.values())]
    conflicts = tuple(f"{label}: sources give both directions; method and dose decide." for label in sorted(both))
    unknowns = ("What is not listed here is not known to leave the result alone.",) if effects else (f"What moves {target.label}.",)
    return Answer("affects", understood(target), "answered" if effects else "not-known", headline, tuple(sections), (), conflicts,
                  unknowns, cite(connection, used), versions=versions(connection))


def _items(connection: sqlite3.Connection, by_cause: dict[str, list[Row]], used: dict[str, str]) -> tuple[Item, ...]:
    """One line for each published cause, factors first; one for all that chemistry alone predicts."""
    published = [listed for listed in by_cause.values() if any(e["status"] == "asserted" for e in listed)]
    published.sort(key=lambda listed: (listed[0]["cause_kind"] != "Factor", listed[0]["cause_label"]))
    items = [_item(connection, listed, used) for listed in published]
    by_mechanism: dict[str, list[Row]] = defaultdict(list)
    for listed in by_cause.values():
        if listed not in published:
            by_mechanism[listed[0]["mechanism_label"]].append(listed[0])
    for mechanism, effects in sorted(by_mechanism.items()):
        causes = sorted({e["cause_label"] for e in effects})
        items.append(Item(f"By chemistry only, {inside(mechanism)}: {'; '.join(inside(c) for c in causes)}",
                          {"mechanism": effects[0]["mechanism"], "causes": sorted({e["cause"] for e in effects})}))
    return tuple(items)


def _item(connection: sqlite3.Connection, effects: list[Row], used: dict[str, str]) -> Item:
    first = effects[0]
    published = [e for e in effects if e["status"] == "asserted"]
    sources = cited(used, published)
    mechanisms = mechanisms_of(effects)
    sizes = [size(e) for e in published if size(e)]
    text = first["cause_label"]
    if mechanisms:
        text += f" - {mechanisms}"
    if sizes:
        text += f" - {sizes[0]}"
    detail: list[str] = []
    if first["cause_kind"] == "Factor":
        for action in rows(connection, "actions_of_factor", factor=first["cause"]):
            if action["kind"] in ("spot", "check") and len(detail) < 2:
                note(used, action["source"], action["basis"])
                detail.append(f"{'Seen by' if action['kind'] == 'spot' else 'Settled by'}: {action['statement']}")
    return Item(text, {"cause": first["cause"], "kind": first["cause_kind"], "effects": [effect_data(e) for e in effects]},
                sources, tuple(detail))
