"""On which facts an explanation rests: how common each cause is, what it does to each result, and what is usual."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np

from kg.database import rows
from kg.explain.findings import Finding
from kg.explain.model import Fact, Model
from kg.explain.priors import Candidates
from kg.questions.common import join, note
from kg.wording import spoken

_COMPUTED, _CONSTANTS, _PATTERN = "chemistry", "equilibrium", "pattern"
_USUAL = "as usual"


class Ground(NamedTuple):
    """What one cause does to one result: what it rests on, and the facts, in the order of their ids."""

    cause: int
    kind: str
    """``chemistry``, ``equilibrium``, ``sign`` or ``pattern``."""
    facts: tuple[Fact, ...]


Grounds = Mapping[tuple[str, str], tuple[Ground, ...]]
"""By ids of cause and analyte; nothing where the cause is not known to move the analyte."""


def read_grounds(connection: sqlite3.Connection, model: Model, findings: Iterable[Finding]) -> Grounds:
    """Return the facts behind what the causes of some explanations do to the results."""
    place = {model.causes[i].id: i for one in findings for i in one.explanation.causes}
    listed: dict[tuple[str, str], dict[str, list[Fact]]] = {}
    connection.row_factory, factory = None, connection.row_factory
    try:
        found = rows(connection, "grounds_of_panel", analytes=json.dumps(model.analytes), causes=json.dumps(list(place)))
    finally:
        connection.row_factory = factory
    for cause, analyte, kind, fact, source, basis in found:
        listed.setdefault((cause, analyte), {}).setdefault(kind, []).append(Fact(fact, source or "", basis or ""))
    return {pair: tuple(Ground(place[pair[0]], kind, tuple(sorted(facts))) for kind, facts in sorted(kinds.items())) for pair, kinds in listed.items()}


def grounds_of(grounds: Grounds, model: Model, found: Finding, analyte: str) -> tuple[Ground, ...]:
    """Return what an explanation rests on where it moves an analyte, in the order of its causes."""
    return tuple(ground for i in found.explanation.causes for ground in grounds.get((model.causes[i].id, analyte), ()))


def in_text(grounds: Iterable[Ground]) -> list[Fact]:
    """Return the facts that a line of text cites: all but the constants of complexes, which ``rests_on`` counts and the data list."""
    return [fact for ground in grounds if ground.kind != _CONSTANTS for fact in ground.facts]


def note_all(used: dict[str, str], facts: Iterable[Fact]) -> tuple[str, ...]:
    """Note facts as used, and return their sources, each once."""
    sources: dict[str, None] = {}
    for fact in facts:
        note(used, fact.source or None, fact.basis)
        if fact.source:
            sources[fact.source] = None
    return tuple(sources)


def adjusting(model: Model, before: Candidates, cause: int) -> tuple[Fact, ...]:
    """Return the settings by which what is known of the specimen makes a cause more or less likely."""
    return tuple(model.figures[name] for weighed in before.because if cause in weighed.causes for name in weighed.settings)


def share_of(before: Candidates, cause: int) -> float:
    """Return the probability of a cause before the results are looked at, among those that are weighed."""
    return float(np.exp(before.prior.causes[cause]))


def prior_text(model: Model, before: Candidates, found: Finding) -> str:
    """Say how common the causes of an explanation are among odd panels and, where the specimen bears on it, what they are held at."""
    told = []
    for i in found.explanation.causes:
        cause = model.causes[i]
        held = f", held at {_short(100 * share_of(before, i))} % beforehand" if adjusting(model, before, i) else ""
        told.append(f"{cause.prior:g} of 1,000 odd panels{held} ({cause.row.id}, {cause.row.basis})")
    return " and ".join(told)


def rests_on(model: Model, grounds: Grounds, found: Finding) -> str:
    """Say what computed, or which pattern gave, the expected figures of an explanation; the most common ground stands last."""
    groups: dict[str, list[str]] = {}
    constants: set[str] = set()
    for analyte, label in zip(model.analytes, model.labels, strict=True):
        own = grounds_of(grounds, model, found, analyte)
        constants |= {fact.id for ground in own if ground.kind == _CONSTANTS for fact in ground.facts}
        patterns = [fact.id for ground in own if ground.kind == _PATTERN for fact in ground.facts]
        name = spoken(label) + (f" ({', '.join(patterns)})" if patterns else "")
        groups.setdefault(" and ".join(dict.fromkeys(_said(model, ground) for ground in own if ground.kind != _CONSTANTS)) or _USUAL, []).append(name)
    ordered = sorted(groups.items(), key=lambda group: len(group[1]))
    last, names = ordered[-1]
    parts = [f"{how} for {join(names)}" for how, names in ordered[:-1]]
    rest = join(names) if _PATTERN in last else "the others" if parts else "all"
    solved = f" ({len(constants)} constants of complexes took part; --json lists them)" if constants else ""
    return f"Expected figures: {'; '.join([*parts, f'{last} for {rest}'])}{solved}"


def _said(model: Model, ground: Ground) -> str:
    return {_COMPUTED: f"computed by the model {model.causes[ground.cause].model}", _PATTERN: "by pattern"}.get(ground.kind, "by a sign of judged size")


def prior_data(model: Model, before: Candidates, cause: int, used: dict[str, str]) -> dict[str, Any]:
    """Return what a program reads of how likely a cause is held beforehand, its sources noted as used."""
    one, settings = model.causes[cause], adjusting(model, before, cause)
    note_all(used, (one.row, *settings))
    return {"per_1000": one.prior, "share": float(f"{share_of(before, cause):.6g}"), **fact_data(one.row),
            "adjusted_by": [fact_data(fact) for fact in settings]}


def fact_data(fact: Fact) -> dict[str, str]:
    """Return what a program reads of a fact."""
    return {"row": fact.id, "source": fact.source, "basis": fact.basis}


def ground_data(model: Model, ground: Ground, used: dict[str, str]) -> dict[str, Any]:
    """Return what a program reads of a ground, its sources noted as used."""
    note_all(used, ground.facts)
    sources = sorted({(fact.source, fact.basis) for fact in ground.facts if fact.source})
    return {"cause": model.causes[ground.cause].id, "kind": ground.kind, "model": model.causes[ground.cause].model if ground.kind in (_COMPUTED, _CONSTANTS) else None,
            "rows": [fact.id for fact in ground.facts], "sources": [{"id": source, "basis": basis} for source, basis in sources]}


def _short(value: float) -> str:
    return f"{value:.2g}" if value < 10 else f"{value:.0f}"
