"""Whether what the specimen is suits a test: by the facts, and by the local catalogue."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from kg.decisions.facts import BLOOD, OTHER, PLASMA, Facts
from kg.decisions.findings import Reason
from kg.decisions.wanted import Wanted
from kg.questions.common import MOVES
from kg.questions.suits import usability_of

Row = sqlite3.Row
_BEST = ("suitable", "limited", "disputed", "not-known", "expected-unsuitable", "unsuitable")
_UNPUBLISHED = ("not-known", "expected-unsuitable")


class Suits(NamedTuple):
    """What the facts say of the specimen for a test."""

    verdict: str
    material: str | None
    """The material on which the test would be measured."""
    listed: str
    """``listed``, ``unlisted`` or ``no-catalogue``: whether the local catalogue takes it."""
    reasons: tuple[Reason, ...]
    effects: tuple[Row, ...] = ()

    @property
    def value(self) -> str:
        """The word that the rules compare."""
        return f"{self.listed}-{self.verdict}"


def suits_test(facts: Facts, test: Wanted) -> Suits | None:
    """Judge the specimen for one test; None when the story does not say what it is.

    The judgements on materials stand first; where there is none, those on the additive count. The most
    special facts count: those on the material itself before those on broader ones, and those on the
    additive itself before those on its kind. The stricter of two judgements holds, except that
    'suitable' against 'unsuitable' is a dispute. Where a tube yields both whole blood and plasma, the
    one that suits better is taken, unless the catalogue says which is measured.
    """
    in_container = facts.story.container is not None and facts.story.container.id in test.containers and not facts.story.form
    forms_here = facts.forms or (test.materials[:1] if in_container else ())
    if not forms_here:
        return None
    families: dict[str, list[str]] = {}
    for form in forms_here:
        families.setdefault(facts.family(form), []).append(form)
    if facts.story.clock.separated and PLASMA in families:
        families.pop(BLOOD, None)
    accepted = [form for listed in families.values() for form in listed for wanted in test.materials if wanted in facts.above[form]]
    if not accepted and in_container and test.materials and facts.family(test.materials[0]) == OTHER:
        # a body fluid may sit in a tube made for blood
        families, accepted = {OTHER: [test.materials[0]]}, [test.materials[0]]
    lost = BLOOD in {facts.family(m) for m in test.materials} and BLOOD not in families
    listed = "no-catalogue" if test.code is None else "listed" if accepted or (in_container and not lost) else "unlisted"
    if accepted:
        family = facts.family(accepted[0])
        families = {family: families[family]}
    judged = [(*_judge(facts, test, forms), forms) for forms in families.values()]
    verdict, reasons, effects, forms = min(judged, key=lambda j: (j[0] in _UNPUBLISHED, _BEST.index(j[0])))
    akin = any(_kind(facts, theirs) & _kind(facts, ours) for theirs in test.materials for ours in forms)
    if listed == "unlisted" and verdict in _UNPUBLISHED and test.materials and not akin:
        verdict = "other-kind"
    material = accepted[0] if accepted and accepted[0] in forms else _nearest(facts, forms, test)
    return Suits(verdict, material, listed, reasons, effects)


def _kind(facts: Facts, material: str) -> set[str]:
    """Return what kind of specimen a material is: blood, urine, or whatever stands above it."""
    family = facts.family(material)
    return set(facts.above[material]) if family == OTHER else {BLOOD}


def _nearest(facts: Facts, forms: list[str], test: Wanted) -> str | None:
    """Return the most special of the forms that serve, the container's own first."""
    own = facts.story.container_material
    if own in forms:
        return own
    return max(forms, key=lambda form: (len(facts.above[form]), form), default=None)


def _judge(facts: Facts, test: Wanted, forms: list[str]) -> tuple[str, tuple[Reason, ...], tuple[Row, ...]]:
    """Return verdict, reasons and the effects that make it so."""
    families = {facts.family(form) for form in forms}
    verdicts = []
    reasons: list[Reason] = []
    shown: list[Row] = []
    for analyte in test.analytes or ("",):
        rows = _special([row for row in facts.suitability.get(analyte, ()) if facts.family(row["material"]) in families], "material", forms, facts)
        own = test._replace(analytes=(analyte,))
        effects = [
            e for e in facts.effects(facts.story.additives, own) if not e["material"] or facts.family(e["material"]) in families]
        # a judgement on the material covers what was seen in its tube, except what depends on the method
        used = [e for e in effects if e["usability"] and e["usability"] != "not-known" and (not rows or (e["method"] and test.method))]
        nearest = min((e["cause_distance"] for e in used), default=0)
        used = [e for e in used if e["cause_distance"] == nearest]
        derived = [e for e in effects if e["status"] == "derived" and e["direction"] in MOVES]
        uses = {row["usability"] for row in rows} | {e["usability"] for e in used}
        verdict = usability_of(uses - {"not-known"}, bool(derived) and families != {OTHER})
        verdicts.append(verdict)
        reasons += [Reason(row["sentence"], row["id"], row["source"], row["basis"]) for row in rows if row["usability"] != "suitable" or verdict == "suitable"]
        kept = [e for e in used if e["usability"] != "suitable"]
        reasons += [Reason(e["sentence"], e["id"], e["source"], e["basis"]) for e in kept]
        if verdict in ("unsuitable", "expected-unsuitable", "limited", "disputed"):
            shown += sorted(derived, key=lambda e: (e["cause_distance"], e["id"]))[:2]
    worst = max(verdicts, key=_BEST.index)
    return worst, tuple({reason.id: reason for reason in reasons}.values()), tuple(shown)


def _special(rows: list[Row], column: str, forms: list[str], facts: Facts) -> list[Row]:
    """Return the facts on the most special material that any form is; failing that on narrower ones."""
    ranked: dict[int, list[Row]] = {}
    for row in rows:
        distances = [facts.above[form][row[column]] for form in forms if row[column] in facts.above[form]]
        if distances:
            ranked.setdefault(min(distances), []).append(row)
    if ranked:
        return ranked[min(ranked)]
    below = set().union(*(facts.below[form] for form in forms)) if facts.story.form or not facts.story.container else set()
    return [row for row in rows if row[column] in below]
