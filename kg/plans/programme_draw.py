"""What the two statements of a draw as an integer programme share: the solver, the aims in their order, and the reading."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from kg.plans.draw_problem import Filled, Instance, Kind, Option, Solution, Wanted, needed_in
from kg.plans.simplify_draw import own_cups_folded

INFINITE = math.inf


class Alike(NamedTuple):
    """Tests that are alike in everything but their name."""

    names: tuple[str, ...]
    options: dict[str, Option]
    rank: int
    parts: int

    @property
    def number(self) -> int:
        """How many tests these are."""
        return len(self.names)

    @property
    def places(self) -> int:
        """How often they have to be put into tubes."""
        return len(self.names) * self.parts


def alike(wanted: Iterable[Wanted]) -> list[Alike]:
    """Gather tests that differ in nothing but their name; a test in parts stays alone."""
    groups: dict[object, list[Wanted]] = {}
    for one in own_cups_folded(wanted):
        key = (frozenset(one.options), one.rank, one.name if one.parts > 1 else "")
        groups.setdefault(key, []).append(one)
    return [Alike(tuple(one.name for one in group), dict(group[0].options), group[0].rank, group[0].parts) for group in groups.values()]


def fitting(classes: Iterable[Alike], kind: Kind) -> dict[int, Option]:
    """Return what each class needs in a kind of tube, where at least one of its tests fits."""
    found = {number: group.options[kind.name] for number, group in enumerate(classes) if kind.name in group.options}
    return {number: option for number, option in found.items() if option.uses + sum(size for _, size in option.cups) <= kind.full}


class Programme:
    """An integer programme of an instance, built once and solved with one aim after the other.

    A statement adds its columns and rows, says what each column costs in blood and tubes, and reads its columns as
    tubes, each with how many tests of each class may come from it.
    """

    def __init__(self, instance: Instance, classes: list[Alike], seconds: float) -> None:
        # the public class prints a banner to standard output before it can be told not to
        from highspy._core import _Highs

        self.instance, self.classes = instance, classes
        self.solver = _Highs()
        for name, value in (("output_flag", False), ("mip_rel_gap", 0.0), ("mip_abs_gap", 0.5), ("time_limit", seconds),
                            ("threads", 1), ("random_seed", 0)):
            self.solver.setOptionValue(name, value)
        self.by = f"HiGHS {self.solver.version()}, branch and bound without a gap"
        self.columns = 0
        self.blood: dict[int, float] = {}
        """Blood for each unit of a column."""
        self.tubes: dict[int, float] = {}
        """Tubes for each unit of a column."""
        self.served = [self.column(group.number) for group in classes]
        self.doubt = False
        """Whether some problem ended before its end."""

    def column(self, upper: float, integer: bool = True) -> int:
        """Add a column from 0 to a bound and return its number."""
        import highspy

        self.solver.addVar(0.0, float(upper))
        if integer:
            self.solver.changeColIntegrality(self.columns, highspy.HighsVarType.kInteger)
        self.columns += 1
        return self.columns - 1

    def row(self, low: float, high: float, terms: Mapping[int, float]) -> None:
        """Add a row: a sum of columns from ``low`` to ``high``."""
        self.solver.addRow(low, high, len(terms), list(terms), list(terms.values()))

    def limits(self, kinds: Mapping[int, Kind]) -> None:
        """Add the rows of scarce stocks and of the most blood.

        Args:
            kinds: the kind of tube that each column counts.
        """
        for stock, count in self.instance.stock:
            opened = {column: 1.0 for column, kind in kinds.items() if stock in kind.stocks}
            if opened:
                self.row(-INFINITE, count, opened)
        if self.instance.most is not None:
            self.row(-INFINITE, self.instance.most, self.blood)

    def serve_most(self) -> bool:
        """Settle, rank by rank, how many tests can be served, and keep to that from now on; return whether it is proven."""
        import highspy

        for column in (*self.blood, *self.tubes):
            self.solver.changeColCost(column, 0.0)
        for served, group in zip(self.served, self.classes, strict=True):
            self.solver.changeColBounds(served, 0.0, float(group.number))
        for rank in sorted({group.rank for group in self.classes}):
            mine = [served for served, group in zip(self.served, self.classes, strict=True) if group.rank == rank]
            for served in mine:
                self.solver.changeColCost(served, -1.0)
            self.solver.run()
            self.doubt |= self.solver.getModelStatus() != highspy.HighsModelStatus.kOptimal
            values = self.solver.getSolution().col_value
            count = sum(round(values[served]) for served in mine) if values else 0
            for served in mine:
                self.solver.changeColCost(served, 0.0)
            self.row(float(count), INFINITE, dict.fromkeys(mine, 1.0))
        return not self.doubt

    def cheapest(self, everything: bool) -> Solution | None:
        """Return the plan with the least blood, then the fewest tubes; nothing when there is none.

        Args:
            everything: whether all tests must be served; otherwise what ``serve_most`` has settled holds.
        """
        import highspy

        # all blood is drawn in multiples of the greatest common step, so one of these has to outweigh all tubes
        common = math.gcd(*(int(blood) for blood in self.blood.values())) or 1
        outweighs = float(sum(group.places for group in self.classes) + 1)
        costs = dict.fromkeys((*self.blood, *self.tubes), 0.0)
        for column, blood in self.blood.items():
            costs[column] += outweighs * blood / common
        for column, tubes in self.tubes.items():
            costs[column] += tubes
        for column, cost in costs.items():
            self.solver.changeColCost(column, cost)
        for served, group in zip(self.served, self.classes, strict=True):
            self.solver.changeColCost(served, 0.0)
            self.solver.changeColBounds(served, float(group.number) if everything else 0.0, float(group.number))
        self.solver.run()
        status = self.solver.getModelStatus()
        if status == highspy.HighsModelStatus.kInfeasible:
            return None
        proven = status == highspy.HighsModelStatus.kOptimal
        self.doubt |= not proven
        if not self.solver.getInfo().primal_solution_status:
            return None
        return self._solution(list(self.solver.getSolution().col_value), proven and not self.doubt)

    def contents(self, values: list[float]) -> list[tuple[Kind, dict[int, int]]]:
        """Return the opened tubes with how many tests of each class may come from each."""
        raise NotImplementedError

    def _solution(self, values: list[float], proven: bool) -> Solution:
        """Hand the served tests out to the opened tubes; a tube that none is left for is not filled."""
        waiting = [list(group.names[:round(values[served])]) if group.parts == 1 else list(group.names) * group.parts * round(values[served])
                   for served, group in zip(self.served, self.classes, strict=True)]
        given = [set(names) for names in waiting]
        tubes = []
        for kind, counts in self.contents(values):
            tests = [waiting[number].pop(0) for number, count in counts.items() for _ in range(min(count, len(waiting[number])))]
            if tests:
                needed = needed_in(kind, tests, self.instance)
                tubes.append(Filled(kind.name, kind.filled(needed), needed, tuple(tests)))
        unserved = [name for group, names in zip(self.classes, given, strict=True) for name in group.names if name not in names]
        return Solution(tuple(tubes), tuple(unserved), sum(tube.blood for tube in tubes), proven, self.by)
