"""What the judgement of one test consists of: findings, each with its decision and its reasons."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import Any, NamedTuple

Row = sqlite3.Row

DECISIONS = ("accept", "accept-with-comment", "not-known", "do-not-report", "recollect")
"""From the mildest to the strictest; the strictest finding decides."""
REJECTED = ("do-not-report", "recollect")
REPORTED = ("accept", "accept-with-comment")


class Reason(NamedTuple):
    """A fact behind a finding: its sentence, id and source."""

    text: str
    id: str
    source: str | None
    basis: str | None
    kind: str = "fact"


class Finding(NamedTuple):
    """What one rule says of one test."""

    check: str
    decision: str
    words: str
    reasons: tuple[Reason, ...] = ()
    remedy: str = ""
    missing: str = ""
    """The field that was not said, when the rule could not be applied."""
    question: str = ""
    effects: tuple[Row, ...] = ()
    """The effects that reach the test, strongest evidence first."""


class Limit(NamedTuple):
    """One limit of time that holds for a test and this specimen."""

    id: str
    text: str
    phase: str
    """``on-cells``, ``off-cells`` or ``whole``: the time that is counted."""
    temperature: str | None
    """None when it holds at any."""
    hours: float
    kind: str
    """``ends`` (stable no longer than this), ``changed`` (changed by this time) or ``holds`` (stable for at least this)."""
    used: float
    """Hours already spent that count against it."""
    passed: bool
    source: str | None
    basis: str | None
    condition: str = ""

    def to_data(self) -> dict[str, Any]:
        """Return the limit for programs."""
        return {"fact": self.id, "text": self.text, "phase": self.phase, "temperature": self.temperature, "limit_hours": self.hours,
                "kind": self.kind, "used_hours": self.used, "passed": self.passed, "condition": self.condition, "source": self.source,
                "basis": self.basis}


class Remaining(NamedTuple):
    """Time left before a limit is passed, while the specimen stays as it is now."""

    hours: float
    before: str
    """``the result changes``, ``the spin`` or another event that has to come first."""
    text: str
    source: str | None
    basis: str | None
    sure: bool = True
    """False when the limit only says how long it was shown to keep."""


class Judged(NamedTuple):
    """The judgement of one test."""

    key: str
    label: str
    code: str | None
    decision: str
    findings: tuple[Finding, ...]
    material: str | None
    limits: tuple[Limit, ...]
    published: Remaining | None
    local: Remaining | None
    panel: str = ""

    @property
    def deciding(self) -> tuple[Finding, ...]:
        """The findings that led to the decision, those of missing facts last."""
        same = [f for f in self.findings if f.decision == self.decision]
        return tuple(sorted(same, key=lambda f: bool(f.missing)))

    @property
    def missing(self) -> tuple[str, ...]:
        """The fields that rules for this test would have read."""
        return tuple(dict.fromkeys(f.missing for f in self.findings if f.missing))


def strictest(decisions: Iterable[str]) -> str:
    """Return the strictest of some decisions; ``accept`` when there are none."""
    return max(decisions, key=DECISIONS.index, default="accept")


def hours_text(hours: float) -> str:
    """Return hours as people say them.

    >>> hours_text(1.3334), hours_text(0.5), hours_text(50), hours_text(24)
    ('1 h 20 min', '30 min', '2 d 2 h', '24 h')
    """
    minutes = round(hours * 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes <= 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 and minutes < 24 * 60 else f"{minutes // 60} h"
    days, rest = divmod(round(minutes / 60), 24)
    return f"{days} d {rest} h" if rest and days < 10 else f"{days} d"
