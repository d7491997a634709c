"""The one structure in which every question answers, and how it reads as text and as JSON."""

from __future__ import annotations

import sqlite3
import textwrap
from collections.abc import Sequence
from typing import Any, NamedTuple

CAUTIONS = (
    "Local procedures, the method's own documentation and the responsible laboratory professional decide; "
    "this tool does not diagnose.",
    "What is not listed is not known; it is not thereby harmless.",
)
BASIS_WORDS = {
    "read": "text read",
    "abstract": "abstract read",
    "memory": "recalled, not looked up",
    "practice": "common practice, no source",
}


class Citation(NamedTuple):
    """A source as an answer cites it."""

    id: str
    text: str
    basis: str
    locator: str = ""


class Item(NamedTuple):
    """One line of a section: a sentence, its data, and the ids of the sources behind it."""

    text: str
    data: dict[str, Any] = {}
    sources: tuple[str, ...] = ()
    detail: tuple[str, ...] = ()


class Section(NamedTuple):
    """A titled group of lines."""

    title: str
    items: tuple[Item, ...]
    note: str = ""


class Link(NamedTuple):
    """One step of a chain of reasons: a statement and its source, or the rule that gives it."""

    text: str
    kind: str
    """``fact``, ``conclusion`` or ``published``."""
    id: str
    rule: str = ""
    sources: tuple[str, ...] = ()
    depth: int = 0


class Answer(NamedTuple):
    """What every question returns.

    ``verdict`` is a fixed word for programs, ``headline`` the same for people. ``because`` is the chain
    of reasons in order. ``unknowns`` says what is not known, ``conflicts`` where sources disagree.
    ``data`` is what a program reads of a computed answer; in JSON its names stand beside the others, as the
    answer's schema in ``queries/schemas`` says.
    """

    question: str
    understood: str
    verdict: str
    headline: str
    sections: tuple[Section, ...] = ()
    because: tuple[Link, ...] = ()
    conflicts: tuple[str, ...] = ()
    unknowns: tuple[str, ...] = ()
    citations: tuple[Citation, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    versions: dict[str, str] = {}
    data: dict[str, Any] = {}

    def to_json(self) -> dict[str, Any]:
        """Return the answer as plain dictionaries and lists, in a stable order of keys."""
        plain = self._asdict()
        for name in ("sections", "because", "citations"):
            plain[name] = [part._asdict() for part in plain[name]]
        for section in plain["sections"]:
            section["items"] = [item._asdict() for item in section["items"]]
        data = plain.pop("data")
        return {**plain, **data}

    def to_text(self, width: int = 100, limit: int | None = None) -> str:
        """Return the answer as text: what matters first, sources numbered at the end.

        A computed answer, which carries data, tells what it found before the reasons; others tell the reasons first.

        Args:
            width: characters a line.
            limit: lines a section; the rest is counted, never left out in silence. All when None.
        """
        shown = [section._replace(items=section.items[:limit]) for section in self.sections]
        listed = {source for link in self.because for source in link.sources}
        listed |= {source for section in shown for item in section.items for source in item.sources}
        cited = [citation for citation in self.citations if citation.id in listed]
        number = {citation.id: position for position, citation in enumerate(cited, 1)}
        lines = _wrap(self.headline, width)
        if self.understood:
            lines += _wrap(f"Understood as: {self.understood}", width)
        reasons = _reasons(self.because, number, width)
        found = _found(shown, self.sections, number, width)
        lines += found + reasons if self.data else reasons + found
        for title, texts in (("Sources disagree", self.conflicts), ("Not known", self.unknowns)):
            if texts:
                lines += ["", title]
                for text in texts:
                    lines += _wrap(text, width, "  - ", "    ")
        if cited:
            lines += ["", "Sources"]
            for position, citation in enumerate(cited, 1):
                basis = BASIS_WORDS.get(citation.basis, citation.basis)
                lines += _wrap(f"{citation.text} ({basis})", width, f"  [{position}] ", "      ")
        lines.append("")
        for caution in self.cautions:
            lines += _wrap(caution, width)
        versions = ", ".join(f"{name} {value}" for name, value in self.versions.items())
        return "\n".join([*lines, f"Tubelore {versions}."])


def _reasons(because: Sequence[Link], number: dict[str, int], width: int) -> list[str]:
    lines = ["", "Why"] if because else []
    for step, link in enumerate(because, 1):
        rule = f" [rule: {link.rule}]" if link.rule else ""
        lines += _wrap(f"{link.text}{rule}{_marks(link.sources, number)}", width, f"{'  ' * link.depth}  {step}. ", f"{'  ' * link.depth}     ")
    return lines


def _found(shown: Sequence[Section], whole: Sequence[Section], number: dict[str, int], width: int) -> list[str]:
    lines: list[str] = []
    for section, complete in zip(shown, whole, strict=True):
        lines += ["", section.title]
        if section.note:
            lines += _wrap(section.note, width, "  ")
        for item in section.items:
            lines += _wrap(f"{item.text}{_marks(item.sources, number)}", width, "  - ", "    ")
            for detail in item.detail:
                lines += _wrap(detail, width, "      ", "      ")
        if len(complete.items) > len(section.items):
            lines.append(f"  ... and {len(complete.items) - len(section.items)} more (--all prints them)")
    return lines


def _wrap(text: str, width: int, first: str = "", rest: str | None = None) -> list[str]:
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=first if rest is None else rest,
                         break_long_words=False, break_on_hyphens=False) or [first]


def _marks(sources: tuple[str, ...], number: dict[str, int]) -> str:
    marks = sorted({number[source] for source in sources if source in number})
    return f" [{', '.join(map(str, marks))}]" if marks else ""


def cite(connection: sqlite3.Connection, used: dict[str, str]) -> tuple[Citation, ...]:
    """Return citations for the sources of an answer, in the order in which they were used.

    Args:
        connection: the database.
        used: the ids of sources, each with the basis on which a fact was taken from it.
    """
    marks = ",".join("?" * len(used))
    found = {row["id"]: row for row in connection.execute(
        f"SELECT id, kind, authors, title, year, container, identifier FROM sources WHERE id IN ({marks})", list(used))}
    citations = []
    for source, basis in used.items():
        row = found.get(source)
        if row is not None:
            parts = [row["authors"], row["title"], row["container"], str(row["year"] or ""), row["identifier"]]
            citations.append(Citation(source, ". ".join(part.rstrip(".") for part in parts if part), basis))
    return tuple(citations)


def versions(connection: sqlite3.Connection) -> dict[str, str]:
    """Return the versions of code and data that an answer names."""
    found = dict(connection.execute("SELECT key, value FROM build_info WHERE key IN ('code_version', 'data_version')").fetchall())
    return {"code": found["code_version"], "data": found["data_version"]}
