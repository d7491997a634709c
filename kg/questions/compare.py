"""compare A B [--test T]: two additives or specimen materials side by side."""

from __future__ import annotations

import sqlite3
from collections import defaultdict

from kg import names
from kg.answer import Answer, Citation, Item, Link, Section, cite, versions
from kg.database import rows
from kg.questions.common import causes_of, note, understood
from kg.questions.invalidates import judge
from kg.questions.suits import suits

Row = sqlite3.Row
_KINDS = ("Additive", "Container", "SpecimenMaterial", "Factor")
_WORDS = {"unusable": "unsuitable", "limited": "within limits", "disputed": "sources disagree", "expected": "expected to change",
          "harmless": "published as unchanged", "not-known": "not known"}


def compare(connection: sqlite3.Connection, first: str, second: str, test: str | None = None) -> Answer:
    """Compare what two additives do, or how two specimen materials serve one test.

    Args:
        connection: the database.
        first: an additive, a container or a specimen material.
        second: another.
        test: a test or an analyte; all analytes are compared without it.

    Raises:
        UnknownName, AmbiguousName: a name is not understood.
    """
    if test:
        return _for_test(connection, suits(connection, test, first), suits(connection, test, second))
    pair = [names.resolve(connection, text, _KINDS) for text in (first, second)]
    used: dict[str, str] = {}
    judged = [_judge(connection, name) for name in pair]
    sections = [Section(f"{name.label}: composition and what it binds", tuple(_chemistry(connection, name, used))) for name in pair]
    labels = {a: label for one in judged for a, (_, label) in one.items()}
    groups: dict[tuple[str, str], list[str]] = defaultdict(list)
    for analyte, label in sorted(labels.items(), key=lambda entry: entry[1]):
        one, other = (j[analyte][0] if analyte in j else "not-known" for j in judged)
        groups[one, other].append(label)
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


def _for_test(connection: sqlite3.Connection, one: Answer, other: Answer) -> Answer:
    """Lay two judgements of the same test side by side."""
    sections: list[Section] = []
    because: list[Link] = []
    citations: dict[str, Citation] = {}
    for answer in (one, other):
        sections += [s._replace(title=f"{answer.headline.partition(':')[0]}. {s.title}") for s in answer.sections
                     if not s.title.startswith(("Handling", "Stability"))]
        because += answer.because
        citations.update({c.id: c for c in answer.citations})
    return Answer("compare", "; ".join(filter(None, (one.understood, other.understood))),
                  "not-known" if one.verdict == other.verdict == "not-known" else "answered",
                  f"{one.headline} {other.headline}", tuple(sections), tuple(because), (*one.conflicts, *other.conflicts),
                  (*one.unknowns, *other.unknowns), tuple(citations.values()), versions=versions(connection))


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
