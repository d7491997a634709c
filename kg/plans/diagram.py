"""A partial order drawn as text: one row of boxes a level, joined by lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

_LEAST = 5
"""Columns of the smallest box, with a number only."""
_GAP = 2
_PASSING = 4
"""Columns to be had for a line that passes a row, so that it can keep clear of others."""


class _Part(NamedTuple):
    """A box of a row, or a line that passes through it, with the columns that it takes."""

    start: int
    end: int

    @property
    def middle(self) -> int:
        return (self.start + self.end) // 2

    @property
    def inside(self) -> list[int]:
        """Columns at which a line may meet it."""
        return [self.start] if self.start == self.end else list(range(self.start + 1, self.end))


class _Joint(NamedTuple):
    """Starts on one level that lead to the same ends on the next, and the column at which each end is met."""

    tops: frozenset[int]
    feet: frozenset[int]


def draw(names: Mapping[str, str], levels: Mapping[str, int], edges: Sequence[tuple[str, str]], width: int = 94) -> list[str]:
    """Draw steps and what comes before what.

    A ``+`` joins lines; where a line crosses another the upright one is drawn. Boxes hold a number, and as
    many letters as fit.

    Args:
        names: steps with their words, in the order in which they are numbered from 1.
        levels: level of each step, from 1; an edge leads to a higher level.
        edges: pairs of steps, first before second; give only those that do not follow from others.
        width: columns that may be used.

    Returns:
        the lines, none longer than the width; a plain list of steps where the picture would not fit.
    """
    numbers = {step: number for number, step in enumerate(names, 1)}
    passing = _passing(levels, edges)
    rows = {level: [step for step in names if levels[step] == level] for level in range(1, max(levels.values(), default=0) + 1)}
    if any(len(row) * (_LEAST + _GAP) + len(passing.get(level, ())) * _PASSING > width for level, row in rows.items()):
        return _plain(names, numbers, edges, width)
    lines: list[str] = []
    parts: dict[str, _Part] = {}
    for level, row in rows.items():
        text, here = _row(row, passing.get(level, []), {step: f"[{numbers[step]} {names[step]}]" for step in row}, parts, width)
        if level > 1:
            lines += _between(_joints(_leading(level, levels, edges, passing), parts, here), width)
        lines.append(text)
        parts = here
    return lines if all(len(line) <= width for line in lines) else _plain(names, numbers, edges, width)


def _passing(levels: Mapping[str, int], edges: Sequence[tuple[str, str]]) -> dict[int, list[str]]:
    """Return by level the steps whose lines pass through it; lines that leave one step pass as one."""
    passing: dict[int, list[str]] = {}
    for step in dict.fromkeys(first for first, _ in edges):
        last = max(levels[second] for first, second in edges if first == step)
        for level in range(levels[step] + 1, last):
            passing.setdefault(level, []).append(step)
    return passing


def _row(steps: Sequence[str], passing: Sequence[str], boxes: Mapping[str, str], above: Mapping[str, _Part],
         width: int) -> tuple[str, dict[str, _Part]]:
    """Return the row of boxes, and the columns of each; a passing line is keyed ``>step`` and stands at the right."""
    room = (width - _PASSING * len(passing)) // max(1, len(steps)) - _GAP
    text, parts = "", {}
    for step in steps:
        box = boxes[step]
        if len(box) > room:
            number = box[1:].split(" ", 1)[0]
            words = box.split(" ", 1)[1][:-1][:room - len(number) - 4].rstrip(" ,:")
            box = f"[{number} {words}.]" if len(words) > 2 else f"[{number}]".ljust(_LEAST)
        parts[step] = _Part(len(text), len(text) + len(box.rstrip()) - 1)
        text += box + " " * _GAP
    for step in passing:
        # a line must not come down where another has just ended
        others = {part.middle for key, part in above.items() if key not in (step, f">{step}")}
        column = next((at for at in range(len(text), len(text) + 2 * len(others) + 1) if not {at - 1, at, at + 1} & others), len(text))
        parts[f">{step}"] = _Part(column, column)
        text = text.ljust(column) + "|".ljust(_GAP)
    return text.rstrip(), parts


def _leading(level: int, levels: Mapping[str, int], edges: Sequence[tuple[str, str]], passing: Mapping[int, Sequence[str]]) -> dict[str, set[str]]:
    """Return what each part of the level above leads to on this level."""
    goals: dict[str, set[str]] = {}
    for first, second in edges:
        if levels[second] == level:
            goals.setdefault(first if levels[first] == level - 1 else f">{first}", set()).add(second)
    for step in passing.get(level, ()):
        goals.setdefault(step if levels[step] == level - 1 else f">{step}", set()).add(f">{step}")
    return goals


def _joints(goals: Mapping[str, set[str]], above: Mapping[str, _Part], here: Mapping[str, _Part]) -> list[_Joint]:
    """Give each group of starts with the same ends columns of its own, so that no line is read as another's."""
    groups: dict[frozenset[str], list[int]] = {}
    for start, led in goals.items():
        groups.setdefault(frozenset(led), []).append(above[start].middle)
    joints: list[_Joint] = []
    taken: frozenset[int] = frozenset()
    for ends, tops in sorted(groups.items(), key=lambda pair: min(pair[1])):
        foreign = taken.union(column for other, columns in groups.items() if other != ends for column in columns)
        feet: set[int] = set()
        for end in sorted(ends, key=lambda part: here[part].start):
            wish = tops[0] if len(tops) == 1 else here[end].middle
            feet.add(_column(here[end], wish, foreign))
        taken |= feet
        joints.append(_Joint(frozenset(tops), frozenset(feet)))
    return joints


def _column(part: _Part, wish: int, foreign: frozenset[int]) -> int:
    """Return the column of a box nearest to a wish that keeps clear of other lines."""
    near = sorted(part.inside, key=lambda column: (abs(column - wish), column))
    clear = [column for column in near if not {column - 1, column, column + 1} & foreign]
    return next(iter(clear or [column for column in near if column not in foreign] or near))


def _between(joints: Sequence[_Joint], width: int) -> list[str]:
    """Return the lines between two levels: a row for each group that has to run sideways."""
    waiting = {column for joint in joints for column in joint.tops}
    reached: set[int] = set()
    width = max(width, *(column + 1 for joint in joints for column in joint.tops | joint.feet)) if joints else width
    lines = [_uprights(waiting, width)]
    for joint in joints:
        waiting -= joint.tops
        joined = joint.tops | joint.feet
        if len(joined) > 1:
            line = [" "] * width
            line[min(joined):max(joined) + 1] = "-" * (max(joined) - min(joined) + 1)
            for column in waiting | reached:
                line[column] = "|"
            for column in joined:
                line[column] = "+"
            lines.append("".join(line).rstrip())
        reached |= joint.feet
    if len(lines) > 1:
        lines.append(_uprights(reached, width))
    return lines


def _uprights(at: set[int], width: int) -> str:
    return "".join("|" if column in at else " " for column in range(width)).rstrip()


def _plain(names: Mapping[str, str], numbers: Mapping[str, int], edges: Sequence[tuple[str, str]], width: int) -> list[str]:
    lines = []
    for step, name in names.items():
        after = sorted(numbers[first] for first, second in edges if second == step)
        lines.append(f"[{numbers[step]} {name}]{f' after {after}' if after else ''}"[:width])
    return lines
