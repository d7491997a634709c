"""All facts that bear on one specimen and its tests, fetched in a few statements."""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Sequence
from functools import cached_property

from kg.database import rows
from kg.decisions.specimen import Story
from kg.decisions.wanted import Wanted, one_each

Row = sqlite3.Row
BLOOD, PLASMA, OTHER = "whole-blood", "plasma-or-serum", "other"
GENERAL_BLOOD = ("venous-blood", "whole-blood", "anticoagulated-whole-blood")
"""Blood of which the additive is not stated."""


class Facts:
    """What the knowledge base holds for one story, indexed by analyte, material and cause."""

    def __init__(self, connection: sqlite3.Connection, story: Story, tests: Sequence[Wanted]) -> None:
        self.connection, self.story = connection, story
        self.rules = rows(connection, "decision_rules")
        self.analytes = one_each(tests)
        self.materials = {row["id"]: row for row in connection.execute("SELECT id, label, additive, broader FROM materials")}
        self.causes = self._causes()
        analytes = json.dumps(self.analytes)
        concepts = {*self.analytes, *self.materials, *story.additives, *(test.method for test in tests if test.method)}
        self.above: dict[str, dict[str, int]] = defaultdict(dict)
        self.below: dict[str, set[str]] = defaultdict(set)
        for row in rows(connection, "decision_closure", concepts=json.dumps(sorted(concepts))):
            self.above[row["narrower"]][row["broader"]] = row["distance"]
            self.below[row["broader"]].add(row["narrower"])
        self._nears: dict[str | None, set[str]] = {}
        self.forms = self._forms()
        self.suitability = _by(rows(connection, "decision_suitability", analytes=analytes), "wanted")
        self.limits = _by(rows(connection, "decision_limits", analytes=analytes), "wanted")
        self.requirements = _by(rows(connection, "decision_requirements", analytes=analytes), "wanted")
        self.urine = _by(rows(connection, "decision_urine", analytes=analytes), "wanted")
        self.thresholds = _by(rows(connection, "decision_thresholds", analytes=analytes), "wanted")
        self._effects: dict[str, dict[str, list[Row]]] = {}
        for row in rows(connection, "decision_effects", causes=json.dumps(self.causes)):
            self._effects.setdefault(row["acting"], {}).setdefault(row["analyte"], []).append(row)

    def _causes(self) -> list[str]:
        """Return every factor that a rule or the story speaks of, and the additives of the specimen."""
        of_rules = (factor for rule in self.rules for factor in split(rule["factor"]))
        of_story = (factor for said in self.story.said.values() for factor in said.factors)
        return sorted({*of_rules, *of_story, *self.story.additives})

    def _forms(self) -> tuple[str, ...]:
        """Return the materials that can be had from the specimen: what was named, or all that the tube yields.

        A tube yields what its container says, and every preparation that holds its additive: whole blood
        and plasma, say. A specimen that is not blood yields itself.
        """
        story = self.story
        if story.form:
            return (story.form,)
        own = (story.container_material,) if story.container_material else ()
        if own and self.family(own[0]) == OTHER:
            return own
        found: set[str] = set(own)
        for additive in story.additives:
            holding: dict[int, set[str]] = defaultdict(set)
            for material, row in self.materials.items():
                if row["additive"] in self.above[additive] and self.family(material) != OTHER:
                    holding[self.above[additive][row["additive"]]].add(material)
            for family in (BLOOD, PLASMA):
                nearest = [level for distance in sorted(holding) if (level := {m for m in holding[distance] if self.family(m) == family})]
                found |= nearest[0] if nearest else set()
        return tuple(sorted(found))

    def family(self, material: str) -> str:
        """Return whether a material is whole blood, plasma or serum, or something else."""
        above = self.above[material]
        return BLOOD if BLOOD in above else PLASMA if PLASMA in above else OTHER

    @cached_property
    def about(self) -> frozenset[str]:
        """Container and additives of the specimen, with all that is broader."""
        story = self.story
        own = {story.container.id} if story.container else set()
        return frozenset(own.union(*(self.above[part] for part in story.additives)))

    def effects(self, causes: Iterable[str], test: Wanted) -> list[Row]:
        """Return what some causes do to a test; effects on another method than the test's do not count."""
        found: dict[str, Row] = {}
        for cause in causes:
            of_cause = self._effects.get(cause)
            if of_cause:
                for analyte in test.analytes:
                    for group in of_cause.keys() & self.above[analyte].keys():
                        found |= {effect["id"]: effect for effect in of_cause[group] if self.of_method(effect, test)}
        return list(found.values())

    def of_method(self, effect: Row, test: Wanted) -> bool:
        """Whether an effect bears on the method of the test; when either is not stated it does."""
        return not effect["method"] or not test.method or effect["method"] in self.above[test.method]

    def required(self, test: Wanted, material: str | None) -> dict[str, list[Row]]:
        """Return what a test requires of the handling of this material: by the facts, and by the catalogue with no row."""
        found: dict[str, list[Row]] = {requirement: [] for requirement in sorted(test.requirements)}
        near = self.near(material)
        for analyte in test.analytes:
            for row in self.requirements.get(analyte, ()):
                if row["material"] is None or row["material"] in near:
                    found.setdefault(row["requirement"], []).append(row)
        return found

    def preserved(self, test: Wanted, material: str | None) -> tuple[str | None, list[Row]]:
        """Return what preservative or collection of urine mean for a test, with the rules that say so.

        Returns:
            ``suitable``, ``limited``, ``unsuitable`` or ``disputed``; ``nothing`` when no rule is recorded for what
            is in the specimen; None when the preservative was not said and a rule objects to one.
        """
        listed = [row for analyte in test.analytes for row in self.urine.get(analyte, ()) if row["material"] in self.near(material)]
        if not self.story.additives and any(row["additives"] and row["usability"] != "suitable" for row in listed):
            return None, []
        found = [row for row in listed if not row["additives"] or set(split(row["additives"])) & self.held]
        uses = {row["usability"] for row in found}
        if "suitable" in uses and len(uses) > 1:
            return "disputed", found
        return next((use for use in ("unsuitable", "limited", "suitable") if use in uses), "nothing"), found

    def near(self, material: str | None) -> set[str]:
        """Return the materials whose facts hold for the specimen when it is used as this material; see ``_near``."""
        if material not in self._nears:
            self._nears[material] = self._near(material)
        return self._nears[material]

    @cached_property
    def held(self) -> set[str]:
        """The additives of the specimen with all that is broader."""
        return {part for additive in self.story.additives for part in self.above[additive]}

    def _near(self, material: str | None) -> set[str]:
        """Return the materials whose facts hold for the specimen when it is used as this material.

        These are the material and what is broader, and blood of the same tube before the spin.
        """
        if material is None:
            return set()
        near = set(self.above[material])
        if self.family(material) != OTHER:
            near |= {"venous-blood"}
            for form in self.forms:
                if self.family(form) == BLOOD:
                    near |= set(self.above[form])
            if self.story.form:
                near |= {m for m, row in self.materials.items() if row["additive"] and self.family(m) == BLOOD
                         and row["additive"] in self.held}
        if self.story.said.get("container_kind") and self.story.said["container_kind"].value in ("syringe", "capillary"):
            near.add("arterial-blood")
        return near


def _by(found: list[Row], column: str) -> dict[str, list[Row]]:
    index: dict[str, list[Row]] = defaultdict(list)
    for row in found:
        index[row[column]].append(row)
    return index


def split(cell: str | None) -> list[str]:
    """Return the parts of a list in a cell."""
    return cell.split(";") if cell else []
