"""From what a person typed to a concept: by id, label, synonym, code or colour word, typos forgiven."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from kg.problem import TubeloreError
from kg.wording import fold

MEASURED = ("Analyte", "AnalyteGroup")
CAUSES = ("Additive", "Factor", "Container", "SpecimenMaterial")
"""Kinds that may change a result; a specimen material stands for the additive that it holds."""
_SORTS = {"label": 0, "id": 1, "synonym": 2, "LOINC": 3, "code": 3, "colour": 4}
_TRAILING = ("tube", "tubes", "top", "container", "bottle", "vial")
_MARKS = set("+*#%^")
_NEAR = 2
"""How many steps up an additive may be and still say something of what a tube holds."""
_ACCEPT = 88
_WORD = 78
_SUGGEST = 55


class Name(NamedTuple):
    """A concept or catalogue test that was meant, and how it was recognised."""

    id: str
    kind: str
    label: str
    typed: str
    how: str
    several: tuple[str, ...] = ()
    """The containers that the name may mean, when it stands for what they share."""

    @property
    def said(self) -> str:
        """How the name was understood, for an answer; empty when it was typed as it is."""
        if self.how in ("label", "id"):
            return ""
        extra = " (spelling)" if self.how == "spelling" else ""
        if self.several:
            extra = f", which all of these hold: {', '.join(self.several)}"
        return f"'{self.typed}' as {self.label}{extra}"


class UnknownName(TubeloreError):
    """Nothing of the asked kind has this name; ``suggestions`` are the nearest."""

    def __init__(self, text: str, suggestions: Sequence[str], what: str = "name") -> None:
        near = f"; did you mean {', '.join(suggestions)}?" if suggestions else ""
        super().__init__(f"'{text}' is not a known {what}{near}")
        self.suggestions = list(suggestions)


class OtherKind(UnknownName):
    """The name is that of something of another kind than is asked for."""

    def __init__(self, text: str, found: Sequence[Name], kinds: Sequence[str]) -> None:
        wanted = " or ".join(dict.fromkeys(_kind_in_words(kind) for kind in kinds))
        named = f", {found[0].label} ({found[0].id})" if len({one.id for one in found}) == 1 else ""
        TubeloreError.__init__(self, f"'{text}' is {_kind_in_words(found[0].kind)}{named}; what is asked for here is {wanted}")
        self.suggestions = []


class AmbiguousName(TubeloreError):
    """The name stands for several things; ``choices`` are all of them."""

    def __init__(self, text: str, choices: Sequence[Name]) -> None:
        listed = ", ".join(f"{choice.label} ({choice.id})" for choice in choices)
        super().__init__(f"'{text}' may mean: {listed}; say which")
        self.choices = list(choices)


def resolve(connection: sqlite3.Connection, text: str, kinds: Sequence[str], tests: bool = False) -> Name:
    """Return the one thing that a text names.

    Args:
        connection: the database.
        text: what was typed.
        kinds: the kinds of concept that may be meant; the earlier kind wins.
        tests: whether tests of the local catalogue may be meant too; they win over concepts only when
            typed by their code.

    Raises:
        UnknownName: nothing fits; carries suggestions.
        AmbiguousName: several things fit equally well.
    """
    folded = fold(text)
    if tests:
        test = test_by_code(connection, text)
        if test:
            return test
    for variant in variants(folded):
        found = exact(connection, variant, kinds, text)
        if found:
            return choose(connection, text, found, kinds)
    if tests:
        named = [Name(r["code"], "Test", r["name"], text, "label") for r in
                 connection.execute("SELECT code, name FROM test WHERE lower(name) = ?", (text.strip().lower(),))]
        if named:
            return choose(connection, text, named, ("Test",))
    return _by_spelling(connection, text, folded, kinds)


def _kind_in_words(kind: str) -> str:
    """Return a kind of concept as it is spoken of: ``AnalyteGroup`` as ``an analyte group``."""
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", kind).lower()
    return f"{'an' if words[0] in 'aeiou' else 'a'} {words}"


def test_by_code(connection: sqlite3.Connection, text: str) -> Name | None:
    """Return the test of the catalogue that has this code, in whatever case it is typed."""
    row = connection.execute("SELECT code, name FROM test WHERE upper(code) = ?", (text.strip().upper(),)).fetchone()
    return Name(row["code"], "Test", row["name"], text, "code") if row else None


def variants(folded: str) -> list[str]:
    """Return a folded name and what it may be short or long for: singular, and without 'tube' or 'top'."""
    words = folded.split()
    forms = [folded, folded.removesuffix("s"), folded.removesuffix("es")]
    if len(words) > 1 and words[-1] in _TRAILING:
        forms.append(" ".join(words[:-1]))
    return list(dict.fromkeys(forms))


def exact(connection: sqlite3.Connection, folded: str, kinds: Sequence[str], typed: str = "") -> list[Name]:
    """Return all concepts of some kinds that bear exactly this folded name, best kind of name first.

    Names with marks that were not typed are left out where there are others: ``Ca`` is not ``Ca++``.
    """
    marks = ",".join("?" * len(kinds))
    found = connection.execute(
        f"SELECT c.id, c.kind, c.label, n.sort, n.name FROM name n JOIN concept c ON c.id = n.concept "
        f"WHERE n.folded = ? AND c.kind IN ({marks}) ORDER BY c.id", (folded, *kinds)).fetchall()
    plain = [r for r in found if set(r["name"]) & _MARKS <= set(typed)]
    names = [Name(r["id"], r["kind"], r["label"], typed or folded, r["sort"]) for r in plain or found]
    return sorted(names, key=lambda name: _SORTS.get(name.how, 5))


def choose(connection: sqlite3.Connection, text: str, found: Sequence[Name], kinds: Sequence[str]) -> Name:
    """Return the one that was meant: of the earliest kind, by the best sort of name.

    Several containers that share an additive, as those of one closure colour do, stand for it.

    Raises:
        AmbiguousName: there are several, and nothing that they share.
    """
    kind = min((name.kind for name in found), key=kinds.index)
    of_kind = [name for name in found if name.kind == kind]
    best = [name for name in of_kind if _SORTS.get(name.how, 5) == _SORTS.get(of_kind[0].how, 5)]
    if len(best) == 1:
        return best[0]
    shared = common_additive(connection, [name.id for name in best]) if kind == "Container" else None
    if shared is None or "Additive" not in kinds:
        raise AmbiguousName(text, best)
    return Name(shared[0], "Additive", shared[1], text, "several", tuple(name.label for name in best))


def common_additive(connection: sqlite3.Connection, containers: Sequence[str]) -> tuple[str, str] | None:
    """Return id and label of the nearest additive that comprises what all these containers hold, if there is one."""
    shared: dict[str, int] | None = None
    for container in containers:
        held = connection.execute("SELECT additives FROM containers WHERE id = ?", (container,)).fetchone()["additives"]
        above: dict[str, int] = {}
        for additive in (held or "").split(";"):
            for row in connection.execute("SELECT broader, distance FROM closure WHERE narrower = ?", (additive,)):
                above[row["broader"]] = row["distance"]
        shared = above if shared is None else {a: max(d, above[a]) for a, d in shared.items() if a in above}
    shared = {additive: distance for additive, distance in (shared or {}).items() if distance <= _NEAR}
    if not shared:
        return None
    nearest = min(sorted(shared), key=shared.__getitem__)
    label: str = connection.execute("SELECT label FROM concept WHERE id = ?", (nearest,)).fetchone()["label"]
    return nearest, label


def _candidates(connection: sqlite3.Connection, kinds: Sequence[str]) -> dict[str, list[tuple[str, str, str]]]:
    marks = ",".join("?" * len(kinds))
    names: dict[str, list[tuple[str, str, str]]] = {}
    for folded, *concept in connection.execute(
            f"SELECT n.folded, c.id, c.kind, c.label FROM name n JOIN concept c ON c.id = n.concept "
            f"WHERE c.kind IN ({marks}) ORDER BY n.folded, c.id", tuple(kinds)):
        names.setdefault(folded, []).append(tuple(concept))
    return names


def _by_spelling(connection: sqlite3.Connection, text: str, folded: str, kinds: Sequence[str]) -> Name:
    from rapidfuzz import fuzz, process

    names = _candidates(connection, kinds)
    scored = process.extract(folded, list(names), scorer=fuzz.ratio, limit=8, score_cutoff=_SUGGEST)
    if scored and scored[0][1] >= _ACCEPT and len(folded) >= 5 and _slip(folded, scored[0][0]):
        best = {concept for name, score, _ in scored if score >= scored[0][1] - 3 for concept in names[name]}
        if len({concept[0] for concept in best}) == 1:
            found = best.pop()
            return Name(*found, text, "spelling")
    wide = process.extract(folded, list(names), scorer=fuzz.token_set_ratio, limit=5, score_cutoff=70)
    every = [row[0] for row in connection.execute("SELECT DISTINCT kind FROM concept")]
    others = next((meant for variant in variants(folded) if (meant := exact(connection, variant, every, text))), None)
    if others:
        raise OtherKind(text, others, kinds)
    labels = [names[name][0][2] for name, _, _ in [*scored, *wide]]
    raise UnknownName(text, list(dict.fromkeys(labels))[:5])


def _slip(typed: str, name: str) -> bool:
    """Whether two names differ by slips only: the same first letter, and each word near to its counterpart."""
    from rapidfuzz import fuzz

    ours, theirs = typed.split(), name.split()
    alike = len(ours) == len(theirs) and all(fuzz.ratio(a, b) >= _WORD for a, b in zip(ours, theirs, strict=True))
    return typed[0] == name[0] and (alike or typed.replace(" ", "") == name.replace(" ", ""))


def nearest(connection: sqlite3.Connection, text: str, kinds: Sequence[str]) -> list[str]:
    """Return up to three ids whose names are near to a text."""
    from rapidfuzz import fuzz, process

    names = _candidates(connection, kinds)
    scored = process.extract(fold(text), list(names), scorer=fuzz.ratio, limit=3, score_cutoff=_SUGGEST)
    return list(dict.fromkeys(concept[0] for name, _, _ in scored for concept in names[name]))[:3]


def nearest_sources(connection: sqlite3.Connection, text: str) -> list[str]:
    """Return up to three ids of sources that are near to a text."""
    from rapidfuzz import fuzz, process

    ids = [row["id"] for row in connection.execute("SELECT id FROM sources ORDER BY id")]
    return [name for name, _, _ in process.extract(text, ids, scorer=fuzz.WRatio, limit=3, score_cutoff=_SUGGEST)]
