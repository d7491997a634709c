"""The rules of ``decision_rules.csv`` applied to a story, test by test."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from kg.database import rows
from kg.decisions.expiry import Expiry, Keeping
from kg.decisions.facts import PLASMA, Facts, split
from kg.decisions.findings import Finding, Judged, Reason, strictest
from kg.decisions.material import Suits, suits_test
from kg.decisions.specimen import Said, Story
from kg.decisions.wanted import Wanted
from kg.questions.common import MOVES

Row = sqlite3.Row
_INDICES = {"haemolysis": "g/L", "icterus": "umol/L", "lipaemia": "g/L"}
_MILLI = {("mg/L", "g/L"): 0.001}
_OF_CLOCK = ("keeping", "local_keeping", "warm_hours", "cold_hours", "below_body_hours", "hot_hours", "frozen_blood_hours")


class _Touch(NamedTuple):
    """How a rule reaches a test: by effects, by a requirement, or because it reaches any."""

    effects: tuple[Row, ...] = ()
    requirements: tuple[Row, ...] = ()
    recorded: bool = True


class Judge:
    """Applies every rule to every test of one story."""

    def __init__(self, connection: sqlite3.Connection, story: Story, tests: Sequence[Wanted]) -> None:
        self.story, self.facts = story, Facts(connection, story, tests)
        self.expiry = Expiry(self.facts)
        self.levels = {rule["check"]: [float(part) for part in rule["value"].split(";")]
                       for rule in self.facts.rules if rule["comparison"] == "limits" and rule["field"].endswith("-levels")}
        self.questions = {row["field"]: (row["question"], row["whom"]) for row in rows(connection, "story_fields")}
        kept = [rule for rule in self.facts.rules if rule["check"] == "irreplaceable"]
        self.irreplaceable = next((rule for rule in kept if set(split(rule["concerns"])) & self._materials()), None)
        self.tolerance = {row["id"]: row for row in connection.execute(
            "SELECT id, low, high, source, basis FROM tube_specifications WHERE quantity = 'fill-tolerance'")}
        self.clotting = [row for additive in story.additives for row in rows(connection, "specifications", additive=additive)
                         if row["quantity"] == "clotting-time" and row["low"] is not None]
        self.rules = [(rule, tuple(split(rule["value"])), tuple(split(rule["factor"])), tuple(split(rule["requirement"])), frozenset(split(rule["tests"])),
                       frozenset(split(rule["concerns"])), frozenset(split(rule["excepted"])), self._asks(rule))
                      for rule in self.facts.rules if rule["comparison"] != "limits"]

    def _materials(self) -> set[str]:
        """Return every material that the specimen is, with all that is broader."""
        return set().union(*(self.facts.above[form] for form in self.facts.forms))

    def judge(self, test: Wanted) -> Judged:
        """Return the judgement of one test: every finding, and the decision of the strictest."""
        suits = suits_test(self.facts, test)
        material = suits.material if suits else None
        keeping = self.expiry.keeping(test, material)
        said = {**self.story.said, **self._of_test(test, suits, keeping)}
        about = self.facts.about | frozenset(self.facts.above[material]) if material else self.facts.about
        required = self.facts.required(test, material)
        groups = set().union(*(self.facts.above[analyte] for analyte in test.analytes)) if test.analytes else set()
        findings: dict[tuple[str, str, str], Finding] = {}
        for rule in self.rules:
            finding = self._apply(rule, test, said, about, groups, required, suits, keeping)
            if finding is not None:
                findings.setdefault((finding.check, finding.decision, finding.missing), finding)
        for field in keeping.hanging:
            findings["time", "not-known", field] = self._missing("time", field)
        found = tuple(findings.values())
        return Judged(test.key, test.label, test.code, strictest(f.decision for f in found), found, material, keeping.limits, keeping.published,
                      keeping.local, test.panel)

    def _of_test(self, test: Wanted, suits: Suits | None, keeping: Keeping) -> dict[str, Said]:
        """Say what the story means for one test: suitability, time, indices against its own thresholds."""
        said: dict[str, Said] = {}
        clock = self.story.clock
        if suits is not None:
            said["suitability"] = Said(suits.value)
            preserved, _ = self.facts.preserved(test, suits.material)
            if preserved is not None:
                said["preservative"] = Said(preserved)
            plasma = suits.material is not None and self.facts.family(suits.material) == PLASMA
            split_known = clock.missing_split is None or not plasma
            if keeping.keeping == "passed" or (clock.missing is None and split_known):
                said["keeping"] = Said(keeping.keeping)
            if keeping.local_keeping == "passed" or (clock.missing is None and split_known):
                said["local_keeping"] = Said(keeping.local_keeping)
            if keeping.local_separation.startswith("passed") or (clock.missing is None and clock.missing_split is None) or not plasma:
                late = keeping.local_separation
                said["local_separation"] = Said("passed" if late.startswith("passed") else "kept")
        if test.row is not None:
            said["catalogue_status"] = Said(test.row["status"])
        for index in _INDICES:
            level = self.story.said.get(f"{index}_level")
            if level is not None:
                # a grade by eye covers a range; where its ends differ for this test, the index has to be measured
                ends = {self._index(index, end, test) for end in (level.low if level.low is not None else float(level.value), float(level.value))}
                if len(ends) == 1:
                    said[index] = Said(ends.pop(), label=level.label)
        return said

    def _index(self, index: str, level: float, test: Wanted) -> str:
        """Compare an index with the thresholds published for the test.

        From the lowest published threshold on the result is commented, from the middle one on it is not
        given: those who look hardest find the lowest.
        """
        thresholds, safe = self._thresholds(index, test)
        if thresholds:
            return "from-median" if level >= _middle(thresholds) else "from-lowest" if level >= thresholds[0] else "clear"
        if safe is not None and level <= safe:
            return "clear"
        slight, marked = self.levels[index]
        return "no-figure-marked" if level >= marked else "no-figure-slight" if level >= slight else "clear"

    def _thresholds(self, index: str, test: Wanted) -> tuple[list[float], float | None]:
        """Return the published thresholds in order, and the level up to which no change was found."""
        unit = _INDICES[index]
        found = {(e["source"], e["dose"] * _MILLI.get((e["dose_unit"], unit), 1.0)) for e in self.facts.effects((index,), test)
                 if e["dose"] is not None and e["direction"] in MOVES and e["unit"] in (None, "%")
                 and (e["dose_unit"] == unit or (e["dose_unit"], unit) in _MILLI)}
        safe = None
        if index == "haemolysis":
            listed = [row for analyte in test.analytes for row in self.facts.thresholds.get(analyte, ())]
            found |= {(row["source"], row["low"]) for row in listed if row["quantity"] == "threshold" and row["low"] is not None}
            safe = max((row["low"] for row in listed if row["quantity"] == "no-effect-up-to" and row["low"] is not None), default=None)
        return sorted(level for _, level in found), safe

    def _apply(self, prepared: tuple[Row, tuple[str, ...], tuple[str, ...], tuple[str, ...], frozenset[str], frozenset[str], frozenset[str], bool],
               test: Wanted, said: Mapping[str, Said], about: frozenset[str], groups: set[str], required: Mapping[str, list[Row]],
               suits: Suits | None, keeping: Keeping) -> Finding | None:
        rule, values, factors, requirements, tests, concerns, excepted, asks = prepared
        if (concerns and not concerns & about) or (excepted and excepted & about):
            return None
        if tests and not tests & groups and rule["reach"] == "any":
            return None
        told = said.get(rule["field"])
        named = [factor for factor in self.story.factors if factor.id in factors]
        if named:
            # to name the factor is to say that the condition is met
            told = Said("told", tuple(factor.id for factor in named), ", ".join(factor.label for factor in named))
        elif not (asks if told is None else self._met(rule, values, told, test)):
            return None
        acting = told.factors if told is not None and told.factors else factors
        touch = self._touch(rule["reach"], acting, requirements, test, required, bool(tests & groups))
        if touch is None or not (touch.recorded or rule["unrecorded"]):
            return None
        if rule["comparison"] == "below-minimum" and (test.row is None or test.row["minimum_volume_ml"] is None):
            return None
        if told is None:
            return self._unsaid(rule) if touch.recorded else None
        decision = rule["decision"] if touch.recorded else rule["unrecorded"]
        if rule["supported"] and decision == rule["decision"] and self._supported(rule, keeping):
            decision = rule["supported"]
        if decision == "accept" and rule["check"] != "material":
            return None
        remedy = rule["remedy"] or ""
        if decision == "recollect" and self.irreplaceable is not None:
            decision, remedy = self.irreplaceable["decision"], self.irreplaceable["remedy"]
        reasons, effects = self._reasons(rule, test, touch, suits, keeping)
        words = rule["words"] + (f" ({told.label})" if told.label else "")
        if not touch.recorded:
            words += "; what that does to this test is not recorded"
        elif rule["decision"] != decision and decision == rule["supported"]:
            words += "; a published limit still covers it"
        return Finding(rule["check"], decision, words, reasons, remedy, effects=effects)

    def _supported(self, rule: Row, keeping: Keeping) -> bool:
        """Whether a published limit covers what the rule objects to."""
        if rule["check"] == "separation":
            return keeping.local_separation == "passed-supported"
        return keeping.keeping == "kept" and any(limit.used > 0 and limit.kind != "changed" and limit.temperature is not None
                                                 for limit in keeping.limits)

    def _touch(self, reach: str, factors: Iterable[str], requirements: Sequence[str], test: Wanted, required: Mapping[str, list[Row]],
               named: bool) -> _Touch | None:
        """Return how a rule reaches a test, or None when it does not."""
        wanted = [requirement for requirement in requirements if requirement in required]
        facts = tuple(row for requirement in wanted for row in required[requirement])
        if reach == "required":
            return _Touch((), facts) if wanted else None
        effects = self.facts.effects(factors, test)
        moved, looked_at = _moved(effects)
        if reach == "any" or named:
            return _Touch(tuple(moved), facts)
        if moved:
            return _Touch(tuple(moved), facts)
        if reach == "moved-or-required" and wanted:
            return _Touch((), facts)
        if looked_at or reach == "moved-or-required":
            return None
        return _Touch(recorded=False)

    def _asks(self, rule: Row) -> bool:
        """Whether a rule asks for what the story does not say; a statement about the whole draw or reception may answer."""
        covered = rule["covered_by"]
        if covered == "never-asked":
            return False
        if (covered == "collection" and self.story.collection) or (covered == "reception" and self.story.reception):
            return False
        return not (covered == "bench" and self.story.clock.separated is not True)

    def _unsaid(self, rule: Row) -> Finding:
        return self._missing(rule["check"], self._field(rule["field"]))

    def _missing(self, check: str, field: str) -> Finding:
        question, _ = self.questions[field]
        return Finding(check, "not-known", question, missing=field, question=question)

    def _field(self, field: str) -> str:
        """Return the name in the form of what a rule reads."""
        clock = self.story.clock
        if field in _INDICES:
            return f"indices.{field}"
        if field in _OF_CLOCK or field == "local_separation":
            return clock.missing or clock.missing_split or "storage"
        what = "material" if self.story.container or self.story.additives else "container"
        return {"suitability": what, "out_of_order": "position" if self.story.draw else "draw", "gel": "container", "held_in": "container", "preservative": "container",
                "clotting_minutes": "centrifuged_after_hours"}.get(field, field)

    def _met(self, rule: Row, values: Sequence[str], told: Said, test: Wanted) -> bool:
        """Whether what was said meets the condition of a rule."""
        comparison, value = rule["comparison"], told.value
        if comparison == "is":
            return str(value) in values
        if comparison == "is-not":
            return str(value) not in values
        number = float(value)
        if comparison == "below-minimum":
            least = test.row["minimum_volume_ml"] if test.row else None
            return least is not None and number < least
        if comparison == "below-clotting-time":
            return bool(self.clotting) and number < min(row["low"] for row in self.clotting)
        if comparison in ("below-tolerance", "above-tolerance"):
            row = self.tolerance[values[0]]
            return bool(number < row["low"]) if comparison == "below-tolerance" else bool(number > row["high"])
        bound = float(values[0])
        return number >= bound if comparison == "at-least" else number > bound if comparison == "more-than" else number < bound

    def _reasons(self, rule: Row, test: Wanted, touch: _Touch, suits: Suits | None, keeping: Keeping) -> tuple[tuple[Reason, ...], tuple[Row, ...]]:
        """Return the facts behind a finding: the effects and requirements that reach the test, then the rule itself."""
        reasons: list[Reason] = []
        effects = touch.effects
        if rule["check"] in ("material", "preservative") and suits is not None:
            of_urine = self.facts.preserved(test, suits.material)[1]
            reasons += [Reason(row["sentence"], row["id"], row["source"], row["basis"]) for row in of_urine
                        if rule["check"] == "preservative" or (row["usability"] == "suitable" and suits.verdict == "suitable")]
        if rule["check"] == "material" and suits is not None:
            reasons += suits.reasons
            effects = suits.effects
        elif rule["check"] == "time":
            reasons += [Reason(f"{limit.text}; {limit.used:.3g} h have been spent", limit.id, limit.source, limit.basis)
                        for limit in keeping.limits if limit.passed]
        reasons += [Reason(row["sentence"], row["id"], row["source"], row["basis"]) for row in touch.requirements]
        asserted = [e for e in effects if e["status"] == "asserted"]
        reasons += [Reason(e["sentence"], e["id"], e["source"], e["basis"]) for e in asserted]
        if rule["comparison"] in ("below-tolerance", "above-tolerance"):
            row = self.tolerance[rule["value"].split(";")[0]]
            low, high = row["low"], row["high"]
            figure = f"at least {low:g}" if rule["comparison"] == "below-tolerance" else f"at most {high:g}"
            reasons.append(Reason(f"The fill has to be {figure} % of the nominal volume", row["id"], row["source"], row["basis"]))
        reasons.append(Reason(f"Rule {rule['id']}: {rule['words']}", rule["id"], rule["source"], rule["basis"], "rule"))
        return tuple({reason.id: reason for reason in reasons}.values()), effects


def _middle(ordered: Sequence[float]) -> float:
    """Return the median of ordered figures."""
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def _moved(effects: Sequence[Row]) -> tuple[list[Row], bool]:
    """Return the effects that move a test, and whether anyone has looked.

    What was published stands before what chemistry lets expect: a published 'no change' outweighs a derived effect.
    """
    asserted = [e for e in effects if e["status"] == "asserted"]
    moving = [e for e in asserted if e["direction"] in MOVES]
    if moving:
        return sorted(effects, key=lambda e: (e["direction"] not in MOVES, e["status"] != "asserted", e["id"])), True
    derived = [e for e in effects if e["status"] == "derived" and e["direction"] in MOVES]
    return ([] if asserted else derived), bool(asserted)
