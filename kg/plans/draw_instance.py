"""From tests and containers to the bare problem that is solved, and back from its solution to tubes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from kg.plans.containers import CULTURE, Choice, Knowledge, Row, Size, run_of
from kg.plans.draw_needs import (
    Economy,
    Need,
    Setting,
    blood_units,
    containers_needed,
    fewest,
    fill_step,
    room,
    sizes_by_container,
    spread_most,
    volumes_of,
)
from kg.plans.draw_problem import Filled, Instance, Kind, Option, Solution, Wanted
from kg.plans.requests import Test
from kg.plans.volumes import steps_up

EITHER = "either"
_RUN = "run, "


class Tube(NamedTuple):
    """A tube of the plan; volumes in mL."""

    size: Size
    use: str
    apart: tuple[str, ...]
    """The rules under which it is shared with no other tests."""
    blood_ml: float
    needed_ml: float
    tests: tuple[str, ...]
    """Names of needs; a test in parts stands once for each part."""
    sort: str
    """Name of all tubes of this container for this use; see ``sort_of``."""


class Problem(NamedTuple):
    """An instance with what its names stand for."""

    instance: Instance
    kinds: Mapping[str, tuple[Size, str, tuple[str, ...]]]
    needs: Mapping[str, Need]
    unit_ml: float


def needs_of(tests: Iterable[tuple[Test, Sequence[Choice]]], culture_sets: int) -> list[Need]:
    """Return what has to be filled: one need a test, and for a culture one for each bottle of each set."""
    needs: list[Need] = []
    for test, found in tests:
        bottles = [choice for choice in found if choice.use == CULTURE]
        if not bottles:
            needs.append(Need(test.code, test, tuple(found)))
            continue
        for number in range(1, culture_sets + 1):
            needs += [Need(f"{test.code} set {number} {choice.container}", test, (choice,), len(bottles)) for choice in bottles]
    return needs


def rules_for(known: Knowledge, test: Test, container: str, sharing: str) -> list[Row]:
    """Return the sharing rules of one sort that hold for a test in a container."""
    return [rule for rule in known.rules if rule["sharing"] == sharing and _holds(known, rule, test, container)]


def _holds(known: Knowledge, rule: Row, test: Test, container: str) -> bool:
    if rule["temperature"] and rule["temperature"] != test.stability_temperature:
        return False
    subject = rule["subject"]
    if rule["subject_kind"] == "department":
        return f"-{subject}-" in f"-{test.volumes.department}-"
    if rule["subject_kind"] == "requirement":
        return subject in test.handling
    if rule["subject_kind"] == "container":
        return bool(subject == container)
    return any(subject in known.groups.get(analyte, frozenset()) for analyte in test.analytes)


def state(setting: Setting, needs: Sequence[Need], sparing: Economy, most_ml: float | None, fewer: Mapping[str, int] | None = None) -> Problem:
    """Return the bare problem.

    Blood is counted in whole steps, each need rounded up, so that the optimum is exact. Plasma is counted as the blood
    that yields it; dead volume and single runs are cups that are filled once in a tube.

    Args:
        setting: what holds for the whole draw.
        needs: what has to be filled.
        sparing: how sparing the plan is.
        most_ml: the most blood that may be drawn, mL.
        fewer: the most tubes of one sort that may be used, by ``sort_of``, below what there is.
    """
    by_container = sizes_by_container(setting.sizes, sparing)
    needs = [_once_where_asked_is_too_much(setting, need, by_container, sparing) for need in needs]
    cups = _cup_sizes(setting, needs, by_container, sparing)
    kinds: dict[str, tuple[Size, str, tuple[str, ...]]] = {}
    wanted = []
    for need in needs:
        options: list[tuple[str, Option]] = []
        for choice in need.choices:
            for size in by_container.get(choice.container, []):
                kind = _kind(setting, need, choice, size, sparing)
                kinds[_kind_name(*kind)] = kind
                options.append((_kind_name(*kind), _option(setting, need, choice, size, sparing, cups)))
        wanted.append(Wanted(need.name, tuple(dict(options).items()), need.test.priority))
    listed = tuple(_bare(setting, name, *kind, sparing) for name, kind in kinds.items())
    full = {kind.name: kind.full for kind in listed}
    most_parts = {name: spread_most(setting, size) for name, (size, _, _) in kinds.items()}
    spread = tuple(_in_parts(one, full, most_parts) for one in wanted)
    counts = {size.key: size.number for sizes in by_container.values() for size in sizes if size.number is not None}
    stocks = {**counts, **(fewer or {})}
    most = None if most_ml is None else math.floor(round(most_ml / setting.unit_ml, 6))
    return Problem(Instance(listed, spread, most, tuple(stocks.items())), kinds, {need.name: need for need in needs}, setting.unit_ml)


def sort_of(container: str, use: str, apart: Sequence[str]) -> str:
    """Name tubes of one container for one use, in whatever size."""
    return " | ".join((container, use, *apart))


def _bare(setting: Setting, name: str, size: Size, use: str, apart: Sequence[str], sparing: Economy) -> Kind:
    full, step = room(setting, size), fill_step(setting, size)
    least = step * math.ceil(steps_up(size.least_ml, setting.unit_ml) / step) if sparing.part_filled or not size.vacuum else full
    return Kind(name, least, full, (size.key, sort_of(size.container, use, apart)), step)


def _kind(setting: Setting, need: Need, choice: Choice, size: Size, sparing: Economy) -> tuple[Size, str, tuple[str, ...]]:
    apart = tuple(rule["id"] for rule in rules_for(setting.known, need.test, choice.container, "own-tube"))
    if choice.use == CULTURE:
        return size, CULTURE, (need.name,)
    return size, EITHER if sparing.before_spin else choice.use, apart


def _kind_name(size: Size, use: str, apart: tuple[str, ...]) -> str:
    return " | ".join((size.key, use, *apart))


def _once_where_asked_is_too_much(setting: Setting, need: Need, by_container: Mapping[str, Sequence[Size]], sparing: Economy) -> Need:
    """Ask for one run only where that fits into one container, or can be served at all, and the volume asked for cannot."""
    if need.bottle:
        return need
    once = need._replace(once=True)
    asked, least = fewest(setting, need, by_container, sparing), fewest(setting, once, by_container, sparing)
    return once if least is not None and (asked is None or asked > 1 == least) else need


def _cups_of(setting: Setting, need: Need, choice: Choice, size: Size, sparing: Economy) -> list[tuple[str, int]]:
    """Return the cups of a test with what each must hold at least, before they are cut into steps between tests."""
    known, test = setting.known, need.test
    net, dead = volumes_of(need, sparing)
    own = rules_for(known, test, choice.container, "own-aliquot")
    bench = test.code if own or not test.volumes.department else test.volumes.department
    cups = [(f"dead volume, {bench}, {choice.use}", blood_units(setting, dead, choice, size))]
    run = None if own else run_of(known, test)
    return cups if run is None else [*cups, (f"{_RUN}{run['id']}", blood_units(setting, net, choice, size))]


def _cup_sizes(setting: Setting, needs: Sequence[Need], by_container: Mapping[str, Sequence[Size]], sparing: Economy) -> dict[tuple[str, str], list[int]]:
    """Return for each cup in each size of container the volumes that tests ask of it, smallest first."""
    asked: dict[tuple[str, str], set[int]] = {}
    for need in needs:
        for choice in need.choices:
            for size in by_container.get(choice.container, []) if not need.bottle else []:
                for cup, steps in _cups_of(setting, need, choice, size, sparing):
                    asked.setdefault((size.key, cup), set()).add(steps)
    return {key: sorted(steps) for key, steps in asked.items()}


def _option(setting: Setting, need: Need, choice: Choice, size: Size, sparing: Economy, cups: Mapping[tuple[str, str], list[int]]) -> Option:
    """Return what a test needs in a container; a cup that tests ask different volumes of is filled in layers, each once."""
    net, _ = volumes_of(need, sparing)
    if need.bottle:
        volumes = need.test.volumes
        share = (volumes.minimum_ml if sparing.once else volumes.volume_ml) / need.bottle
        return Option(min(steps_up(share, setting.unit_ml), math.floor(round(size.volume_ml / setting.unit_ml, 6))))
    layers: set[tuple[str, int]] = set()
    listed = _cups_of(setting, need, choice, size, sparing)
    for cup, steps in listed:
        below = 0
        for level in cups[size.key, cup]:
            if level <= steps and level > below:
                layers.add((f"{cup}, to {level}", level - below))
            below = level
    in_a_run = any(cup.startswith(_RUN) for cup, _ in listed)
    return Option(0 if in_a_run else blood_units(setting, net, choice, size), frozenset(layers))


def _in_parts(one: Wanted, full: Mapping[str, int], most: Mapping[str, int]) -> Wanted:
    """Spread a test that fits into no tube over several, as few as will do and no more than is usual for the kind of container."""
    if any(option.uses + _held(option) <= full[name] for name, option in one.options):
        return one
    counts = {name: count for name, option in one.options if (count := containers_needed(option.uses, _held(option), full[name])) is not None}
    parts = min((count for name, count in counts.items() if count <= most[name]), default=1)
    return one._replace(parts=parts, options=tuple((name, option._replace(uses=math.ceil(option.uses / parts))) for name, option in one.options
                                                   if parts <= most[name]))


def _held(option: Option) -> int:
    return sum(size for _, size in option.cups)


def tubes_of(problem: Problem, solution: Solution) -> list[Tube]:
    """Return the tubes of a solution, volumes in mL."""
    tubes = []
    for filled in solution.tubes:
        size, use, apart = problem.kinds[_smallest(problem, filled)]
        sort = sort_of(size.container, use, apart)
        if use == EITHER:
            uses = {choice.use for name in filled.tests for choice in problem.needs[name].choices if choice.container == size.container}
            use = uses.pop() if len(uses) == 1 else EITHER
        tubes.append(Tube(size, use, () if use == CULTURE else apart, round(filled.blood * problem.unit_ml, 6),
                          round(filled.needed * problem.unit_ml, 6), filled.tests, sort))
    return tubes


def _smallest(problem: Problem, filled: Filled) -> str:
    """Return the smallest size of the same container, usual for these people before others, that takes the same blood for the same tests.

    The solver looks at one size for all that would do as well; at the bedside the smallest that is at hand is taken.
    """
    size, use, apart = problem.kinds[filled.kind]
    options = {one.name: dict(one.options) for one in problem.instance.wanted}
    fitting = [(not other.for_these_people, other.volume_ml, kind.name) for kind in problem.instance.kinds
               for other, other_use, other_apart in [problem.kinds[kind.name]]
               if (other.container, other_use, other_apart) == (size.container, use, apart) and other.number is None
               and kind.filled(filled.needed) == filled.blood <= kind.full
               and all(options[test].get(kind.name) == options[test][filled.kind] for test in filled.tests)]
    return filled.kind if size.number is not None else min(fitting)[2]
