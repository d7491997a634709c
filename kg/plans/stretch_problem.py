"""From a form to the problem that is solved: volumes in whole numbers, cups, runs and dilutions."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any, NamedTuple

from kg.database import rows
from kg.plans.solve_stretch import Choice, Plan, best, cost_of, frontier
from kg.plans.specimen import BLOOD, WHOLE, Specimen
from kg.plans.volumes import planning_values, recoverable_share
from kg.plans.wanted import WantedTest

_STEPS = 10
"""Parts of a microlitre in which volumes are counted."""
HAEMATOCRIT = ("blood", "haematocrit")


class Yield(NamedTuple):
    """What share of the specimen comes off as plasma or serum; 1 where it is not spun."""

    share: Fraction
    haematocrit: float | None
    assumed: bool
    recoverable: float
    facts: tuple[sqlite3.Row, ...]


class Wish(NamedTuple):
    """A test that fits, with its place in the problem."""

    test: WantedTest
    choice: Choice
    cup: str
    dead_ul: float
    need_ul: float
    factor: float
    """By how much it may be diluted; 1 when it may not."""
    dilution: str
    """What was decided on dilution, where it was asked for."""
    sources: tuple[tuple[str, str], ...]


class Problem(NamedTuple):
    """The whole of it; costs count spun volume in parts of a microlitre times the denominator of the yield."""

    specimen: Specimen
    volume_ul: float
    output: Yield
    wishes: tuple[Wish, ...]
    limit: int
    plans: tuple[Plan, ...]

    @property
    def plan(self) -> Plan:
        """The best plan with what is there."""
        return best(self.plans, self.limit)

    def plan_with(self, extra_ul: float) -> Plan:
        """Return the best plan with so much more of the specimen, in uL; up to the most that was solved for."""
        return best(self.plans, self.limit + self.currency(extra_ul))

    def currency(self, specimen_ul: float) -> int:
        """Return a volume of the specimen as a cost."""
        return math.floor(round(specimen_ul * _STEPS, 6)) * self.output.share.numerator

    def specimen_ul(self, cost: int) -> float:
        """Return the volume of the specimen that a cost stands for, in uL."""
        return cost / (self.output.share.numerator * _STEPS)

    def extra_ul(self, chosen: Sequence[int], diluted: Sequence[int] = ()) -> int:
        """Return how much more of the specimen a selection needs, in whole uL, rounded up; 0 when it is there."""
        missing = cost_of([wish.choice for wish in self.wishes], chosen, diluted) - self.limit
        return max(0, math.ceil(round(self.specimen_ul(missing), 6)))


def state_problem(connection: sqlite3.Connection, specimen: Specimen, volume_ul: float, haematocrit: float | None,
                  tests: Sequence[WantedTest], own: Mapping[str, Mapping[str, Any]], most_extra_ul: float) -> Problem:
    """Return the problem of a specimen, solved up to so much more than there is.

    Args:
        connection: the database.
        specimen: what is there.
        volume_ul: how much of it, in uL.
        haematocrit: as a share; None when it is not stated.
        tests: those that fit the specimen.
        own: what the form says of a test by its code: volumes in uL, analyser, dilution.
        most_extra_ul: the greatest volume for which more is solved, in uL.
    """
    output = yield_of(connection, specimen, haematocrit)
    scale = math.lcm(*(test.weight.denominator for test in tests)) if tests else 1
    wishes = tuple(_wish(connection, test, own.get(test.code, {}), output, scale) for test in tests)
    draft = Problem(specimen, volume_ul, output, wishes, 0, ())
    limit = draft.currency(volume_ul)
    plans = frontier([wish.choice for wish in wishes], draft.currency(volume_ul + most_extra_ul))
    return draft._replace(limit=limit, plans=tuple(plans))


def yield_of(connection: sqlite3.Connection, specimen: Specimen, haematocrit: float | None) -> Yield:
    """Return what share of a specimen comes off as plasma or serum.

    Args:
        connection: the database.
        specimen: what is there.
        haematocrit: as a share; the upper end of the usual range is assumed when None.
    """
    if specimen.kind != BLOOD:
        return Yield(Fraction(1), None, False, 1.0, ())
    values = planning_values(connection)
    recoverable = recoverable_share(values, specimen.container_kind)
    facts = [values.get(("recoverable-share", specimen.container_kind)) or values["recoverable-share", "tube"]]
    assumed = haematocrit is None
    if haematocrit is None:
        usual = next(r for r in rows(connection, "model_parameters") if (r["model"], r["parameter"]) == HAEMATOCRIT)
        haematocrit = float(usual["high"])
        facts.append(usual)
    share = (1 - Fraction(str(haematocrit))) * Fraction(str(recoverable))
    return Yield(share, haematocrit, assumed, recoverable, tuple(facts))


def _wish(connection: sqlite3.Connection, test: WantedTest, own: Mapping[str, Any], output: Yield, scale: int) -> Wish:
    dead_ul = float(own.get("dead_volume_ul", test.volumes.dead_ml * 1000))
    least_ul = float(own.get("minimum_volume_ul", min(test.volumes.minimum_ml, test.volumes.volume_ml) * 1000))
    need_ul = max(0.0, round(least_ul - dead_ul, 4))
    factor, decided, sources = _dilution(connection, test, own.get("dilution"))
    bench = str(own.get("analyser") or test.bench.id)
    cup = f"{bench}, {test.code}" if test.bench.own_cup and "analyser" not in own and not test.run else bench
    # whole blood weighs what it would have yielded, plasma what it is
    weight = output.share.numerator if test.fit.form == WHOLE else output.share.denominator
    diluted = _parts(need_ul / factor) * weight if factor > 1 else None
    choice = Choice(f"{test.fit.form}:{cup}", test.run, _parts(dead_ul) * weight, _parts(need_ul) * weight, diluted,
                    int(test.weight * scale))
    return Wish(test, choice, cup, dead_ul, need_ul, factor, decided, sources)


def _parts(volume_ul: float) -> int:
    return math.ceil(round(volume_ul * _STEPS, 6))


def _dilution(connection: sqlite3.Connection, test: WantedTest, asked: Mapping[str, Any] | None) -> tuple[float, str, tuple[tuple[str, str], ...]]:
    """Decide on a dilution that the form asks for: the table may forbid it, and the diluted value must stay above the limit."""
    if not asked:
        return 1.0, "", ()
    against = next((row for analyte in test.analytes for row in rows(connection, "dilution_of_analyte", analyte=analyte)
                    if row["allowed"] == "no"), None)
    if against:
        return 1.0, f"not diluted: {against['statement']}", ((against["source"], against["basis"]),)
    if test.run:
        return 1.0, "not diluted: it comes from one measurement with others", ()
    factor, expected, limit = float(asked["factor"]), float(asked["expected"]), float(asked["limit"])
    reading = expected / factor
    if reading < limit:
        return 1.0, f"not diluted: expected {expected:g} would read {reading:g} at 1 in {factor:g}, below the limit {limit:g}", ()
    return factor, f"may be diluted 1 in {factor:g}: expected {expected:g} reads {reading:g}, not below the limit {limit:g}", ()
