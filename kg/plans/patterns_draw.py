"""The draw stated by patterns: one column for each way in which a tube can be filled.

The statement of choice where tubes are small and many, since it does not tell one copy of a tube from another and its
relaxation is tight. A pattern that costs no more when a test is added is left out, as tests may be provided for more
often than they are wanted.
"""

from __future__ import annotations

from collections.abc import Iterable

from kg.plans.draw_problem import Instance, Kind, Option
from kg.plans.programme_draw import Alike, Programme, fitting

Pattern = dict[int, int]
"""How many tests of each class come from a tube."""


class TooManyError(Exception):
    """There are more patterns than it is worth to list."""


def blood_of(kind: Kind, options: dict[int, Option], pattern: Pattern) -> int | None:
    """Return the units of blood of a tube so filled; nothing when it does not fit."""
    cups = {cup for number, count in pattern.items() if count for cup in options[number].cups}
    needed = sum(options[number].uses * count for number, count in pattern.items()) + sum(size for _, size in cups)
    return None if needed > kind.full else kind.filled(needed)


def patterns(kind: Kind, classes: list[Alike], most: int) -> list[tuple[Pattern, int]]:
    """Return the patterns of a kind of tube that are worth considering, each with its blood.

    Args:
        kind: the kind of tube.
        classes: the tests.
        most: how many patterns may be tried.

    Raises:
        TooManyError: there are more.
    """
    options = fitting(classes, kind)
    numbers = list(options)
    found: list[tuple[Pattern, int]] = []
    tried = 0

    def extend(at: int, pattern: Pattern) -> None:
        nonlocal tried
        tried += 1
        if tried > most:
            raise TooManyError
        if at == len(numbers):
            blood = blood_of(kind, options, pattern)
            if pattern and blood is not None and not any(_free(other, blood, pattern) for other in numbers):
                found.append((pattern, blood))
            return
        extend(at + 1, pattern)
        for count in range(1, classes[numbers[at]].places + 1):
            more = {**pattern, numbers[at]: count}
            if blood_of(kind, options, more) is None:
                return
            extend(at + 1, more)

    def _free(number: int, blood: int, pattern: Pattern) -> bool:
        count = pattern.get(number, 0)
        return count < classes[number].places and blood_of(kind, options, {**pattern, number: count + 1}) == blood

    extend(0, {})
    return found


class Patterns(Programme):
    """The programme by patterns."""

    def __init__(self, instance: Instance, classes: list[Alike], seconds: float, kinds: Iterable[Kind], most: int) -> None:
        """List the patterns and state the programme; ``TooManyError`` when they are more than ``most``."""
        listed = []
        for kind in kinds:
            found = patterns(kind, classes, most)
            most -= len(found)
            listed += [(kind, pattern, blood) for pattern, blood in found]
        super().__init__(instance, classes, seconds)
        self.listed: dict[int, tuple[Kind, Pattern]] = {}
        for kind, pattern, blood in listed:
            column = self.column(min(-(-classes[number].places // count) for number, count in pattern.items()) if len(pattern) == 1
                                 else max(classes[number].places for number in pattern))
            self.listed[column] = (kind, pattern)
            self.blood[column] = float(blood)
            self.tubes[column] = 1.0
        for number, group in enumerate(classes):
            terms = {column: float(pattern[number]) for column, (_, pattern) in self.listed.items() if number in pattern}
            self.row(0.0, float("inf"), {**terms, self.served[number]: -float(group.parts)})
        self.limits({column: kind for column, (kind, _) in self.listed.items()})

    def contents(self, values: list[float]) -> list[tuple[Kind, Pattern]]:
        """Return a tube for each time a pattern is used."""
        return [(kind, pattern) for column, (kind, pattern) in self.listed.items() for _ in range(round(values[column]))]
