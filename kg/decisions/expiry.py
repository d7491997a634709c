"""How long a test's specimen keeps: published limits, the local catalogue's, and the time that is left."""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Mapping
from functools import cached_property
from typing import Any, NamedTuple

from kg.database import rows
from kg.decisions.facts import BLOOD, GENERAL_BLOOD, OTHER, PLASMA, Facts, split
from kg.decisions.findings import Limit, Remaining, hours_text
from kg.decisions.wanted import Wanted
from kg.forms import schema_of

Row = sqlite3.Row
HOURS = {"min": 1 / 60, "h": 1.0, "d": 24.0, "wk": 168.0, "mo": 730.5, "a": 8766.0}
"""Hours in the units of limits; a month is a twelfth of the mean year (UCUM ``mo_j``, ``a_j``)."""
_PHASES = {"unseparated": "on-cells", "separated": "off-cells", "not-applicable": "whole", "not-stated": "whole"}
_ENDS = {"separate-within": "on-cells", "centrifuge-within": "on-cells"}
_TINY = 1e-9


class Keeping(NamedTuple):
    """What the limits amount to for one test."""

    keeping: str
    """``kept``, ``passed``, ``disputed`` (one study saw a change, another limit still covers it), ``not-covered`` or ``not-recorded``."""
    local_keeping: str
    local_separation: str
    limits: tuple[Limit, ...]
    published: Remaining | None
    local: Remaining | None
    hanging: tuple[str, ...] = ()
    """Fields that were not said and on which the outcome hangs."""


class Expiry:
    """The limits of time for the tests of one story."""

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self.conditions: dict[str, list[Row]] = {}
        for row in rows(facts.connection, "limit_conditions"):
            self.conditions.setdefault(row["condition"], []).append(row)
        self.also = {row["temperature"]: {row["temperature"], *split(row["also"])} for row in rows(facts.connection, "storage_temperatures")}
        bench = [rule for rule in facts.rules if rule["check"] == "bench-time"]
        self.bench = float(bench[0]["value"]) if bench else 0.0

    def keeping(self, test: Wanted, material: str | None) -> Keeping:
        """Judge the time and temperature of the specimen for one test.

        Args:
            test: the test.
            material: what it would be measured on.

        Returns:
            the outcome; a field on which it hangs is named when it was not said and the outcome would differ.
        """
        limits = self.limits(test, material)
        unsaid = {row["field"] for limit in limits for row in self.conditions.get(limit.condition, ()) if row["field"] not in self.facts.story.said
                  and row["comparison"] == "is"}
        if not unsaid:
            return self._judge(test, material, limits, {})
        values = {field: self._possible(field) for field in sorted(unsaid)}
        outcomes = {}
        for choice in itertools.product(*values.values()):
            supposed = dict(zip(values, choice, strict=True))
            outcomes[choice] = self._judge(test, material, limits, supposed)
        hanging = [field for i, field in enumerate(values)
                   if len({(c[:i] + c[i + 1:], o.keeping) for c, o in outcomes.items()}) > len({c[:i] + c[i + 1:] for c in outcomes})]
        worst = max(outcomes.values(), key=lambda o: (_RANK.index(o.keeping), -(o.published.hours if o.published else 0)))
        if not hanging:
            return worst
        mildest = min(outcomes.values(), key=lambda o: _RANK.index(o.keeping))
        return mildest._replace(published=worst.published if worst.keeping == mildest.keeping else mildest.published, hanging=tuple(hanging))

    @cached_property
    def _form(self) -> dict[str, Any]:
        fields: dict[str, Any] = schema_of("accept-input")["properties"]
        return fields

    def _possible(self, field: str) -> list[str]:
        """Return what a field may hold: the words of the form, or what conditions ask for and anything else."""
        words = self._form.get(field, {}).get("enum")
        if words:
            return sorted(words)
        asked = {value for listed in self.conditions.values() for row in listed if row["field"] == field for value in split(row["value"])}
        return [*sorted(asked), "otherwise"]

    def limits(self, test: Wanted, material: str | None) -> list[Limit]:
        """Return the published limits that fit the specimen, those under an unmet condition left out.

        A limit on the analyte itself stands before one on a group to which it belongs, and one on the blood of
        this tube before one on blood of which the additive is not stated.
        """
        if material is None:
            return []
        found: list[Limit] = []
        for analyte in test.analytes:
            fitting = [(row["distance"], self._general(row["material"], material), self._limit(row, material))
                       for row in self.facts.limits.get(analyte, ()) if self._fits(row, material)]
            found += _most_special([(distance, general, limit) for distance, general, limit in fitting if limit is not None])
        return list({limit.id: limit for limit in found}.values())

    def _general(self, theirs: str | None, material: str) -> bool:
        """Whether a limit is about more than the material, so that one on the material itself stands before it."""
        if self.facts.family(material) == OTHER:
            return theirs != material
        return theirs in GENERAL_BLOOD

    def _fits(self, row: Row, material: str) -> bool:
        facts = self.facts
        if row["material"] and row["material"] not in facts.near(material):
            return False
        additives = set(split(row["additives"]))
        if additives and facts.story.additives and not additives & facts.held:
            return False
        for condition in self.conditions.get(row["condition"] or "", ()):
            said = facts.story.said.get(condition["field"])
            if condition["comparison"] == "never":
                return False
            if condition["comparison"] == "is" and said is not None and said.value not in split(condition["value"]):
                return False
        return True

    def _limit(self, row: Row, material: str) -> Limit | None:
        """Return a row as a limit with the time that counts against it, or None when it sets none."""
        phase, temperature = self._phase(row, material), row["temperature"]
        for condition in self.conditions.get(row["condition"] or "", ()):
            temperature = condition["value"] if condition["comparison"] == "at" else temperature
        if phase is None or (row["value"] is None and row["outcome"] != "not-stable"):
            return None
        hours = 0.0 if row["value"] is None else row["value"] * HOURS[row["unit"]]
        kind = {"stable-for": "holds", "changed-at": "changed"}.get(row["outcome"], "ends")
        used = self._used(phase, temperature, material)
        passed = used > hours + _TINY if kind == "ends" else used >= hours - _TINY and used > 0 if kind == "changed" else False
        return Limit(row["id"], row["sentence"], phase, temperature, hours, kind, used, passed, row["source"], row["basis"], row["condition"] or "")

    def _phase(self, row: Row, material: str) -> str | None:
        """Return the time that a limit is about, or None when this test does not come by it."""
        family = self.facts.family(material)
        if row["table_name"] == "stability":
            phase = _PHASES[row["state"]]
        elif row["material"] and self.facts.family(row["material"]) == PLASMA and row["state"] == "analyse-within":
            phase = "off-cells"
        else:
            phase = _ENDS.get(row["state"], "whole")
        if family == PLASMA:
            return phase
        if family == BLOOD and (phase == "off-cells" or row["state"] in _ENDS):
            return None
        return "whole" if phase != "off-cells" else None

    def _used(self, phase: str, temperature: str | None, material: str) -> float:
        spent = self._spent(phase)
        if temperature is None:
            return max(sum(spent.values()), (self.facts.story.clock.elapsed or 0.0) if phase == "whole" else 0.0)
        return sum(hours for kept, hours in spent.items() if temperature in self.also.get(kept, {kept}))

    def _spent(self, phase: str) -> Mapping[str, float]:
        clock = self.facts.story.clock
        return {"on-cells": clock.on_cells, "off-cells": clock.off_cells}.get(phase, clock.whole)

    def _judge(self, test: Wanted, material: str | None, limits: list[Limit], supposed: dict[str, str]) -> Keeping:
        """Judge with the limits whose conditions are met, supposing values for what was not said.

        Time at several temperatures counts in shares of the limit at each, and the shares add up.
        """
        held = [limit for limit in limits if all(row["field"] not in supposed or supposed[row["field"]] in split(row["value"])
                                                 for row in self.conditions.get(limit.condition, ()) if row["comparison"] == "is")]
        local = _Local(self, test, material)
        ended = any(limit.passed and limit.kind == "ends" for limit in held)
        changed = any(limit.passed for limit in held)
        covered = shown = True
        for phase in self._phases(material):
            spent = self._spent(phase)
            of_phase = [limit for limit in held if limit.phase == phase]
            used, safe = _shares(spent, of_phase, self.also)
            changed = changed or used > 1 + _TINY
            used, other = _shares(spent, [limit for limit in of_phase if limit.kind != "changed"], self.also)
            ended = ended or used > 1 + _TINY
            shown = shown and ((other is not None and other <= 1 + _TINY) or local.covers(phase, spent))
            covered = covered and ((safe is not None and safe <= 1 + _TINY) or local.covers(phase, spent))
        nothing = not held and not local.any
        keeping = ("passed" if ended or (changed and not shown) else "disputed" if changed else "not-recorded" if nothing else "kept" if covered else "not-covered")
        on_cells = _shares(self._spent("on-cells"), [limit for limit in held if limit.phase == "on-cells"], self.also)[1]
        supported = on_cells is not None and on_cells <= 1 + _TINY and not ended and not changed
        separation = "kept" if not local.late else "passed-supported" if supported else "passed"
        return Keeping(keeping, "passed" if local.passed else "kept", separation, tuple(sorted(held)), self._left(held, material), local.left())

    def _phases(self, material: str | None) -> tuple[str, ...]:
        if material is None or self.facts.family(material) != PLASMA:
            return ("whole",)
        return ("on-cells", "off-cells")

    def _left(self, held: list[Limit], material: str | None) -> Remaining | None:
        """Return the shortest time left in the present state; a limit that only says 'held for' counts when there is no other."""
        clock = self.facts.story.clock
        if clock.missing or clock.temperature is None or material is None:
            return None
        plasma = self.facts.family(material) == PLASMA
        if plasma and clock.missing_split:
            return None
        now = "whole" if not plasma else "off-cells" if clock.separated else "on-cells"
        names = self.also.get(clock.temperature, {clock.temperature})
        running = [limit for limit in held if limit.phase in (now, "whole") and (limit.temperature is None or limit.temperature in names)]
        ending = [limit for limit in running if limit.kind != "holds"]
        chosen = ending or [limit for limit in running if limit.kind == "holds"]
        left = []
        for limit in chosen:
            share = limit.used / limit.hours if limit.hours else 1.0
            others = 0.0
            if limit.temperature is not None:
                rest = {kept: hours for kept, hours in self._spent(limit.phase).items() if kept not in names and limit.temperature != kept}
                others = _shares(rest, [other for other in held if other.phase == limit.phase], self.also)[0]
            left.append((max(0.0, (1 - share - others) * limit.hours), limit))
        if not left:
            return None
        # among limits of "held for" the longest counts: a short study is not a short life
        hours, limit = min(left) if ending else max(left)
        before = "it has to be off the cells" if limit.phase == "on-cells" and plasma else "it has to be measured"
        return Remaining(hours, before, _short(limit, plasma), limit.source, limit.basis, bool(ending))


def _short(limit: Limit, plasma: bool) -> str:
    """Return a limit in a few words."""
    kind = {"ends": "stable up to", "changed": "changed at", "holds": "shown stable for"}[limit.kind]
    where = f" at {limit.temperature} temperature" if limit.temperature == "room" else f" {limit.temperature.replace('-', ' ')}" if limit.temperature else ""
    cells = {"on-cells": ", on the cells", "off-cells": ", off the cells"}.get(limit.phase, "") if plasma else ""
    return f"{kind} {hours_text(limit.hours)}{where}{cells}"


_RANK = ("kept", "disputed", "not-covered", "not-recorded", "passed")


def _most_special(ranked: list[tuple[int, bool, Limit]]) -> list[Limit]:
    """Keep, for each phase, the limits on the analyte before those on a group, and those on the tube's own blood before any blood's."""
    nearest: dict[str, int] = {}
    for distance, _, limit in ranked:
        nearest[limit.phase] = min(distance, nearest.get(limit.phase, distance))
    kept = [(general, limit) for distance, general, limit in ranked if distance == nearest[limit.phase]]
    special = {(limit.phase, limit.temperature) for general, limit in kept if not general}
    phases = {phase for phase, _ in special}
    return [limit for general, limit in kept
            if not general or (limit.temperature is not None and (limit.phase, limit.temperature) not in special)
            or (limit.temperature is None and limit.phase not in phases)]


def _shares(spent: Mapping[str, float], limits: list[Limit], also: Mapping[str, set[str]]) -> tuple[float, float | None]:
    """Return the share of the time that is used up, and the share of what is shown to hold; None when part is not covered."""
    used, safe = 0.0, 0.0
    open_part = False
    for kept, hours in spent.items():
        if hours <= 0:
            continue
        here = [limit for limit in limits if limit.temperature is None or limit.temperature in also.get(kept, {kept})]
        hard = min((limit.hours for limit in here if limit.kind != "holds"), default=None)
        ends = min((limit.hours for limit in here if limit.kind == "ends"), default=None)
        if hard is not None:
            used += hours / hard if hard else 2.0
        shown = max((limit.hours for limit in here if limit.kind != "changed"), default=None)
        if shown is None:
            open_part = True
        else:
            known = min(shown, hard if hard is not None else shown, ends if ends is not None else shown)
            safe += hours / known if known else 2.0
    return used, None if open_part else safe


class _Local:
    """The local catalogue's own limits for one test."""

    def __init__(self, expiry: Expiry, test: Wanted, material: str | None) -> None:
        self.expiry, self.row = expiry, test.row
        self.plasma = material is not None and expiry.facts.family(material) == PLASMA
        self.phase = "off-cells" if self.plasma else "whole"
        row = test.row
        self.hours = row["stability_hours"] if row else None
        self.temperature = row["stability_temperature"] if row else None
        minutes = row["separate_within_minutes"] if row else None
        self.spin = minutes / 60 if minutes is not None and self.plasma else None
        self.any = self.hours is not None or self.spin is not None
        on_cells = sum(expiry._spent("on-cells").values())
        self.late = self.spin is not None and on_cells > self.spin + _TINY
        self.passed = self.hours is not None and self._share() > 1 + _TINY

    def _share(self) -> float:
        spent = self.expiry._spent(self.phase)
        return float(spent.get(self.temperature or "", 0.0) / self.hours) if self.hours else 0.0

    def covers(self, phase: str, spent: Mapping[str, float]) -> bool:
        """Whether the catalogue alone covers the time in a phase."""
        total = sum(spent.values())
        if total <= 0:
            return True
        if phase == "on-cells":
            return self.spin is not None and total <= self.spin + _TINY
        if self.hours is None or phase != self.phase:
            return False
        # at the bench a specimen is at room temperature for a while, whatever its storage
        rest = sum(hours for kept, hours in spent.items() if kept != self.temperature)
        bench = spent.get("room", 0.0) if self.temperature != "room" else 0.0
        return self._share() <= 1 + _TINY and rest <= bench + _TINY and bench <= self.expiry.bench

    def left(self) -> Remaining | None:
        """Return the time left by the catalogue in the present state."""
        clock = self.expiry.facts.story.clock
        if not self.any or clock.missing or clock.temperature is None or (self.plasma and clock.missing_split):
            return None
        code = self.row["code"] if self.row else ""
        if self.plasma and not clock.separated:
            if self.spin is None:
                return None
            left = self.spin - sum(clock.on_cells.values())
            return Remaining(max(0.0, left), "it has to be off the cells", f"local catalogue, {code}: off the cells within {self.spin:g} h", None, None)
        if self.hours is None or clock.temperature != self.temperature:
            return None
        left = self.hours * (1 - self._share())
        return Remaining(max(0.0, left), "it has to be measured", f"local catalogue, {code}: {self.hours:g} h {self.temperature}", None, None)


