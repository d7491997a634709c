"""The parts of a plan's answer."""

from __future__ import annotations

from typing import Any, NamedTuple

from kg.answer import Link, Section


class Told(NamedTuple):
    """What a plan has to say, before it becomes an answer."""

    headline: str
    sections: tuple[Section, ...]
    because: tuple[Link, ...]
    conflicts: tuple[str, ...]
    unknowns: tuple[str, ...]
    used: dict[str, str]
    """Sources used, each with the basis of the facts taken from it."""
    data: dict[str, Any]
