"""How the containers of a plan read: those that are alike told once, with how to fill and handle them and why they are needed."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from kg.answer import Item
from kg.database import rows
from kg.plans.draw import Draw
from kg.plans.draw_instance import EITHER, Tube, rules_for
from kg.plans.draw_needs import Need
from kg.plans.draw_plan import Without
from kg.plans.draw_tubes import Filling, times
from kg.plans.draw_words import duration, listed, named, number_word
from kg.questions.common import join, note
from kg.wording import inside, magnitude

_UNSAID = ("mix-at-once", "do-not-centrifuge", "full-fill", "analyse-within")
"""Handling that the lines on mixing, spinning, filling and time say already."""
_FEW = 4


class _Alike(NamedTuple):
    """Neighbouring containers that are filled and handled alike."""

    first: int
    """Number of the first of them."""
    fills: tuple[Filling, ...]

    @property
    def tubes(self) -> tuple[Tube, ...]:
        return tuple(fill.tube for fill in self.fills)


def tube_items(connection: sqlite3.Connection, planned: Draw, filled: Sequence[Filling], used: dict[str, str]) -> list[Item]:
    """Return one item for each container, or for neighbours that are alike.

    Args:
        connection: the database.
        planned: the plan.
        filled: its containers in draw order.
        used: the sources used so far; those of the handling are added.
    """
    items: list[Item] = []
    told: dict[tuple[str, ...], int] = {}
    positions: set[int | None] = set()
    for group in _neighbours(filled):
        details = _details(connection, planned, group, used)
        first = told.setdefault((group.tubes[0].sort.split(" | ")[0], *details), group.first)
        if first != group.first:
            details = [f"As {first}."]
        else:
            details = [_here(group.fills[0], positions), *details]
        positions.add(group.fills[0].position)
        items.append(Item(_text(planned, group), {"container": group.tubes[0].size.container, "blood_ml": [tube.blood_ml for tube in group.tubes],
                                                  "tests": [list(tube.tests) for tube in group.tubes], "position": group.fills[0].position},
                          tuple(dict.fromkeys(s for fill in group.fills for s in fill.sources)), (" ".join(details),)))
    return items


def _neighbours(filled: Sequence[Filling]) -> list[_Alike]:
    groups: list[_Alike] = []
    for number, fill in enumerate(filled, 1):
        if groups and _key(groups[-1].fills[0]) == _key(fill) and fill.tube.use != "culture":
            groups[-1] = groups[-1]._replace(fills=(*groups[-1].fills, fill))
        else:
            groups.append(_Alike(number, (fill,)))
    return groups


def _key(fill: Filling) -> tuple[object, ...]:
    return fill.tube.size.key, fill.tube.use, fill.tube.apart, fill.instead_of


def _text(planned: Draw, group: _Alike) -> str:
    tubes = group.tubes
    size, last = tubes[0].size, group.first + len(tubes) - 1
    names = [name for tube in tubes for name in tube.tests]
    numbers = f"{group.first}" if len(tubes) == 1 else f"{group.first} and {last}" if len(tubes) == 2 else f"{group.first} to {last}"
    count = "" if len(tubes) == 1 else f", {number_word(len(tubes))} of them"
    together = "" if len(tubes) == 1 else "together "
    return f"{numbers}. {size.label}, {size.volume_ml:g} mL{count}: {_fill(tubes)}, {together}for {named(planned.needs, names)}"


def _fill(tubes: Sequence[Tube]) -> str:
    """Say how far to fill; for one tube also how much of it is needed."""
    each = " each" if len(tubes) > 1 else ""
    if all(tube.blood_ml >= tube.size.volume_ml - 1e-9 for tube in tubes):
        spare = all(tube.needed_ml < 0.9 * tube.size.volume_ml for tube in tubes)
        return f"fill{each} to the mark" + (f" ({_hundredth(tubes[0].needed_ml)} mL is needed)" if spare and len(tubes) == 1 else "")
    volumes = list(dict.fromkeys(f"{tube.blood_ml:g}" for tube in tubes))
    if len(volumes) > 1:
        return f"fill with {join(f'{tube.blood_ml:g}' for tube in tubes)} mL"
    least = len(tubes) == 1 and tubes[0].needed_ml < 0.9 * tubes[0].blood_ml
    return f"fill{each} with {volumes[0]} mL" + (f" ({_hundredth(tubes[0].needed_ml)} mL is needed)" if least else "")


def _hundredth(volume_ml: float) -> str:
    return f"{-(-round(volume_ml * 1000) // 10) / 100:g}"


def _here(fill: Filling, told: set[int | None]) -> str:
    if fill.position is None:
        return "The guideline gives it no place."
    return f"Position {fill.position} as well." if fill.position in told else f"{fill.reason[:1].upper()}{fill.reason[1:]}."


def _details(connection: sqlite3.Connection, planned: Draw, group: _Alike, used: dict[str, str]) -> list[str]:
    fill = group.fills[0]
    needs = [need for one in group.fills for need in one.needs]
    details = [*_split(planned, group), _mixing(fill), *_preparation(connection, planned, fill.tube, needs, used), *_care(planned, group, needs)]
    details += _until(group)
    details += _instead(planned, fill)
    return details + _why_needed(planned, group)


def _until(group: _Alike) -> list[str]:
    """Say until when they are spun or measured, and for which test if not for all alike."""
    waits = [time for fill in group.fills for time in times(fill.needs, fill.tube)]
    if not waits:
        return []
    minutes, test, spin = min(waits)
    act = "Spin" if spin else "Into the incubator" if group.tubes[0].use == "culture" else "Measure"
    alike = {wait[0] for wait in waits} == {minutes} and len(waits) == sum(len(fill.needs) for fill in group.fills)
    return [f"{act} within {duration(minutes)}" + ("." if alike else f" (shortest: {inside(test)}).")]


def _split(planned: Draw, group: _Alike) -> list[str]:
    """Say which test goes into which of several containers."""
    if len(group.tubes) == 1:
        return []
    parts = [name for name in dict.fromkeys(n for tube in group.tubes for n in tube.tests) if sum(tube.tests.count(name) for tube in group.tubes) > 1]
    if parts:
        return [f"{named(planned.needs, parts)[:1].upper()}{named(planned.needs, parts)[1:]} needs all of them."]
    by_name = {need.name: need for need in planned.needs}
    return [f"{number}: {listed(inside(by_name[name].test.label) for name in tube.tests)}." for number, tube in enumerate(group.tubes, group.first)]


def _mixing(fill: Filling) -> str:
    if fill.inversions == "0":
        return "Do not invert."
    return f"Invert gently {fill.inversions} times at once." if fill.inversions else "How often to invert it is not known; mix gently at once."


def _preparation(connection: sqlite3.Connection, planned: Draw, tube: Tube, needs: Sequence[Need], used: dict[str, str]) -> list[str]:
    if tube.use == "whole":
        return ["Do not spin; it is measured in whole blood."]
    if tube.use == "culture":
        return []
    if tube.use == EITHER:
        whole = [need.name for need in needs if any(c.use == "whole" and c.container == tube.size.container for c in need.choices)]
        return [f"Take whole blood first for {named(planned.needs, whole)}; only then spin."]
    clotting = [row for additive in tube.size.additives for row in rows(connection, "specifications", additive=additive) if row["quantity"] == "clotting-time"
                and row["low"]]
    if not clotting:
        return []
    note(used, clotting[0]["source"], clotting[0]["basis"])
    return [f"Let it clot upright for {magnitude(clotting[0]['low'], clotting[0]['high'], 'min')} before the spin."]


def _care(planned: Draw, group: _Alike, needs: Sequence[Need]) -> list[str]:
    """Return the handling that tests ask for, and why the containers are not shared."""
    labels = planned.setting.known.labels
    lines: list[str] = []
    for requirement in dict.fromkeys(r for fill in group.fills for r in fill.requirements if r not in _UNSAID):
        asking = [need for need in needs if requirement in need.test.handling]
        text = labels.get(requirement, requirement)
        text = text if not lines else inside(text)
        lines.append(text if len(asking) == len(needs) else f"{text} ({_briefly(planned, asking)})")
    found = [f"{'; '.join(lines)}."] if lines else []
    rules = {rule["id"]: rule for rule in planned.setting.known.rules}
    found += [f"Nothing else goes in: {rules[rule]['reason']}." for rule in group.tubes[0].apart]
    for number, fill in enumerate(group.fills, group.first):
        aliquots = [need for need in fill.needs if rules_for(planned.setting.known, need.test, fill.tube.size.container, "own-aliquot")]
        if len(aliquots) > 1:
            of = f" of {number}" if len(group.fills) > 1 else ""
            found.append(f"{number_word(len(aliquots)).capitalize()} aliquots{of}, one for each test.")
    return found


def _briefly(planned: Draw, needs: Sequence[Need]) -> str:
    """Name a few tests by themselves, more by their panels."""
    labels = list(dict.fromkeys(inside(need.test.label) for need in needs))
    return listed(labels) if len(labels) < _FEW else named(planned.needs, [need.name for need in needs], _FEW)


def _instead(planned: Draw, fill: Filling) -> list[str]:
    labels = planned.setting.known.labels
    if fill.akin:
        return [f"The catalogue names the {inside(labels[fill.instead_of])}; this yields {inside(labels.get(fill.akin, fill.akin))} too, with another additive. "
                "Ask the laboratory first."]
    if fill.instead_of:
        return [f"The catalogue names the {inside(labels[fill.instead_of])}; this holds the same additive. Ask the laboratory."]
    return []


def _why_needed(planned: Draw, group: _Alike) -> list[str]:
    sort = group.tubes[0].sort
    without: Without | None = next((w for w in planned.plan.without if w.sort == sort), None)
    if without is None:
        return []
    several = sum(tube.sort == sort for tube in planned.plan.tubes) > 1
    if without.lost:
        if group.tubes[0].use == "culture" or set(without.lost) == {name for tube in group.tubes for name in tube.tests}:
            return ["Cannot be saved: nothing else serves this."]
        return [f"Cannot be saved: {'with one fewer of these' if several else 'without it'}, {named(planned.needs, without.lost, _FEW)} would be lost."]
    more = f"{without.more_ml:g} mL more blood" if without.more_ml > 0 else "no more blood"
    tubes = f" and {without.more_tubes} more container{'s' if without.more_tubes > 1 else ''}" if without.more_tubes > 0 else ""
    other = join(inside(label) for label in without.instead) or "the other containers"
    return [f"{'One of these could' if several else 'Could'} be replaced by {other}: {more}{tubes}."]
