"""How the parts of a planned draw are named: volumes, containers, and tests by the panel they were asked for in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from kg.plans.draw_needs import Need
from kg.questions.common import join
from kg.wording import inside

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def ml(volume: float) -> str:
    """Return a volume as it reads: to a hundredth, without needless noughts."""
    return f"{round(volume, 2):g} mL"


def containers(number: int) -> str:
    """Return how many containers, in words."""
    return f"{number} container{'' if number == 1 else 's'}"


def number_word(number: int) -> str:
    """Return a small number as a word."""
    return _NUMBERS[number] if number < len(_NUMBERS) else str(number)


def duration(minutes: float) -> str:
    """Return a time as people say it."""
    if minutes < 120:
        return f"{minutes:g} min"
    return f"{minutes / 60:g} h" if minutes < 72 * 60 else f"{minutes / 1440:g} d"


def listed(words: Iterable[str]) -> str:
    """Join names; by semicolons where a name has a comma of its own.

    >>> listed(["bilirubin, total", "urea"])
    'bilirubin, total; urea'
    """
    once = list(dict.fromkeys(words))
    return "; ".join(once) if any(", " in word for word in once) else join(once) if once else ""


def named(needs: Sequence[Need], names: Iterable[str], most: int | None = None) -> str:
    """Name the tests behind needs, each once; those of a panel by the panel with their number.

    Args:
        needs: all needs of the draw.
        names: the needs to name.
        most: of a panel that is not complete so many tests are named; all when nothing.

    Returns:
        such as ``liver tests (6 tests), lipase and urea and electrolytes (2 of 5: sodium and potassium)``.
    """
    wanted = set(names)
    groups: dict[str, list[Need]] = {}
    for need in needs:
        groups.setdefault(need.test.asked_as, []).append(need)
    said: list[str] = []
    for wish, group in groups.items():
        chosen = [need for need in group if need.name in wanted]
        codes, whole = {need.test.code for need in chosen}, {need.test.code for need in group}
        if len(whole) == 1 or any(need.bottle for need in chosen):
            said += [_label(need) for need in chosen]
        elif codes == whole:
            said.append(f"{inside(wish)} ({len(whole)} tests)")
        elif codes:
            labels = list(dict.fromkeys(inside(need.test.label) for need in chosen))
            more = f" and {len(labels) - most} more" if most is not None and len(labels) > most else ""
            said.append(f"{inside(wish)} ({len(codes)} of {len(whole)}: {', '.join(labels[:most]) if more else listed(labels)}{more})")
    return listed(said)


def _label(need: Need) -> str:
    return f"{inside(need.test.label)}, set {set_of(need.name)}" if need.bottle else inside(need.test.label)


def set_of(name: str) -> str:
    """Return the number of the culture set that a need belongs to."""
    return name.split(" set ")[1].split()[0]
