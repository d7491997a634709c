"""The draw stated by copies: for each tube that may be opened, which tests come from it.

The statement of choice where tubes are large and few, so that they can be filled in too many ways to list.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from kg.plans.draw_problem import Instance, Kind, Option
from kg.plans.programme_draw import INFINITE, Alike, Programme, fitting


class _Copy(NamedTuple):
    """Columns of one copy of a kind."""

    kind: Kind
    opened: int
    fill: int
    """Counts steps of filling; where a vacuum fills it, the copy itself."""
    classes: dict[int, int]


def copies_needed(kind: Kind, options: Iterable[tuple[Option, int]]) -> int:
    """Return how many copies of a kind the best plan can hold at most.

    Two copies whose contents fit into one would be poured together in a better plan, so each two of them hold more
    than one tube does. Hence n copies hold more than n/2 tubes full: with own use U and cups C, each at most once in a
    copy, n (full - C) < 2 U; counting cups with each test instead, n full < 2 (U + all cups).

    Args:
        kind: the kind of tube.
        options: what tests use in it, and how many tests that is.
    """
    listed = list(options)
    own = sum(option.uses * number for option, number in listed)
    each = own + sum(size * number for option, number in listed for _, size in option.cups)
    once = sum(size for _, size in {cup for option, _ in listed for cup in option.cups})
    bounds = [sum(number for _, number in listed), max(math.ceil(2 * each / kind.full) - 1, 1)]
    if kind.full > once:
        bounds.append(max(math.ceil(2 * own / (kind.full - once)) - 1, 1))
    return min(bounds)


def _step(kind: Kind) -> int:
    """Return the blood for each unit of the column that counts how far a copy is filled."""
    return kind.full if kind.least == kind.full else kind.step


class Copies(Programme):
    """The programme by copies."""

    def __init__(self, instance: Instance, classes: list[Alike], seconds: float, kinds: Iterable[Kind]) -> None:
        """State the programme."""
        super().__init__(instance, classes, seconds)
        self.copies: list[_Copy] = []
        for kind in kinds:
            self._open(kind)
        for number, group in enumerate(classes):
            terms: dict[int, float] = {copy.classes[number]: 1.0 for copy in self.copies if number in copy.classes}
            self.row(0.0, 0.0, {**terms, self.served[number]: -float(group.parts)})
        self.blood = {copy.fill: float(_step(copy.kind)) for copy in self.copies}
        self.tubes = {copy.opened: 1.0 for copy in self.copies}
        self.limits({copy.opened: copy.kind for copy in self.copies})

    def _open(self, kind: Kind) -> None:
        """Add the copies of one kind; an earlier copy is filled no less than a later one, as they are alike."""
        options = fitting(self.classes, kind)
        if not options:
            return
        before: _Copy | None = None
        for _ in range(copies_needed(kind, [(option, self.classes[number].places) for number, option in options.items()])):
            copy = self._copy(kind, options)
            if before is not None:
                self.row(0.0, INFINITE, {before.opened: 1.0, copy.opened: -1.0})
                if copy.fill != copy.opened:
                    self.row(0.0, INFINITE, {before.fill: 1.0, copy.fill: -1.0})
            before = copy
            self.copies.append(copy)

    def _copy(self, kind: Kind, options: Mapping[int, Option]) -> _Copy:
        opened = fill = self.column(1)
        step = float(_step(kind))
        if kind.least < kind.full:
            fill = self.column(kind.full // kind.step, integer=kind.step > 1)
            self.row(-INFINITE, 0.0, {fill: step, opened: -float(kind.full)})
            self.row(0.0, INFINITE, {fill: step, opened: -float(kind.least)})
        classes: dict[int, int] = {}
        cups: dict[tuple[str, int], int] = {}
        content: dict[int, float] = {fill: step}
        for number, option in options.items():
            places = self.classes[number].places
            room = kind.full - sum(size for _, size in option.cups)
            most = min(places, room // option.uses) if option.uses else places
            column = classes[number] = self.column(most)
            content[column] = -float(option.uses)
            self.row(-INFINITE, 0.0, {column: 1.0, opened: -float(most)})
            for cup in sorted(option.cups):
                if cup not in cups:
                    cups[cup] = self.column(1)
                    content[cups[cup]] = -float(cup[1])
                self.row(-INFINITE, 0.0, {column: 1.0, cups[cup]: -float(most)})
        self.row(0.0, INFINITE, content)
        return _Copy(kind, opened, fill, classes)

    def contents(self, values: list[float]) -> list[tuple[Kind, dict[int, int]]]:
        """Return the copies that are opened."""
        return [(copy.kind, {number: round(values[column]) for number, column in copy.classes.items()}) for copy in self.copies
                if round(values[copy.opened])]
