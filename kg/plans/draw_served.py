"""Which tests a draw can serve: from which containers, by another test of the same analyte, or not, and what would serve it then."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence, Set
from typing import NamedTuple

from kg.plans.containers import Choice, Row, Size, akin, choices, every_size
from kg.plans.draw_instance import needs_of
from kg.plans.draw_needs import (
    Need,
    Setting,
    blood_units,
    economy,
    fewest,
    needed_of,
    sizes_by_container,
    spread_most,
    volumes_of,
)
from kg.plans.requests import Refused, Requests, Test
from kg.questions.common import join
from kg.wording import inside

_SPARING = economy("before-spin")
_WAYS = {"venous": "from a vein", "line": "from a line", "capillary": "by skin puncture"}


class Served(NamedTuple):
    """What can be served, and what cannot."""

    needs: tuple[Need, ...]
    left_out: tuple[Refused, ...]
    """Containers that the catalogue names and that are not used on purpose."""
    unserved: tuple[Refused, ...]
    assumptions: tuple[str, ...]


def serve(connection: sqlite3.Connection, setting: Setting, requests: Requests, route: str, people: str, culture_sets: int) -> Served:
    """Return what has to be filled for the tests that can be served.

    A test that no container serves, or only by being spread over more than is usual, gives way to another test of the
    catalogue for the same analyte if the analyte was asked for, the one that takes the least blood; then to a container that yields the broader material.

    Args:
        connection: the database.
        setting: what holds for the whole draw.
        requests: the tests.
        route: ``venous``, ``capillary`` or ``line``.
        people: ``adult``, ``child``, ``infant`` or ``newborn``.
        culture_sets: sets of each blood culture.
    """
    everywhere = every_size(connection, people)
    needs: list[Need] = []
    left_out: list[Refused] = []
    unserved: list[Refused] = []
    assumptions: list[str] = []
    for test in requests.tests:
        found, why = choices(connection, setting.known, test, setting.sizes, route)
        mine = _fitting(setting, test, found, culture_sets)
        if not mine:
            mine, said = _otherwise(connection, setting, requests, test, route, culture_sets, {need.test.code for need in needs})
            assumptions += said
        if mine:
            needs += mine
            left_out += why if found else ()
        else:
            unserved.append(_refusal(setting, test, found, why, everywhere))
    return Served(tuple(needs), tuple(left_out), tuple(unserved), tuple(assumptions))


def _fitting(setting: Setting, test: Test, found: Sequence[Choice], culture_sets: int) -> list[Need]:
    """Return the needs of a test, none when it would have to be spread too far in the most sparing way."""
    needs = needs_of([(test, found)], culture_sets) if found else []
    sizes = sizes_by_container(setting.sizes, _SPARING)
    return needs if all(need.bottle or fewest(setting, need, sizes, _SPARING) is not None for need in needs) else []


def _otherwise(connection: sqlite3.Connection, setting: Setting, requests: Requests, test: Test, route: str,
               culture_sets: int, planned: Set[str]) -> tuple[list[Need], list[str]]:
    """Return the needs of another test of the analyte that is not planned anyhow, else those of a container of the same sort."""
    planned = planned | {one.code for one in requests.tests}
    found = {other.code: choices(connection, setting.known, other, setting.sizes, route)[0] for other in requests.others.get(test.code, ())}
    served = [(needs, other) for other in requests.others.get(test.code, ())
              if other.code not in planned and (needs := _fitting(setting, other, found[other.code], culture_sets))]
    if served:
        needs, other = min(served, key=lambda one: _alone(setting, one[0]))
        return needs, [f"{other.label} ({other.code}) is planned, as {test.label} ({test.code}) cannot be served by this draw."]
    return _fitting(setting, test, akin(connection, setting.known, test, setting.sizes, route), culture_sets), []


def _alone(setting: Setting, needs: Sequence[Need]) -> int:
    """Return the units of blood that a test takes by itself in the most sparing way."""
    sizes = sizes_by_container(setting.sizes, _SPARING)
    return min(sum(blood_units(setting, volume, choice, size) for volume in volumes_of(need, _SPARING))
               for need in needs for choice in need.choices for size in sizes.get(choice.container, ()))


def _refusal(setting: Setting, test: Test, found: Sequence[Choice], why: Sequence[Refused], everywhere: Sequence[tuple[Size, Row]]) -> Refused:
    name = f"{test.label} ({test.code})" if test.catalogued else test.label
    instead = _would_serve(setting, test, found, everywhere) if found or why[-1].field == "available" else ""
    if not found:
        return Refused(name, why[-1].field, "; ".join(w.why for w in why) + instead, tuple(s for w in why for s in w.sources))
    need = Need(test.code, test, tuple(found))
    sizes = sizes_by_container(setting.sizes, _SPARING)
    number, size = min(((number, size) for choice in found for size in sizes.get(choice.container, ())
                        if (number := needed_of(setting, need, choice, size, _SPARING)) is not None), key=lambda pair: pair[0], default=(None, None))
    if number is None or size is None:
        return Refused(name, "available", "what the containers at hand hold back leaves nothing to measure" + instead)
    text = f"it would take {number} containers ({inside(size.label)}, {size.volume_ml:g} mL), and one test is spread over {spread_most(setting, size)} at most"
    return Refused(name, "available", text + instead, (setting.values["spread-most", size.kind]["source"],)
                   if ("spread-most", size.kind) in setting.values else ())


def _would_serve(setting: Setting, test: Test, found: Sequence[Choice], everywhere: Sequence[tuple[Size, Row]]) -> str:
    """Name the smallest container that would serve a test at once, and the ways to fill it."""
    uses = {choice.container: choice.use for choice in found}
    use = next(iter(uses.values()), next((setting.known.uses[m] for m in test.materials if m in setting.known.uses), ""))
    fitting = []
    for size, row in everywhere:
        choice = Choice(size.container, uses.get(size.container, use))
        if size.container in test.containers and size.key not in {s.key for s in setting.sizes} and \
                needed_of(setting, Need(test.code, test, (choice,)), choice, size, _SPARING) == 1:
            fitting.append((not size.for_these_people, size.volume_ml, size, row))
    if not fitting:
        return ""
    _, _, size, row = min(fitting, key=lambda one: one[:2])
    return f"; {inside(size.label)}, {size.volume_ml:g} mL, filled {join([_WAYS[way] for way in row['routes'].split(';')]).replace(' and ', ' or ')}, serves it"
