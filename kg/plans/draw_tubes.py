"""The tubes of a plan in draw order, with why each stands there, how it is handled and why it cannot be saved."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from kg.answer import Item
from kg.database import rows
from kg.plans.draw import Draw
from kg.plans.draw_instance import EITHER, Need, Tube, rules_for
from kg.plans.draw_plan import Without
from kg.questions.common import join, note
from kg.questions.order import order
from kg.wording import inside, magnitude

Row = sqlite3.Row
_SPARE = "bench-venous-practice"
"""The scheme with places for tubes that most guidelines leave out; asked where the chosen one is silent."""
_SPUN_ONLY = ("do-not-centrifuge",)


class Filling(NamedTuple):
    """One tube of the plan as it is filled and handled."""

    tube: Tube
    position: int | None
    """Its position in the guideline; nothing when the guideline does not name it."""
    reason: str
    sources: tuple[str, ...]
    inversions: str
    requirements: tuple[str, ...]
    deadline_minutes: float | None
    deadline_test: str
    deadline_spin: bool
    instead_of: str
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
    return filled, list(ordered.conflicts), list(ordered.unknowns)


def _place(sequence: Sequence[str], tube: Tube) -> tuple[int, str, int, tuple[str, ...]]:
    """Order tubes by the guideline; of several culture sets, one is filled after the other."""
    place = sequence.index(tube.size.container)
    if tube.use == "culture":
        first = min(sequence.index(c) for c in sequence if c.split("-")[:3] == tube.size.container.split("-")[:3])
        return first, tube.tests[0].split(" set ")[1].split()[0], place, tube.tests
    return place, "", 0, tube.tests


def _filling(connection: sqlite3.Connection, planned: Draw, tube: Tube, position: int | None, steps: dict[int, Row], used: dict[str, str]) -> Filling:
    needs = needs_in(planned, tube)
    sources: list[str] = []
    reason = ""
    if position is not None:
        step = steps[position]
        note(used, step["source"], step["basis"])
        sources.append(step["source"])
        reason = f"position {position}, {inside(step['step'])}" + (f": {step['rationale']}" if step["rationale"] else "")
    inversions, mixing = _inversions(connection, tube, used)
    requirements = tuple(dict.fromkeys(r for need in needs for r in need.test.handling if not (r in _SPUN_ONLY and tube.use == EITHER)))
    minutes, test, spin = _deadline(needs, tube)
    twin = next((choice.instead_of for need in needs for choice in need.choices if choice.container == tube.size.container and choice.instead_of), "")
    without = next((w for w in planned.plan.without if w.sort == tube.sort), None)
    return Filling(tube, position, reason, (*sources, *mixing), inversions, requirements, minutes, test, spin, twin, without.lost if without else ())


def needs_in(planned: Draw, tube: Tube) -> list[Need]:
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


def _deadline(needs: Sequence[Need], tube: Tube) -> tuple[float | None, str, bool]:
    """Return the shortest time until the tube must be spun or measured, in minutes, the test that sets it, and whether it is the spin."""
    times: list[tuple[float, str, bool]] = []
    for need in needs:
        test = need.test
        if tube.use != "whole" and test.separate_minutes is not None:
            times.append((test.separate_minutes, test.label, True))
        elif test.stability_hours is not None:
            times.append((60.0 * test.stability_hours, test.label, False))
    return min(times) if times else (None, "", False)


def tube_items(connection: sqlite3.Connection, planned: Draw, filled: Sequence[Filling], used: dict[str, str]) -> list[Item]:
    """Return one item for each tube."""
    return [_item(connection, planned, number, fill, used) for number, fill in enumerate(filled, 1)]


def _item(connection: sqlite3.Connection, planned: Draw, number: int, fill: Filling, used: dict[str, str]) -> Item:
    tube = fill.tube
    tests = _tests(planned, tube)
    text = f"{number}. {tube.size.label}, {tube.size.volume_ml:g} mL: {_fill(tube)}, for {tests}"
    details = [f"Here because: {fill.reason}." if fill.reason else "The guideline gives it no place."]
    details += _mixing(fill)
    details += _preparation(connection, planned, fill, used)
    details += _care(planned, fill)
    if fill.deadline_minutes is not None:
        act = "Spin" if fill.deadline_spin else "Into the incubator" if tube.use == "culture" else "Measure"
        details.append(f"{act} within {duration(fill.deadline_minutes)} (shortest: {inside(fill.deadline_test)}).")
    if fill.instead_of:
        details.append(f"The catalogue names the {inside(planned.setting.known.labels[fill.instead_of])}; this holds the same additive. Ask the laboratory.")
    details += _why_needed(planned, fill)
    return Item(text, {"container": tube.size.container, "blood_ml": tube.blood_ml, "tests": list(tube.tests), "position": fill.position},
                tuple(dict.fromkeys(fill.sources)), tuple(details))


def _tests(planned: Draw, tube: Tube) -> str:
    """Name the tests of a tube; tests of one panel that are all in it by the panel's name."""
    needs = needs_in(planned, tube)
    by_wish: dict[str, list[Need]] = {}
    for need in needs:
        by_wish.setdefault(need.test.asked_as, []).append(need)
    named = []
    for wish, group in by_wish.items():
        whole = {n.test.code for n in planned.needs if n.test.asked_as == wish}
        labels = [_label(planned, tube, need) for need in group]
        if len(group) > 3 and whole == {n.test.code for n in group}:
            named.append(f"{inside(wish)} ({len(group)} tests)")
        else:
            named += labels
    return join(dict.fromkeys(named))


def _label(planned: Draw, tube: Tube, need: Need) -> str:
    if need.bottle:
        return f"{inside(need.test.label)}, set {need.name.split(' set ')[1].split()[0]}"
    parts = tube.tests.count(need.name)
    total = sum(other.tests.count(need.name) for other in planned.plan.tubes)
    return inside(need.test.label) + (f" ({parts} of {total} parts)" if total > 1 else "")


def _fill(tube: Tube) -> str:
    if tube.blood_ml >= tube.size.volume_ml - 1e-9:
        return "fill to the mark" if tube.needed_ml >= tube.size.volume_ml - 0.005 else f"fill to the mark ({tube.needed_ml:g} mL is needed)"
    return f"fill with {tube.blood_ml:g} mL" + ("" if tube.needed_ml >= tube.blood_ml - 1e-9 else f" ({tube.needed_ml:g} mL is needed, {tube.blood_ml:g} mL its least)")


def _mixing(fill: Filling) -> list[str]:
    if fill.inversions == "0":
        return ["Do not invert."]
    return [f"Invert gently {fill.inversions} times at once."] if fill.inversions else ["How often to invert it is not known; mix gently at once."]


def _preparation(connection: sqlite3.Connection, planned: Draw, fill: Filling, used: dict[str, str]) -> list[str]:
    tube = fill.tube
    if tube.use == "whole":
        return ["Do not spin; it is measured in whole blood."]
    if tube.use == "culture":
        return []
    if tube.use == EITHER:
        whole = [need for need in needs_in(planned, tube) if any(c.use == "whole" and c.container == tube.size.container for c in need.choices)]
        return [f"Take whole blood first for {join(dict.fromkeys(inside(n.test.label) for n in whole))}; only then spin."]
    clotting = [row for additive in tube.size.additives for row in rows(connection, "specifications", additive=additive) if row["quantity"] == "clotting-time"
                and row["low"]]
    if not clotting:
        return []
    note(used, clotting[0]["source"], clotting[0]["basis"])
    return [f"Let it clot upright for {magnitude(clotting[0]['low'], clotting[0]['high'], 'min')} before the spin."]


def _care(planned: Draw, fill: Filling) -> list[str]:
    """Return the handling that tests of the tube ask for, and why it is not shared."""
    labels = planned.setting.known.labels
    needs = needs_in(planned, fill.tube)
    lines = []
    for requirement in fill.requirements:
        if requirement in ("mix-at-once", "do-not-centrifuge", "full-fill"):
            continue
        asking = [need for need in needs if requirement in need.test.handling]
        everyone = len(asking) == len(needs)
        lines.append(labels.get(requirement, requirement) + ("" if everyone else f" ({join(dict.fromkeys(inside(n.test.label) for n in asking))})"))
    found = [f"{'; '.join(lines)}."] if lines else []
    rules = {rule["id"]: rule for rule in planned.setting.known.rules}
    found += [f"Nothing else goes in: {rules[rule]['reason']}." for rule in fill.tube.apart]
    aliquots = [need for need in needs if rules_for(planned.setting.known, need.test, fill.tube.size.container, "own-aliquot")]
    if len(aliquots) > 1:
        found.append(f"{len(aliquots)} aliquots, one for each test.")
    return found


def _why_needed(planned: Draw, fill: Filling) -> list[str]:
    without: Without | None = next((w for w in planned.plan.without if w.sort == fill.tube.sort), None)
    if without is None:
        return []
    if without.lost:
        by_name = {need.name: need for need in planned.needs}
        lost = list(dict.fromkeys(inside(by_name[name].test.label) for name in without.lost))
        several = sum(tube.sort == fill.tube.sort for tube in planned.plan.tubes) > 1
        what = join(lost) if len(lost) <= 6 else f"{', '.join(lost[:5])} and {len(lost) - 5} more"
        return [f"Cannot be saved: with {'one fewer of these' if several else 'none'}, {what} would be lost."]
    more = f"{without.more_ml:g} mL more blood" if without.more_ml > 0 else "no more blood"
    tubes = f" and {without.more_tubes} more container{'s' if without.more_tubes > 1 else ''}" if without.more_tubes > 0 else ""
    other = join(inside(label) for label in without.instead) or "the other containers"
    return [f"Could be replaced by {other}, with {more}{tubes}."]


def duration(minutes: float) -> str:
    """Return a time as people say it."""
    if minutes < 120:
        return f"{minutes:g} min"
    return f"{minutes / 60:g} h" if minutes < 72 * 60 else f"{minutes / 1440:g} d"
