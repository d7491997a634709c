"""The bare problem of a draw, without laboratory words, and what a solution of it is.

Blood is counted in whole units, so that anybody can check a solution by trying all possibilities. A tube is an open copy
of a kind. What its tests use up, plus what each of its cups holds back once, must fit; the tube is filled so far, rounded
up to the step in which its kind can be filled, but at least to the least fill of its kind.

The aims, in this order: serve the most tests, draw the least blood, open the fewest tubes. Why blood goes before tubes: a
tube more costs blood by itself, as it holds back its cups and is filled to its least, so that the least blood already
takes few tubes; and the order keeps the promise that a test more never lowers the blood that is drawn, which a price in
blood for each tube would break. What would make tubes multiply is a saving that nobody can measure at the bedside. That
is what the step of filling is for: it is as coarse as a hand can fill, so that a saving below it is none, and of plans
that are then equal the one with the fewest tubes is taken. Nor can a test be cut into many tubes: the parts are bounded
where the problem is stated.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class Kind(NamedTuple):
    """A kind of tube: a container in one size, for one sort of use. Volumes in units, whole steps of the kind."""

    name: str
    least: int
    """Blood that is drawn into it at least."""
    full: int
    """Blood that it holds at most; equal to ``least`` where a vacuum fills it."""
    stocks: tuple[str, ...] = ()
    """The stocks from which it is taken; several kinds may share one."""
    step: int = 1
    """The units in which it can be filled; ``least`` and ``full`` are whole steps."""

    def filled(self, needed: int) -> int:
        """Return the blood that is drawn into it when so much is needed."""
        return max(self.least, -(-needed // self.step) * self.step)


class Option(NamedTuple):
    """What a test needs when it is measured from one kind of tube."""

    uses: int
    """Units of blood used up by the test."""
    cups: frozenset[tuple[str, int]] = frozenset()
    """Cups that must be filled, each with its units of blood; counted once in a tube, however many tests use it."""


class Wanted(NamedTuple):
    """A test that is wanted."""

    name: str
    options: tuple[tuple[str, Option], ...]
    """Kinds of tube that can serve it."""
    rank: int = 1
    """When not all can be served, one test of a lower rank counts more than all of the higher ranks."""
    parts: int = 1
    """In how many equal parts it may be spread over tubes; all of them are needed."""


class Instance(NamedTuple):
    """The whole problem."""

    kinds: tuple[Kind, ...]
    wanted: tuple[Wanted, ...]
    most: int | None = None
    """Units of blood that may be drawn in all."""
    stock: tuple[tuple[str, int], ...] = ()
    """How many tubes there are of a stock; as many as wanted where it is not named."""


class Filled(NamedTuple):
    """One tube of the plan."""

    kind: str
    blood: int
    """Units of blood to draw into it."""
    needed: int
    """Units of blood that its tests use up or hold back."""
    tests: tuple[str, ...]


class Solution(NamedTuple):
    """The best plan: first the most tests served, rank by rank, then the least blood, then the fewest tubes."""

    tubes: tuple[Filled, ...]
    unserved: tuple[str, ...]
    blood: int
    proven: bool
    """Whether no better plan exists; otherwise it is the best that was found in time."""
    by: str
    """What proved it."""


def needed_in(kind: Kind, tests: Iterable[str], instance: Instance) -> int:
    """Return the units of blood that tests need in one tube of a kind; a test is named once for each of its parts there."""
    options = {one.name: dict(one.options) for one in instance.wanted}
    chosen = [options[test][kind.name] for test in tests]
    cups = {cup for option in chosen for cup in option.cups}
    return sum(option.uses for option in chosen) + sum(size for _, size in cups)
