"""Whether there is enough for every bench, step by step in the solved order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from kg.plans.precedence import SERVE, Step
from kg.plans.solve_stretch import Choice, best, frontier
from kg.plans.specimen import BLOOD, SPUN
from kg.plans.wanted import WantedTest

_NOTHING = 1e-9
_PARTS = 10_000
"""Parts of a millilitre in which volumes are counted."""


class Use(NamedTuple):
    """What one step finds, needs and takes, in mL of blood, or of plasma or serum after the spin, or of the fluid."""

    step: str
    there_ml: float | None
    """None when the volume is not stated."""
    needs_ml: float
    """Has to be in hand."""
    takes_ml: float
    """Is not there afterwards."""
    short_ml: float
    """By how much there is too little; 0 when there is enough or the volume is not stated."""
    instead: str
    """What is done with less, where the table says so."""
    still: tuple[str, ...]
    """Tests of the step for which there is enough all the same."""


def walk(steps: Sequence[Step], volume_ml: float | None, kind: str, share: float) -> list[Use]:
    """Go through the steps in order and see what is left for each.

    The least volume of each test counts, and the dead volume of a bench once. A step for which there is too
    little takes nothing, so that what comes after is judged by what is really there.

    Args:
        steps: in the solved order.
        volume_ml: of the specimen; None when it is not stated.
        kind: kind of the specimen.
        share: of blood that comes off as plasma or serum.
    """
    uses: list[Use] = []
    left, spun = volume_ml, kind != BLOOD
    opened: set[str] = set()
    for step in steps:
        if step.rule["role"] != SERVE:
            continue
        needs_spin = any(test.fit.form == SPUN for test in step.tests)
        if needs_spin and not spun:
            left, spun = (None if left is None else left * share), True
        needs, takes = _need(step, step.tests, opened)
        short = 0.0 if left is None or needs - left < _NOTHING else needs - left
        instead, still = (step.rule["if_short"] or "") if short else "", step.tests
        if short:
            still = () if instead or left is None else _still(step, left, opened)
            takes = _need(step, still, opened)[1] if still else 0.0
        opened |= {_cup(test, step) for test in still}
        uses.append(Use(step.id, left, needs, takes, short, instead, tuple(test.code for test in still)))
        if left is not None:
            left = max(0.0, left - takes)
    return uses


def _still(step: Step, left: float, opened: set[str]) -> tuple[WantedTest, ...]:
    """Return the tests of a step that what is left can serve best."""
    choices = [Choice(_cup(test, step), test.run, 0 if _cup(test, step) in opened else _parts(test.volumes.dead_ml),
                      _parts(test.volumes.net_minimum_ml), None, 1) for test in step.tests]
    limit = math.floor(round(left * _PARTS, 6))
    return tuple(step.tests[number] for number in best(frontier(choices, limit), limit).chosen)


def _parts(volume_ml: float) -> int:
    return math.ceil(round(volume_ml * _PARTS, 6))


def _need(step: Step, tests: Sequence[WantedTest], opened: set[str]) -> tuple[float, float]:
    """Return what has to be in hand, and what is gone afterwards; runs and cups count once."""
    runs: dict[str, float] = {}
    dead: dict[str, float] = {}
    for test in tests:
        key = test.run or test.code
        runs[key] = max(runs.get(key, 0.0), test.volumes.net_minimum_ml)
        cup = _cup(test, step)
        if cup not in opened:
            dead[cup] = max(dead.get(cup, 0.0), test.volumes.dead_ml)
    total = sum(runs.values()) + sum(dead.values())
    needs = max(total, float(step.rule["volume"] or 0.0))
    return needs, needs * (1.0 - float(step.rule["kept"] or 0.0)) if step.rule["kept"] is not None else total


def _cup(test: WantedTest, step: Step) -> str:
    own = test.bench.own_cup and not test.run
    return f"{test.fit.form}:{test.bench.id}" + (f":{test.code}" if own else "") + (f"#{step.portion}" if step.portion else "")
