"""compare A B: two additives side by side."""

from __future__ import annotations

import sqlite3
from collections import defaultdict

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.common import causes_of, note, understood
from kg.questions.invalidates import judge

Row = sqlite3.Row
_WORDS = {"unusable": "not usable", "limited": "within limits", "disputed": "sources disagree", "expected": "expected to change",
          "harmless": "published as unchanged", "not-known": "not known"}


def compare(connection: sqlite3.Connection, first: str, second: str) -> Answer:
    """Compare what two additives are made of and what they do to each analyte.

    Args:
        connection: the database.
        first: an additive or a container.
        second: an additive or a container.

    Raises:
        UnknownName, AmbiguousName: a name is not understood.
    """
    pair = [names.resolve(connection, text, ("Additive", "Container", "Factor")) for text in (first, second)]
    used: dict[str, str] = {}
    judged = [_judge(connection, name) for name in pair]
    sections = [Section(f"{name.label}: composition and what it binds", tuple(_chemistry(connection, name, used))) for name in pair]
    labels = {a: label for one in judged for a, (_, label) in one.items()}
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for analyte, label in sorted(labels.items(), key=lambda entry: entry[1]):
        verdicts = tuple(one[analyte][0] if analyte in one else "not-known" for one in judged)
        groups[verdicts].append(label)  # type: ignore[index]
    differ = [(v, listed) for v, listed in groups.items() if v[0] != v[1]]
    same = sum(len(listed) for v, listed in groups.items() if v[0] == v[1])
    items = [Item(f"{pair[0].label} {_WORDS[a]}, {pair[1].label} {_WORDS[b]}: {', '.join(listed)}",
                  {"first": a, "second": b, "analytes": listed}) for (a, b), listed in sorted(differ)]
    sections = [s for s in sections if s.items]
    if items:
        sections.append(Section("Where they differ", tuple(items)))
    number = sum(len(listed) for _, listed in differ)
    headline = f"{pair[0].label} and {pair[1].label} differ on {number} analytes or groups and agree on {same}."
    return Answer("compare", understood(*pair), "answered" if labels else "not-known", headline, tuple(sections), (), (),
                  ("An analyte that is named for one only is not known for the other.",), cite(connection, used),
                  versions=versions(connection))


def _judge(connection: sqlite3.Connection, name: names.Name) -> dict[str, tuple[str, str]]:
    effects: dict[str, list[Row]] = defaultdict(list)
    for cause, _ in causes_of(connection, name):
        for effect in rows(connection, "effects_of_cause", cause=cause):
            effects[effect["analyte"]].append(effect)
    return {analyte: (judge(listed), listed[0]["analyte_label"]) for analyte, listed in effects.items()}


def _chemistry(connection: sqlite3.Connection, name: names.Name, used: dict[str, str]) -> list[Item]:
    items = []
    for cause, _ in causes_of(connection, name):
        for row in [*rows(connection, "composition", additive=cause), *rows(connection, "specifications", additive=cause)]:
            note(used, row["source"], row["basis"])
            items.append(Item(row["sentence"], {"id": row["id"]}, (row["source"],) if row["source"] else ()))
    return items
