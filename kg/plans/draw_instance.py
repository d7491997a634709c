"""From tests and containers to the bare problem that is solved, and back from its solution to tubes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from kg.plans.containers import CULTURE, SPUN, WHOLE, Choice, Knowledge, Row, Size
from kg.plans.draw_problem import Instance, Kind, Option, Solution, Wanted
from kg.plans.requests import Test
from kg.plans.volumes import blood_for_plasma, recoverable_share, steps_up

ECONOMIES = ("usual", "one-run", "part-filled", "before-spin")
"""Ways to draw, each more sparing than the one before; what they mean is said in ``Economy``."""
EITHER = "either"


class Economy(NamedTuple):
    """How sparing a plan is."""

    name: str
    once: bool
    """Volumes for one run, without a repeat."""
    part_filled: bool
    """Tubes filled to their least, and smaller tubes than usual for these people."""
    before_spin: bool
    """Whole blood may be taken from a tube before it is spun for plasma."""


def economy(name: str) -> Economy:
    """Return the economy of that name; each includes those before it in ``ECONOMIES``."""
    rank = ECONOMIES.index(name)
    return Economy(name, rank >= 1, rank >= 2, rank >= 3)


class Need(NamedTuple):
    """A test, or one bottle of a culture set, with the containers that can serve it."""

    name: str
    test: Test
    choices: tuple[Choice, ...]
    bottle: int = 0
    """Over how many bottles the volume of the test is spread; 0 for what is no culture."""
    once: bool = False
    """Whether the volume for one run is taken, as the volume asked for fits into no container."""


class Setting(NamedTuple):
    """What holds for the whole draw."""

    known: Knowledge
    sizes: tuple[Size, ...]
    values: Mapping[tuple[str, str], Row]
    haematocrit: float
    citrate_left: Mapping[str, float]
    """Liquid additive for each mL of blood, by container and size, where it is not as bought."""

    @property
    def step_ml(self) -> float:
        """The smallest step in which volumes are planned, mL."""
        return float(self.values["volume-step", "blood"]["value"])


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
    step_ml: float


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
    step = setting.step_ml
    sizes = [size for size in setting.sizes if size.for_these_people or sparing.part_filled]
    by_container: dict[str, list[Size]] = {}
    for size in sizes:
        by_container.setdefault(size.container, []).append(size)
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
    listed = tuple(_bare(name, *kind, sparing, step) for name, kind in kinds.items())
    full = {kind.name: kind.full for kind in listed}
    spread = tuple(_in_parts(one, full) for one in wanted)
    counts = {size.key: size.number for size in sizes if size.number is not None}
    stocks = {**counts, **(fewer or {})}
    most = None if most_ml is None else math.floor(round(most_ml / step, 6))
    return Problem(Instance(listed, spread, most, tuple(stocks.items())), kinds, {need.name: need for need in needs}, step)


def sort_of(container: str, use: str, apart: Sequence[str]) -> str:
    """Name tubes of one container for one use, in whatever size."""
    return " | ".join((container, use, *apart))


def _bare(name: str, size: Size, use: str, apart: Sequence[str], sparing: Economy, step: float) -> Kind:
    full = math.floor(round(size.volume_ml / step, 6))
    least = steps_up(size.least_ml, step) if sparing.part_filled or not size.vacuum else full
    return Kind(name, least, full, (size.key, sort_of(size.container, use, apart)))


def _kind(setting: Setting, need: Need, choice: Choice, size: Size, sparing: Economy) -> tuple[Size, str, tuple[str, ...]]:
    apart = tuple(rule["id"] for rule in rules_for(setting.known, need.test, choice.container, "own-tube"))
    if choice.use == CULTURE:
        return size, CULTURE, (need.name,)
    return size, EITHER if sparing.before_spin else choice.use, apart


def _kind_name(size: Size, use: str, apart: tuple[str, ...]) -> str:
    return " | ".join((size.key, use, *apart))


def _blood(setting: Setting, material_ml: float, choice: Choice, size: Size) -> int:
    """Return the steps of blood for a volume of the material that is measured."""
    if choice.use == SPUN:
        liquid = setting.citrate_left.get(size.key, 1.0 / size.blood_to_additive if size.blood_to_additive else 0.0)
        material_ml = blood_for_plasma(material_ml, setting.haematocrit, recoverable_share(setting.values, size.kind), liquid)
    return steps_up(material_ml, setting.step_ml)


def _volumes(need: Need, sparing: Economy) -> tuple[float, float]:
    """Return what a test uses up and what it leaves behind, mL."""
    volumes = need.test.volumes
    return (volumes.net_minimum_ml if sparing.once or need.once else volumes.net_ml), volumes.dead_ml


def _once_where_asked_is_too_much(setting: Setting, need: Need, by_container: Mapping[str, Sequence[Size]], sparing: Economy) -> Need:
    """Ask for one run only where the volume asked for fits into no container at hand, but one run does."""
    def fits(one: Need) -> bool:
        return any(_blood(setting, sum(_volumes(one, sparing)), choice, size) * setting.step_ml <= size.volume_ml
                   for choice in one.choices for size in by_container.get(choice.container, []))

    once = need._replace(once=True)
    return once if not need.bottle and not fits(need) and fits(once) else need


def _cups_of(setting: Setting, need: Need, choice: Choice, size: Size, sparing: Economy) -> list[tuple[str, int]]:
    """Return the cups of a test with what each must hold at least, before they are cut into steps between tests."""
    known, test = setting.known, need.test
    net, dead = _volumes(need, sparing)
    own = rules_for(known, test, choice.container, "own-aliquot")
    bench = test.code if own or not test.volumes.department else test.volumes.department
    cups = [(f"dead volume, {bench}, {choice.use}", _blood(setting, dead, choice, size))]
    runs = rules_for(known, test, choice.container, "one-run") if choice.use == WHOLE else []
    cups += [(f"run, {run['id']}", _blood(setting, net, choice, size)) for run in runs[:1]]
    return cups


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
    net, _ = _volumes(need, sparing)
    if need.bottle:
        volumes = need.test.volumes
        share = (volumes.minimum_ml if sparing.once else volumes.volume_ml) / need.bottle
        return Option(min(steps_up(share, setting.step_ml), math.floor(round(size.volume_ml / setting.step_ml, 6))))
    layers: set[tuple[str, int]] = set()
    listed = _cups_of(setting, need, choice, size, sparing)
    for cup, steps in listed:
        below = 0
        for level in cups[size.key, cup]:
            if level <= steps and level > below:
                layers.add((f"{cup}, to {level}", level - below))
            below = level
    in_a_run = any(cup.startswith("run, ") for cup, _ in listed)
    return Option(0 if in_a_run else _blood(setting, net, choice, size), frozenset(layers))


def _in_parts(one: Wanted, full: Mapping[str, int]) -> Wanted:
    """Spread a test that fits into no tube over several of them."""
    if not one.options or any(option.uses + _held(option) <= full[name] for name, option in one.options):
        return one
    parts = min((math.ceil(option.uses / (full[name] - _held(option))) for name, option in one.options if full[name] > _held(option)), default=1)
    return one._replace(parts=parts, options=tuple((name, option._replace(uses=math.ceil(option.uses / parts))) for name, option in one.options))


def _held(option: Option) -> int:
    return sum(size for _, size in option.cups)


def tubes_of(problem: Problem, solution: Solution) -> list[Tube]:
    """Return the tubes of a solution, volumes in mL."""
    tubes = []
    for filled in solution.tubes:
        size, use, apart = problem.kinds[filled.kind]
        sort = sort_of(size.container, use, apart)
        if use == EITHER:
            uses = {choice.use for name in filled.tests for choice in problem.needs[name].choices if choice.container == size.container}
            use = uses.pop() if len(uses) == 1 else EITHER
        tubes.append(Tube(size, use, () if use == CULTURE else apart, round(filled.blood * problem.step_ml, 6),
                          round(filled.needed * problem.step_ml, 6), filled.tests, sort))
    return tubes
