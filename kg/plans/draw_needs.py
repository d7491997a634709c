"""What a test needs when it is drawn: how sparing a draw is, the blood that yields a volume, and in how many containers it fits."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from kg.plans.containers import SPUN, Choice, Knowledge, Row, Size
from kg.plans.requests import Test
from kg.plans.volumes import blood_for_plasma, recoverable_share, steps_up

ECONOMIES = ("usual", "one-run", "part-filled", "before-spin")
"""Ways to draw, each more sparing than the one before; what they mean is said in ``Economy``."""


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
    def unit_ml(self) -> float:
        """The unit in which volumes are counted, mL."""
        return float(self.values["volume-unit", "blood"]["value"])


def blood_units(setting: Setting, material_ml: float, choice: Choice, size: Size) -> int:
    """Return the units of blood that yield a volume of the material that is measured, rounded up."""
    if choice.use == SPUN:
        liquid = setting.citrate_left.get(size.key, 1.0 / size.blood_to_additive if size.blood_to_additive else 0.0)
        material_ml = blood_for_plasma(material_ml, setting.haematocrit, recoverable_share(setting.values, size.kind), liquid)
    return steps_up(material_ml, setting.unit_ml)


def volumes_of(need: Need, sparing: Economy) -> tuple[float, float]:
    """Return what a test uses up and what it leaves behind, mL."""
    volumes = need.test.volumes
    return (volumes.net_minimum_ml if sparing.once or need.once else volumes.net_ml), volumes.dead_ml


def room(setting: Setting, size: Size) -> int:
    """Return the units of blood that a container holds."""
    return math.floor(round(size.volume_ml / setting.unit_ml, 6))


def fill_step(setting: Setting, size: Size) -> int:
    """Return the units in which a container can be filled; 1 where its size is no multiple of what is usual for its kind."""
    step = steps_up(float(_of_kind(setting, "fill-step", size)["value"]), setting.unit_ml)
    return 1 if room(setting, size) % step else step


def spread_most(setting: Setting, size: Size) -> int:
    """Return over how many containers of one kind a test may be spread at most."""
    return int(_of_kind(setting, "spread-most", size)["value"])


def _of_kind(setting: Setting, quantity: str, size: Size) -> Row:
    return setting.values.get((quantity, size.kind)) or setting.values[quantity, "tube"]


def containers_needed(uses: int, held: int, full: int) -> int | None:
    """Return over how many equal containers a test has to be spread; nothing when they hold back all that they hold.

    Args:
        uses: units of blood that the test uses up.
        held: units that each of the containers holds back.
        full: units that each holds.
    """
    if uses + held <= full:
        return 1
    return None if held >= full else math.ceil(uses / (full - held))


def needed_of(setting: Setting, need: Need, choice: Choice, size: Size, sparing: Economy) -> int | None:
    """Return how many containers of a size a test needs that has them to itself; nothing when no number will do."""
    net, dead = volumes_of(need, sparing)
    return containers_needed(blood_units(setting, net, choice, size), blood_units(setting, dead, choice, size), room(setting, size))


def fewest(setting: Setting, need: Need, by_container: Mapping[str, Sequence[Size]], sparing: Economy) -> int | None:
    """Return the least number of containers that serve a test, spread no further than is usual; nothing when none do."""
    found = [number for choice in need.choices for size in by_container.get(choice.container, [])
             if (number := needed_of(setting, need, choice, size, sparing)) is not None and number <= spread_most(setting, size)]
    return min(found, default=None)


def sizes_by_container(sizes: Iterable[Size], sparing: Economy) -> dict[str, list[Size]]:
    """Return the sizes that may be used, by container: those usual for these people, and all of them when blood must be spared."""
    found: dict[str, list[Size]] = {}
    for size in sizes:
        if size.for_these_people or sparing.part_filled:
            found.setdefault(size.container, []).append(size)
    return found
