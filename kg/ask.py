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
from kg.questions.common import causes_of
from kg.wording import fold

_STOP = frozenset(
    "a an the is are was be been do does did can could may might should would will i we you it its this that these those in on "
    "at of for from to with without by and or not no if as than then so my our your what which who why how when where come me "
    "tell please any some all there have has had get got test tests tube tubes top blood run use used using taken take result "
    "results sample specimen value level levels low high higher lower make makes made about into out up down much many long fast "
    "soon really always one two three first same need needs must one's patient does go goes when came".split())
_LONGEST = 7
_SKIN_PUNCTURE = ("capillary-tissue-fluid", "capillary-blood")


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
    tubes: tuple[Name, ...]
    """Containers and additives in the order of the text, those among them that may also be measured."""
    maybe: tuple[Name, ...]
    """Terms that were taken as causes and may be measured as well."""
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
                return _answered(connection, text, cue.question, arguments, reading)
    return _searched(connection, text) or _not_understood(connection, text, cues, reading)


def read(connection: sqlite3.Connection, text: str) -> Reading:
    """Find the names of concepts and tests in a text, the longest first, then those misspelt."""
    words = fold(text).split()
    found: list[tuple[int, int, Term]] = []
    for length in range(min(_LONGEST, len(words)), 0, -1):
        for start in range(len(words) - length + 1):
            phrase = " ".join(words[start:start + length])
            if _free(found, start, length) and not (length == 1 and phrase in _STOP):
                candidates = _lookup(connection, phrase)
                if candidates:
                    found.append((start, length, _term(connection, phrase, candidates)))
    _add_misspelt(connection, words, found)
    found.sort(key=lambda entry: entry[0])
    unread = tuple(w for i, w in enumerate(words) if _free(found, i, 1) and w not in _STOP)
    return _play([term for _, _, term in found], unread)


def _free(found: list[tuple[int, int, Term]], start: int, length: int) -> bool:
    return all(start + length <= s or s + n <= start for s, n, _ in found)


def _add_misspelt(connection: sqlite3.Connection, words: list[str], found: list[tuple[int, int, Term]]) -> None:
    """Read stretches that hold an unread word as misspelt names; a longer one takes in shorter ones inside it."""
    for length in (3, 2, 1):
        for start in range(len(words) - length + 1):
            stretch = range(start, start + length)
            unread = [words[i] for i in stretch if _free(found, i, 1) and words[i] not in _STOP]
            inside = [entry for entry in found if start <= entry[0] and entry[0] + entry[1] <= start + length]
            crossed = [entry for entry in found if entry not in inside and not _free([entry], start, length)]
            if not unread or crossed:
                continue
            phrase = " ".join(words[i] for i in stretch)
            candidates = _misspelt(connection, phrase)
            if candidates:
                found[:] = [entry for entry in found if entry not in inside]
                found.append((start, length, _term(connection, phrase, candidates)))


def _lookup(connection: sqlite3.Connection, phrase: str) -> list[Name]:
    found = [name for variant in (*names.variants(phrase), f"{phrase}s") for name in names.exact(connection, variant, KINDS, phrase)]
    if found:
        return list(dict.fromkeys(found))
    test = names.test_by_code(connection, phrase.replace(" ", "-"))
    return [test._replace(typed=phrase)] if test else []


def _misspelt(connection: sqlite3.Connection, phrase: str) -> list[Name]:
    words = phrase.split()
    if len(phrase) < 5 or words[0] in _STOP or (words[-1] in _STOP and words[-1] not in ("tube", "tubes")):
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
    cause = one(("Additive", "Factor", "Container"))
    material = one(("SpecimenMaterial",))
    specimen = material if material and (cause is None or material.how == "label") else cause if cause and cause.kind != "Factor" else material
    if cause is None and material is not None:
        held = causes_of(connection, material)
        cause = Name(held[0][0], "Additive", held[0][1], phrase, "material") if held else None
    other = None if measured or cause or material else candidates[0]
    return Term(phrase, measured, cause, specimen, other, unsure)


def _play(terms: Sequence[Term], unread: tuple[str, ...]) -> Reading:
    """Give each term its part; one that may be measured or a cause takes the part that is still free."""
    certain = [term for term in terms if term.measured and not term.cause]
    causes_only = [term for term in terms if term.cause and not term.measured]
    measured: list[Term] = list(certain)
    acting: list[Term] = []
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
        tuple(dict.fromkeys(t.cause for t in terms if t.cause and t.cause.kind in ("Container", "Additive"))),
        tuple(dict.fromkeys(t.measured for t in acting if t.measured)),
        unsure, unread)


def _better(cause: Name, measured: Name) -> bool:
    order = {"label": 0, "id": 1}
    return order.get(cause.how, 2) <= order.get(measured.how, 2)


def _arguments(needs: str, reading: Reading) -> list[str] | None:
    """Return the arguments of a question when the terms it needs are there, else None."""
    measured, causes, specimens = reading.measured, reading.causes, reading.specimens
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
        case "tubes" if len(reading.tubes) >= 2:
            return [name.id for name in reading.tubes]
        case "measured" if measured or reading.maybe:
            return [(measured or reading.maybe)[0].id]
        case "cause" if causes and not measured:
            return [causes[0].id]
        case "term" if everything:
            return [everything[0].id]
        case "nothing but a term" if len(set(everything)) == 1 and not reading.unread:
            return [everything[0].id]
        case "skin puncture" if any(name.id in _SKIN_PUNCTURE for name in everything):
            return []
        case "nothing":
            return []
    return None


def _answered(connection: sqlite3.Connection, text: str, question: str, arguments: list[str], reading: Reading) -> Answer:
    everything = dict.fromkeys((*reading.measured, *reading.causes, *reading.specimens, *reading.others, *reading.maybe))
    chosen = [name for name in everything if name.id in arguments]
    unsure = [text for text in reading.unsure if any(text.startswith(f"'{name.typed}'") for name in chosen)]
    if unsure:
        return Answer("ask", "", "ambiguous", f"{unsure[0]}.", versions=versions(connection))
    answer = call(connection, question, arguments)
    if answer.verdict == "not-known" and question in ("handling", "suits", "affects") and len(arguments) == 1:
        searched = _searched(connection, text)
        if searched:
            return searched._replace(headline=f"{answer.headline} {searched.headline}", unknowns=answer.unknowns)
    said = "; ".join(f"'{name.typed}' is {name.label}{f' (held by {chr(44).join(name.several)})' if name.several else ''}" for name in chosen)
    unread = f"; not used: {', '.join(reading.unread)}" if reading.unread else ""
    return answer._replace(understood=f"{question} {' '.join(arguments)}{f' ({said})' if said else ''}{unread}")


def call(connection: sqlite3.Connection, question: str, arguments: Sequence[str]) -> Answer:
    """Call a question by its name with the arguments in order.

    ``order`` takes its arguments as one list; ``order GUIDELINE`` names the guideline.
    """
    name, _, guideline = question.partition(" ")
    function = getattr(__import__(f"kg.questions.{name}", fromlist=[name]), name)
    if name == "order":
        answer: Answer = function(connection, arguments, guideline or None)
    else:
        answer = function(connection, *arguments)
    return answer


def _searched(connection: sqlite3.Connection, text: str) -> Answer | None:
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
