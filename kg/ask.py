"""ask "free text": recognises the terms and the kind of question, says how, and answers.

The kinds of question and the words that point to them are a table, ``queries/ask.csv``: the first row
whose cue occurs and whose terms are there decides.
"""

from __future__ import annotations

import csv
import re
import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from kg import names, paths
from kg.answer import Answer, Item, Section, versions
from kg.names import Name
from kg.questions.about import KINDS
from kg.wording import fold

_STOP = frozenset(
    "a an the is are was be been do does did can could may might should would will i we you it its this that these those in on "
    "at of for from to with without by and or not no if as than then so my our your what which who why how when where come me "
    "tell please any some there have has had get got test tests tube tubes top blood run use used using taken take result results "
    "sample specimen value level levels low high higher lower make makes made about into out up down".split())
_LONGEST = 7


class Cue(NamedTuple):
    """One row of ``queries/ask.csv``."""

    question: str
    cue: str
    needs: str
    example: str


class Terms(NamedTuple):
    """What was recognised in a text, by the part it can play."""

    measured: tuple[Name, ...]
    causes: tuple[Name, ...]
    others: tuple[Name, ...]
    ambiguous: tuple[str, ...]
    unread: tuple[str, ...]


def load_cues() -> list[Cue]:
    """Read the table of cues."""
    with open(paths.resource("queries", "ask.csv"), encoding="utf-8", newline="") as file:
        return [Cue(**row) for row in csv.DictReader(file)]


def ask(connection: sqlite3.Connection, text: str) -> Answer:
    """Answer a question in plain words.

    Args:
        connection: the database.
        text: the question.

    Returns:
        the answer of the question that was recognised, with ``understood`` saying how; or verdict
        ``not-understood`` with the nearest questions, or ``ambiguous`` with the choices.
    """
    cues = load_cues()
    terms = recognise(connection, text)
    folded = fold(text)
    for cue in cues:
        if re.search(cue.cue, folded):
            call = _arguments(connection, cue.needs, terms)
            if call is not None:
                return _answer(connection, cue.question, call, terms)
    return _not_understood(connection, text, cues, terms)


def recognise(connection: sqlite3.Connection, text: str) -> Terms:
    """Find the names of concepts and tests in a text, the longest first."""
    words = fold(text).split()
    taken = [False] * len(words)
    found: list[tuple[int, list[Name]]] = []
    for length in range(min(_LONGEST, len(words)), 0, -1):
        for start in range(len(words) - length + 1):
            if any(taken[start:start + length]):
                continue
            phrase = " ".join(words[start:start + length])
            if length == 1 and phrase in _STOP:
                continue
            candidates = _lookup(connection, phrase)
            if candidates:
                taken[start:start + length] = [True] * length
                found.append((start, candidates))
    for start, word in enumerate(words):
        if not taken[start] and word not in _STOP and len(word) >= 5:
            candidates = _misspelt(connection, word)
            if candidates:
                taken[start] = True
                found.append((start, candidates))
    unread = tuple(w for w, t in zip(words, taken, strict=True) if not t and w not in _STOP)
    return _sort(connection, [candidates for _, candidates in sorted(found, key=lambda entry: entry[0])], unread)


def _lookup(connection: sqlite3.Connection, phrase: str) -> list[Name]:
    for variant in (phrase, phrase.removesuffix("s"), phrase.removesuffix("es")):
        found = names.exact(connection, variant, KINDS, phrase)
        if found:
            return found
    row = connection.execute("SELECT code, name FROM test WHERE upper(code) = ?", (phrase.replace(" ", "-").upper(),)).fetchone()
    return [Name(row["code"], "Test", row["name"], phrase, "code")] if row else []


def _misspelt(connection: sqlite3.Connection, word: str) -> list[Name]:
    try:
        return [names.resolve(connection, word, ("Analyte", "AnalyteGroup", "Additive", "Factor", "Mechanism"))]
    except (names.UnknownName, names.AmbiguousName):
        return []


def _sort(connection: sqlite3.Connection, found: Sequence[list[Name]], unread: tuple[str, ...]) -> Terms:
    measured: list[Name] = []
    causes: list[Name] = []
    others: list[Name] = []
    ambiguous: list[str] = []
    for candidates in found:
        by_kind = {name.kind: name for name in reversed(candidates)}
        if "Test" in by_kind or "Analyte" in by_kind or "AnalyteGroup" in by_kind:
            name = by_kind.get("Test") or by_kind.get("Analyte") or by_kind["AnalyteGroup"]
            same = [c for c in candidates if c.kind == name.kind and c.how == name.how]
            if len(same) > 1:
                ambiguous.append(f"'{name.typed}' may mean {', '.join(c.label for c in same)}")
            measured.append(name)
        elif any(kind in by_kind for kind in names.CAUSES):
            causes.append(_cause(connection, candidates, ambiguous))
        else:
            material = by_kind.get("SpecimenMaterial")
            additive = material and connection.execute("SELECT c.id, c.kind, c.label FROM materials m JOIN concept c ON c.id = m.additive WHERE m.id = ?", (material.id,)).fetchone()
            if material and additive:
                causes.append(Name(additive["id"], additive["kind"], additive["label"], material.typed, "material"))
            others.append(candidates[0])
    return Terms(tuple(dict.fromkeys(measured)), tuple(dict.fromkeys(causes)), tuple(others), tuple(ambiguous), unread)


def _cause(connection: sqlite3.Connection, candidates: list[Name], ambiguous: list[str]) -> Name:
    """Choose one cause; several containers of one colour stand for what their additives have in common."""
    for kind in names.CAUSES:
        of_kind = [name for name in candidates if name.kind == kind]
        best = [name for name in of_kind if name.how == of_kind[0].how]
        if len(best) == 1:
            return best[0]
        if best:
            common = common_additive(connection, [name.id for name in best]) if kind == "Container" else None
            listed = ", ".join(name.label for name in best)
            if common is not None:
                return Name(common[0], "Additive", f"{common[1]} (a {best[0].typed} container may be: {listed})", best[0].typed, "colour")
            ambiguous.append(f"'{best[0].typed}' may mean {listed}")
            return best[0]
    raise AssertionError("a cause has a kind")


def common_additive(connection: sqlite3.Connection, containers: Sequence[str]) -> tuple[str, str] | None:
    """Return the nearest additive that comprises the additives of all these containers, if there is one."""
    shared: dict[str, int] | None = None
    for container in containers:
        held = connection.execute("SELECT additives FROM containers WHERE id = ?", (container,)).fetchone()["additives"]
        above: dict[str, int] = {}
        for additive in (held or "").split(";"):
            for row in connection.execute("SELECT broader, distance FROM closure WHERE narrower = ?", (additive,)):
                above[row["broader"]] = row["distance"]
        shared = above if shared is None else {a: max(d, above[a]) for a, d in shared.items() if a in above}
    if not shared:
        return None
    nearest = min(sorted(shared), key=lambda additive: shared[additive])
    label = connection.execute("SELECT label FROM concept WHERE id = ?", (nearest,)).fetchone()["label"]
    return nearest, label


def _arguments(connection: sqlite3.Connection, needs: str, terms: Terms) -> list[str] | None:
    """Return the arguments of a question when the terms it needs are there, else None."""
    tubes = [name for name in terms.causes if name.kind in ("Container", "Additive")]
    match needs:
        case "measured and cause" if terms.measured and terms.causes:
            return [terms.measured[0].id, terms.causes[0].id]
        case "two causes" if len(terms.causes) >= 2 and not terms.measured:
            return [terms.causes[0].id, terms.causes[1].id]
        case "tubes" if len(tubes) >= 2:
            return [name.id for name in tubes]
        case "measured" if terms.measured:
            return [terms.measured[0].id]
        case "cause" if terms.causes and not terms.measured:
            return [terms.causes[0].id]
        case "term" if terms.measured or terms.causes or terms.others:
            return [next(iter((*terms.measured, *terms.causes, *terms.others))).id]
        case "nothing":
            return []
    return None


def _answer(connection: sqlite3.Connection, question: str, arguments: list[str], terms: Terms) -> Answer:
    chosen = [name for name in (*terms.measured, *terms.causes, *terms.others) if name.id in arguments]
    unsure = [text for text in terms.ambiguous if any(f"'{name.typed}'" in text for name in chosen)]
    if unsure:
        return Answer("ask", "", "ambiguous", f"{unsure[0]}; say which.", versions=versions(connection))
    answer = call(connection, question, arguments)
    said = "; ".join(f"'{name.typed}' = {name.label}" for name in dict.fromkeys(chosen))
    unread = f"; not used: {', '.join(terms.unread)}" if terms.unread else ""
    return answer._replace(understood=f"{question} {' '.join(arguments)}{f' ({said})' if said else ''}{unread}")


def call(connection: sqlite3.Connection, question: str, arguments: list[str]) -> Answer:
    """Call a question by its name with the arguments in order; ``order`` takes them as one list."""
    from importlib import import_module

    function = getattr(import_module(f"kg.questions.{question}"), question)
    answer: Answer = function(connection, arguments) if question == "order" else function(connection, *arguments)
    return answer


def _not_understood(connection: sqlite3.Connection, text: str, cues: list[Cue], terms: Terms) -> Answer:
    from rapidfuzz import fuzz, process

    examples = [cue.example for cue in cues]
    near = [example for example, _, _ in process.extract(text, examples, scorer=fuzz.token_set_ratio, limit=4)]
    known = ", ".join(name.label for name in (*terms.measured, *terms.causes, *terms.others))
    seen = f" These terms were recognised: {known}." if known else " No term was recognised."
    offer = Section("Questions of this kind can be answered", tuple(Item(example) for example in near))
    return Answer("ask", "", "not-understood", f"The question was not understood.{seen}", (offer,), versions=versions(connection))
