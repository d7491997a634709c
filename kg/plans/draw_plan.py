"""The plan of a draw: how sparing it has to be, what it leaves out, and what each tube is good for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from kg.plans.draw_instance import Problem, Tube, state, tubes_of
from kg.plans.draw_needs import ECONOMIES, Need, Setting, economy
from kg.plans.draw_problem import Solution
from kg.plans.solve_draw import solve

AUTO = "auto"


class Step(NamedTuple):
    """One economy: what serving everything takes."""

    economy: str
    blood_ml: float
    tubes: int
    unserved: tuple[str, ...]
    proven: bool


class Without(NamedTuple):
    """What happens when one tube of a sort is left out."""

    sort: str
    lost: tuple[str, ...]
    """Names of needs that cannot be served then."""
    more_ml: float
    """More blood that the others take when nothing is lost, mL."""
    more_tubes: int
    instead: tuple[str, ...]
    """What is filled instead: containers with their sizes."""


class Subset(NamedTuple):
    """The most that an amount of blood can serve."""

    allowed_ml: float
    blood_ml: float
    tubes: int
    dropped: tuple[str, ...]
    proven: bool


class Plan(NamedTuple):
    """The chosen plan with what was weighed for it."""

    economy: str
    tubes: tuple[Tube, ...]
    dropped: tuple[str, ...]
    """Needs left out to keep within the most that may be drawn."""
    impossible: tuple[str, ...]
    """Needs that no tube, or none that is left, can serve."""
    blood_ml: float
    ladder: tuple[Step, ...]
    without: tuple[Without, ...]
    keeping_within: Subset | None
    """What a published limit leaves room for, when the plan goes beyond it."""
    once: tuple[str, ...]
    """Needs for which one run is planned, as the volume asked for fits into no container at hand."""
    proven: bool
    by: str


def make_plan(setting: Setting, needs: Sequence[Need], wish: str, start: str, allowed_ml: float | None, most_ml: float | None) -> Plan:
    """Return the best plan.

    Args:
        setting: what holds for the whole draw.
        needs: what has to be filled.
        wish: an economy, or ``auto`` for the first from ``start`` on that keeps within both amounts of blood.
        start: the least sparing economy that is thought of; the most sparing one where blood is scarce by nature.
        allowed_ml: what the published limits leave for the tubes, mL; going beyond it is said, not forbidden.
        most_ml: the most that may go into the tubes, mL; needs are left out to keep to it.
    """
    solved = {name: _solved(setting, needs, name) for name in ECONOMIES}
    ladder = tuple(Step(name, _ml(problem, found), len(found.tubes), found.unserved, found.proven) for name, (problem, found) in solved.items())
    bounds = [bound for bound in (allowed_ml, most_ml) if bound is not None]
    chosen = wish if wish != AUTO else _first_within(ladder, start, min(bounds) if bounds else None)
    problem, found = solved[chosen]
    impossible = found.unserved
    dropped: tuple[str, ...] = ()
    if most_ml is not None and _ml(problem, found) > most_ml + 1e-9:
        problem, found = _solved(setting, needs, chosen, max(most_ml, 0.0))
        dropped = tuple(name for name in found.unserved if name not in impossible)
    blood = _ml(problem, found)
    within = _within(setting, needs, chosen, allowed_ml, impossible) if allowed_ml is not None and blood > allowed_ml + 1e-9 else None
    served = [need for need in needs if need.name not in found.unserved]
    tubes = tuple(tubes_of(problem, found))
    return Plan(chosen, tubes, dropped, impossible, blood, ladder, tuple(_without(setting, served, chosen, tubes, blood)), within,
                tuple(name for name, need in problem.needs.items() if need.once), found.proven, found.by)


def _solved(setting: Setting, needs: Sequence[Need], name: str, most_ml: float | None = None,
            fewer: Mapping[str, int] | None = None) -> tuple[Problem, Solution]:
    problem = state(setting, needs, economy(name), most_ml, fewer)
    return problem, solve(problem.instance, float(setting.values["solver-time", "plan"]["value"]))


def _ml(problem: Problem, found: Solution) -> float:
    return round(found.blood * problem.unit_ml, 6)


def _first_within(ladder: Sequence[Step], start: str, bound_ml: float | None) -> str:
    """Return the least sparing economy from ``start`` on that serves as much as any and keeps within a bound; the most sparing when none does.

    One before it that takes no more blood and no more containers is taken instead, as it asks less of the hands.
    """
    fewest = min(len(step.unserved) for step in ladder)
    serving = [step for step in ladder[ECONOMIES.index(start):] if len(step.unserved) == fewest]
    taken = next((step for step in serving if bound_ml is None or step.blood_ml <= bound_ml + 1e-9), serving[-1])
    return next(step.economy for step in ladder if len(step.unserved) == fewest and step.blood_ml <= taken.blood_ml and step.tubes <= taken.tubes)


def _within(setting: Setting, needs: Sequence[Need], name: str, allowed_ml: float, impossible: Sequence[str]) -> Subset:
    problem, found = _solved(setting, needs, name, max(allowed_ml, 0.0))
    return Subset(allowed_ml, _ml(problem, found), len(found.tubes), tuple(n for n in found.unserved if n not in impossible), found.proven)


def _without(setting: Setting, served: Sequence[Need], name: str, tubes: Sequence[Tube], blood_ml: float) -> list[Without]:
    """Solve again with one tube fewer of each sort in turn."""
    found = []
    for sort, count in Counter(tube.sort for tube in tubes).items():
        problem, solution = _solved(setting, served, name, None, {sort: count - 1})
        found.append(Without(sort, solution.unserved, round(_ml(problem, solution) - blood_ml, 6), len(solution.tubes) - len(tubes),
                             _instead(tubes, tubes_of(problem, solution))))
    return found


def _instead(tubes: Sequence[Tube], others: Sequence[Tube]) -> tuple[str, ...]:
    """Name the containers that another plan fills beyond those of this plan."""
    more = Counter(tube.size.key for tube in others) - Counter(tube.size.key for tube in tubes)
    sizes = {tube.size.key: tube.size for tube in others}
    return tuple(f"{sizes[key].label} ({sizes[key].volume_ml:g} mL)" for key in more)
