"""The best use of a small volume, solved exactly by dynamic programming.

The problem is a knapsack with set-up costs: each cup loses its dead volume once, whatever runs from it;
results of one run cost its volume once; and whole blood that is used is lost to the spin. With ``f`` the
share of blood that comes off as plasma, plasma used ``P``, whole blood used ``W`` and blood there ``V``,
what is left to spin limits the plasma: ``P <= f (V - W)``. That is ``P + f W <= f V``: one limit, in which
whole blood weighs ``f``. The caller states every volume in that currency.

Why dynamic programming and not an integer programme: the numbers are small and whole, so that the set of
undominated pairs (volume, worth) stays short; ties are broken exactly, in whole numbers, without a
tolerance; and the same list says at once what another 50, 100 or 200 uL would gain, which an integer
programme would have to be solved again for. It also needs no import that costs more than the answer.
It is exact: a pair is dropped only when another costs no more and is worth no less, and cups, runs
and tests add up, so that a dropped pair can never be part of a better whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import NamedTuple


class Choice(NamedTuple):
    """A test that may be measured; all volumes are whole numbers of one unit, in the currency of the limit."""

    cup: str
    """Tests of one cup share the greatest dead volume among them."""
    run: str
    """Tests of one run of one cup share the greatest need among them; empty when it stands alone."""
    dead: int
    need: int
    diluted: int | None
    """What is needed when it is diluted; None where it must not be."""
    worth: int
    """Priority, a whole number above 0."""


class Plan(NamedTuple):
    """A selection: what it costs, what it is worth, and which tests it holds."""

    cost: int
    worth: int
    chosen: tuple[int, ...]
    diluted: tuple[int, ...]


class _State(NamedTuple):
    cost: int
    value: int
    """Worth first, then fewer dilutions: worth x (tests + 1) - dilutions."""
    chosen: int
    """One bit for each test, the first test the highest, so that a greater number prefers earlier tests."""
    diluted: int


_NOTHING = _State(0, 0, 0, 0)


def frontier(choices: Sequence[Choice], limit: int) -> list[Plan]:
    """Return every selection that no other beats, cheapest first; the first measures nothing.

    One selection beats another when it costs no more and is worth more; or is worth as much and dilutes
    fewer tests, or costs less, or, all that being equal, holds tests that come earlier.

    Args:
        choices: the tests in the fixed order that breaks the last ties.
        limit: dearer selections are left out.
    """
    count = len(choices)
    states = [_NOTHING]
    cups: dict[str, list[int]] = {}
    for number, choice in enumerate(choices):
        cups.setdefault(choice.cup, []).append(number)
    for members in cups.values():
        states = _merge(states, _cup(choices, members, count, limit), limit)
    return [_plan(state, count) for state in states]


def best(plans: Sequence[Plan], limit: int) -> Plan:
    """Return the selection of most worth within a limit; plans as ``frontier`` returns them."""
    return [plan for plan in plans if plan.cost <= limit][-1]


def cost_of(choices: Sequence[Choice], chosen: Iterable[int], diluted: Iterable[int] = ()) -> int:
    """Return the volume that a selection costs, in the currency of the limit.

    Args:
        choices: the tests.
        chosen: numbers of those that are measured.
        diluted: numbers of those among them that are diluted.
    """
    thin = set(diluted)
    dead: dict[str, int] = {}
    needs: dict[tuple[str, str, int], int] = {}
    for number in chosen:
        choice = choices[number]
        need = choice.diluted if number in thin and choice.diluted is not None else choice.need
        dead[choice.cup] = max(dead.get(choice.cup, 0), choice.dead)
        key = (choice.cup, choice.run, -1 if choice.run else number)
        needs[key] = max(needs.get(key, 0), need)
    return sum(dead.values()) + sum(needs.values())


def _cup(choices: Sequence[Choice], members: Sequence[int], count: int, limit: int) -> list[_State]:
    """Return the undominated selections of one cup: for each dead volume, the tests that need no more of it."""
    states = [_NOTHING]
    for dead in sorted({choices[number].dead for number in members}):
        level = [_State(dead, 0, 0, 0)]
        allowed = [number for number in members if choices[number].dead <= dead]
        for options in _parts(choices, allowed, count):
            level = _merge(level, options, limit)
        states = _undominated([*states, *level], limit)
    return states


def _parts(choices: Sequence[Choice], allowed: Sequence[int], count: int) -> list[list[_State]]:
    """Return for each test that stands alone, and each run, the ways to have it or not."""
    parts = []
    ordered = sorted(allowed, key=lambda number: choices[number].run)
    for run, group in groupby(ordered, key=lambda number: choices[number].run):
        numbers = list(group)
        if run:
            parts.append([_NOTHING, *(_together(choices, numbers, need, count) for need in sorted({choices[n].need for n in numbers}))])
            continue
        for number in numbers:
            choice, bit = choices[number], 1 << (count - 1 - number)
            ways = [_NOTHING, _State(choice.need, choice.worth * (count + 1), bit, 0)]
            if choice.diluted is not None and choice.diluted < choice.need:
                ways.append(_State(choice.diluted, choice.worth * (count + 1) - 1, bit, bit))
            parts.append(ways)
    return parts


def _together(choices: Sequence[Choice], numbers: Sequence[int], need: int, count: int) -> _State:
    held = [number for number in numbers if choices[number].need <= need]
    bits = sum(1 << (count - 1 - number) for number in held)
    return _State(need, sum(choices[number].worth for number in held) * (count + 1), bits, 0)


def _merge(left: Sequence[_State], right: Sequence[_State], limit: int) -> list[_State]:
    return _undominated([_State(a.cost + b.cost, a.value + b.value, a.chosen | b.chosen, a.diluted | b.diluted)
                         for a in left for b in right if a.cost + b.cost <= limit], limit)


def _undominated(states: Iterable[_State], limit: int) -> list[_State]:
    kept: list[_State] = []
    for state in sorted(states, key=lambda s: (s.cost, -s.value, -s.chosen, s.diluted)):
        if state.cost <= limit and (not kept or state.value > kept[-1].value):
            kept.append(state)
    return kept


def _plan(state: _State, count: int) -> Plan:
    dilutions = state.diluted.bit_count()
    numbers = [number for number in range(count) if state.chosen >> (count - 1 - number) & 1]
    thin = tuple(number for number in numbers if state.diluted >> (count - 1 - number) & 1)
    return Plan(state.cost, (state.value + dilutions) // (count + 1), tuple(numbers), thin)
