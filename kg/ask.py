"""ask "free text": recognises the terms and the kind of question, says how, and answers.

The kinds of question and the words that point to them are a table, ``queries/ask.csv``: the first row
whose cue occurs and whose terms are there decides. Where none does, the words are searched for.
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
    "tell please any some all there have has had get got test tests tube tubes top blood run use used using taken take result "
    "results sample specimen value level levels low high higher lower make makes made about into out up down much many long fast "
    "soon really always one two three first same need needs must one's patient does go goes when came".split())
_LONGEST = 7
_SPELLING = 86


class Cue(NamedTuple):
    """One row of ``queries/ask.csv``."""

    question: str
    cue: str
    needs: str
    example: str


class Term(NamedTuple):
    """One recognised stretch of a text, in each part that it can play."""

    typed: str
    measured: Name | None = None
    cause: Name | None = None
    specimen: Name | None = None
    other: Name | None = None
    unsure: str = ""


class Reading(NamedTuple):
    """What was recognised in a text."""

    measured: tuple[Name, ...]
    causes: tuple[Name, ...]
    specimens: tuple[Name, ...]
    others: tuple[Name, ...]
    unsure: tuple[str, ...]
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
        the answer of the question that was recognised, with ``understood`` saying how; else what the
        words are found in, with verdict ``searched``; else ``ambiguous`` with the choices or
        ``not-understood`` with the nearest questions.
    """
    cues = load_cues()
    reading = read(connection, text)
    folded = fold(text)
    for cue in cues:
        if re.search(cue.cue, folded):
            arguments = _arguments(cue.needs, reading)
            if arguments is not None:
                return _answered(connection, cue.question, arguments, reading)
    return _searched(connection, text, reading) or _not_understood(connection, text, cues, reading)


def read(connection: sqlite3.Connection, text: str) -> Reading:
    """Find the names of concepts and tests in a text, the longest first, then those misspelt."""
    words = fold(text).split()
    taken = [False] * len(words)
    found: list[tuple[int, Term]] = []
    for spelling in (False, True):
        for length in range(min(_LONGEST if not spelling else 3, len(words)), 0, -1):
            for start in range(len(words) - length + 1):
                phrase = " ".join(words[start:start + length])
                if any(taken[start:start + length]) or (length == 1 and phrase in _STOP):
                    continue
                candidates = _misspelt(connection, phrase) if spelling else _lookup(connection, phrase)
                if candidates:
                    taken[start:start + length] = [True] * length
                    found.append((start, _term(connection, phrase, candidates)))
    unread = tuple(w for w, t in zip(words, taken, strict=True) if not t and w not in _STOP)
    return _play([term for _, term in sorted(found, key=lambda entry: entry[0])], unread)


def _lookup(connection: sqlite3.Connection, phrase: str) -> list[Name]:
    for variant in names.variants(phrase):
        found = names.exact(connection, variant, KINDS, phrase)
        if found:
            return found
    row = connection.execute("SELECT code, name FROM test WHERE upper(code) = ?", (phrase.replace(" ", "-").upper(),)).fetchone()
    return [Name(row["code"], "Test", row["name"], phrase, "code")] if row else []


def _misspelt(connection: sqlite3.Connection, phrase: str) -> list[Name]:
    words = phrase.split()
    if len(phrase) < 5 or words[0] in _STOP or words[-1] in _STOP:
        return []
    try:
        name = names.resolve(connection, phrase, ("Analyte", "AnalyteGroup", "Additive", "Factor", "Container", "SpecimenMaterial"))
    except (names.UnknownName, names.AmbiguousName):
        return []
    return [name]


def _term(connection: sqlite3.Connection, phrase: str, candidates: Sequence[Name]) -> Term:
    """Say what part each of the candidates can play."""
    unsure = ""

    def one(kinds: Sequence[str]) -> Name | None:
        nonlocal unsure
        of_kind = [name for name in candidates if name.kind in kinds]
        try:
            return names.choose(connection, phrase, of_kind, kinds) if of_kind else None
        except names.AmbiguousName as error:
            unsure = str(error)
            return of_kind[0]

    measured = one(("Test", *names.MEASURED))
    cause = one(names.CAUSES)
    material = one(("SpecimenMaterial",))
    specimen = material if material and (cause is None or material.how == "label") else cause if cause and cause.kind != "Factor" else material
    if cause is None and material is not None:
        held = connection.execute("SELECT c.id, c.kind, c.label FROM materials m JOIN concept c ON c.id = m.additive WHERE m.id = ?", (material.id,)).fetchone()
        cause = Name(held["id"], held["kind"], held["label"], phrase, "material") if held else None
    other = None if measured or cause or material else candidates[0]
    return Term(phrase, measured, cause, specimen, other, unsure)


def _play(terms: Sequence[Term], unread: tuple[str, ...]) -> Reading:
    """Give each term its part; one that may be measured or a cause takes the part that is still free."""
    certain = [term for term in terms if term.measured and not term.cause]
    causes_only = [term for term in terms if term.cause and not term.measured]
    measured, acting = list(certain), []
    for term in terms:
        if term.measured and term.cause:
            sure_cause = _better(term.cause, term.measured)
            (acting if certain or (sure_cause and not causes_only) else measured).append(term)
        elif term.cause or term.specimen:
            acting.append(term)
    unsure = tuple(term.unsure for term in terms if term.unsure)
    return Reading(
        tuple(dict.fromkeys(t.measured for t in terms if t in measured and t.measured)),
        tuple(dict.fromkeys(t.cause for t in acting if t.cause)),
        tuple(dict.fromkeys(t.specimen for t in acting if t.specimen)),
        tuple(t.other for t in terms if t.other),
        unsure, unread)


def _better(cause: Name, measured: Name) -> bool:
    order = {"label": 0, "id": 1}
    return order.get(cause.how, 2) <= order.get(measured.how, 2)


def _arguments(needs: str, reading: Reading) -> list[str] | None:
    """Return the arguments of a question when the terms it needs are there, else None."""
    measured, causes, specimens = reading.measured, reading.causes, reading.specimens
    tubes = [name.id for name in causes if name.kind in ("Container", "Additive")]
    everything = (*measured, *causes, *specimens, *reading.others)
    match needs:
        case "measured and cause" if measured and causes:
            return [measured[0].id, causes[0].id]
        case "measured and specimen" if measured and specimens:
            return [measured[0].id, specimens[0].id]
        case "two causes and measured" if len(specimens) >= 2 and measured:
            return [specimens[0].id, specimens[1].id, measured[0].id]
        case "two causes" if len(causes) >= 2 and not measured:
            return [causes[0].id, causes[1].id]
        case "tubes" if len(tubes) >= 2:
            return tubes
        case "measured" if measured:
            return [measured[0].id]
        case "cause" if causes and not measured:
            return [causes[0].id]
        case "term" if everything:
            return [everything[0].id]
        case "nothing but a term" if len(set(everything)) == 1 and not reading.unread:
            return [everything[0].id]
        case "nothing":
            return []
    return None


def _answered(connection: sqlite3.Connection, question: str, arguments: list[str], reading: Reading) -> Answer:
    everything = dict.fromkeys((*reading.measured, *reading.causes, *reading.specimens, *reading.others))
    chosen = [name for name in everything if name.id in arguments]
    unsure = [text for text in reading.unsure if any(text.startswith(f"'{name.typed}'") for name in chosen)]
    if unsure:
        return Answer("ask", "", "ambiguous", f"{unsure[0]}.", versions=versions(connection))
    answer = call(connection, question, arguments)
    said = "; ".join(f"'{name.typed}' is {name.label}{f' (held by {chr(44).join(name.several)})' if name.several else ''}" for name in chosen)
    unread = f"; not used: {', '.join(reading.unread)}" if reading.unread else ""
    return answer._replace(understood=f"{question} {' '.join(arguments)}{f' ({said})' if said else ''}{unread}")


def call(connection: sqlite3.Connection, question: str, arguments: Sequence[str]) -> Answer:
    """Call a question by its name with the arguments in order; ``order`` takes them as one list."""
    module = __import__(f"kg.questions.{question}", fromlist=[question])
    function = getattr(module, question)
    answer: Answer = function(connection, arguments) if question == "order" else function(connection, *arguments)
    return answer


def _searched(connection: sqlite3.Connection, text: str, reading: Reading) -> Answer | None:
    words = [word for word in fold(text).split() if word not in _STOP]
    if not words:
        return None
    answer = call(connection, "search", [" ".join(words)])
    if answer.verdict == "not-known":
        return None
    headline = f"Not recognised as one of the questions. {answer.headline}"
    return answer._replace(verdict="searched", headline=headline, understood=f"search {' '.join(words)}")


def _not_understood(connection: sqlite3.Connection, text: str, cues: list[Cue], reading: Reading) -> Answer:
    from rapidfuzz import fuzz, process

    examples = [cue.example for cue in cues]
    near = [example for example, _, _ in process.extract(text, examples, scorer=fuzz.token_set_ratio, limit=4)]
    known = ", ".join(name.label for name in (*reading.measured, *reading.causes, *reading.others))
    seen = f" These terms were recognised: {known}." if known else " No term was recognised."
    offer = Section("Questions of this kind can be answered", tuple(Item(example) for example in near))
    return Answer("ask", "", "not-understood", f"The question was not understood.{seen}", (offer,), versions=versions(connection))
