"""The tubes of a plan in draw order, with why each stands there, how it is mixed, and until when it is spun or measured."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from kg.database import rows
from kg.plans.draw import Draw
from kg.plans.draw_instance import EITHER, Tube
from kg.plans.draw_needs import Need
from kg.plans.draw_words import listed, set_of
from kg.questions.common import note
from kg.questions.order import order
from kg.wording import inside, magnitude

Row = sqlite3.Row
_SPARE = "bench-venous-practice"
"""The scheme with places for tubes that most guidelines leave out; asked where the chosen one is silent."""
_PUTS = re.compile(r"^(?P<guideline>.+) puts (?P<first>.+) before (?P<second>.+)\.$")
_SPUN_ONLY = ("do-not-centrifuge",)


class Filling(NamedTuple):
    """One tube of the plan as it is filled and handled."""

    tube: Tube
    needs: tuple[Need, ...]
    """What it serves, each once."""
    position: int | None
    """Its position in the guideline; nothing when the guideline does not name it."""
    reason: str
    """What the guideline says of the position, and why."""
    sources: tuple[str, ...]
    inversions: str
    requirements: tuple[str, ...]
    deadline_minutes: float | None
    deadline_test: str
    instead_of: str
    akin: str
    lost_without: tuple[str, ...]


def fillings(connection: sqlite3.Connection, planned: Draw, used: dict[str, str]) -> tuple[list[Filling], list[str], list[str]]:
    """Return the tubes in the order of the guideline, who disagrees with it, and what it does not say.

    Args:
        connection: the database.
        planned: the plan.
        used: the sources used so far; those of the order are added.
    """
    containers = list(dict.fromkeys(tube.size.container for tube in planned.plan.tubes))
    if not containers:
        return [], [], []
    ordered = order(connection, containers, planned.guideline)
    steps = {row["position"]: row for row in rows(connection, "draw_order", guideline=planned.guideline)}
    place = {item.data["tube"]: item.data["position"] for item in ordered.sections[0].items}
    unplaced = [container for container in containers if container not in place]
    later = order(connection, unplaced, _SPARE).sections[0].items if unplaced and planned.route != "capillary" else ()
    behind = [item.data["tube"] for item in later]
    sequence = [*place, *behind, *(c for c in unplaced if c not in behind)]
    tubes = sorted(planned.plan.tubes, key=lambda tube: _place(sequence, tube))
    filled = [_filling(connection, planned, tube, place.get(tube.size.container), steps, used) for tube in tubes]
    return filled, _merged(ordered.conflicts), list(ordered.unknowns)


def _place(sequence: Sequence[str], tube: Tube) -> tuple[int, str, int, tuple[str, ...]]:
    """Order tubes by the guideline; of several culture sets, one is filled after the other."""
    place = sequence.index(tube.size.container)
    if tube.use == "culture":
        first = min(sequence.index(c) for c in sequence if c.split("-")[:3] == tube.size.container.split("-")[:3])
        return first, set_of(tube.tests[0]), place, tube.tests
    return place, "", 0, tube.tests


def _filling(connection: sqlite3.Connection, planned: Draw, tube: Tube, position: int | None, steps: dict[int, Row], used: dict[str, str]) -> Filling:
    needs = _needs_in(planned, tube)
    sources: list[str] = []
    reason = ""
    if position is not None:
        step = steps[position]
        note(used, step["source"], step["basis"])
        sources.append(step["source"])
        reason = f"position {position}, {inside(step['step'])}" + (f": {step['rationale']}" if step["rationale"] else "")
    inversions, mixing = _inversions(connection, tube, used)
    requirements = tuple(dict.fromkeys(r for need in needs for r in need.test.handling if not (r in _SPUN_ONLY and tube.use == EITHER)))
    minutes, test, _ = min(times(needs, tube), default=(None, "", False))
    twin = next((choice for need in needs for choice in need.choices if choice.container == tube.size.container and choice.instead_of), None)
    without = next((w for w in planned.plan.without if w.sort == tube.sort), None)
    return Filling(tube, tuple(needs), position, reason, (*sources, *mixing), inversions, requirements, minutes, test,
                   twin.instead_of if twin else "", twin.akin if twin else "", without.lost if without else ())


def _needs_in(planned: Draw, tube: Tube) -> list[Need]:
    """Return the needs that a tube serves, each once."""
    by_name = {need.name: need for need in planned.needs}
    return [by_name[name] for name in dict.fromkeys(tube.tests)]


def _inversions(connection: sqlite3.Connection, tube: Tube, used: dict[str, str]) -> tuple[str, tuple[str, ...]]:
    """Return how often to invert, and who says so: for this container, else for its additive, guidelines and practice before single studies."""
    found: list[Row] = []
    for additive in tube.size.additives:
        found += [row for row in rows(connection, "specifications", additive=additive) if row["quantity"] == "inversions"]
    exact = [row for row in found if row["container"] == tube.size.container] or [
        row for row in found if row["additive"] in tube.size.additives and not row["container"]] or [row for row in found if not row["container"]]
    studies = {row["id"] for row in connection.execute("SELECT id FROM sources WHERE kind = 'paper'")}
    by_figure: dict[str, list[Row]] = {}
    for row in [row for row in exact if row["source"] not in studies] or exact:
        by_figure.setdefault(magnitude(row["low"], row["high"], ""), []).append(row)
    if not by_figure:
        return "", ()
    figure = max(by_figure, key=lambda text: len(by_figure[text]))
    for row in by_figure[figure]:
        note(used, row["source"], row["basis"])
    return figure, tuple(dict.fromkeys(row["source"] for row in by_figure[figure]))


def times(needs: Sequence[Need], tube: Tube) -> list[tuple[float, str, bool]]:
    """Return for each test that states any how long it may wait, in minutes, with its name and whether that is until the spin."""
    found: list[tuple[float, str, bool]] = []
    for need in needs:
        test = need.test
        if tube.use != "whole" and test.separate_minutes is not None:
            found.append((test.separate_minutes, test.label, True))
        elif test.stability_hours is not None:
            found.append((60.0 * test.stability_hours, test.label, False))
    return found


def _merged(conflicts: Sequence[str]) -> list[str]:
    """Tell together what guidelines say alike; each sentence is ``GUIDELINE puts TUBE before TUBE.``"""
    later: dict[tuple[str, str], list[str]] = {}
    others: list[str] = []
    for text in conflicts:
        match = _PUTS.match(text)
        if match:
            later.setdefault((match["guideline"], match["first"]), []).append(match["second"])
        else:
            others.append(text)
    guidelines: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for (guideline, first), second in later.items():
        guidelines.setdefault((first, tuple(second)), []).append(guideline)
    return [f"{first} before {listed(second)}: so {listed(who)}." for (first, second), who in guidelines.items()] + others
