"""Which tubes to fill, and which test from which tube: exact, by integer programming.

The problem is that of ``draw_problem``. What cannot change its best plans is taken out first (``simplify_draw``); the rest
is stated by patterns of tubes where these can be listed, else by copies of tubes, and solved to a proven optimum.
"""

from __future__ import annotations

from functools import lru_cache

from kg.plans.copies_draw import Copies
from kg.plans.draw_problem import Instance, Solution, Wanted
from kg.plans.patterns_draw import Patterns, TooManyError
from kg.plans.programme_draw import Programme, alike
from kg.plans.simplify_draw import parts, without_dominated

MOST_PATTERNS = 1000
"""Beyond so many patterns listing them costs more than it saves; found by trial, and without influence on the result."""


def solve(instance: Instance, seconds: float = 10.0, most_patterns: int = MOST_PATTERNS) -> Solution:
    """Return the best plan for an instance.

    Ordered aims: serve the most tests of the first rank, then of the next; draw the least blood; open the fewest tubes.
    Each rank is settled by a problem of its own, unless everything can be served; blood and tubes by one sum in which the
    least difference of blood outweighs all tubes, so that no aim is traded for a lower one. Why blood goes before tubes is
    said in ``draw_problem``.

    Args:
        instance: the problem; volumes are whole units.
        seconds: how long each of the problems may take.
        most_patterns: the most ways to fill a tube that are listed; 0 states the problem by copies of tubes.
    """
    solved = [_solve_part(part, seconds, most_patterns) for part in parts(instance)]
    if len(solved) == 1:
        return solved[0]
    return Solution(tuple(tube for part in solved for tube in part.tubes), tuple(name for part in solved for name in part.unserved),
                    sum(part.blood for part in solved), all(part.proven for part in solved), max((part.by for part in solved), default=""))


@lru_cache(maxsize=512)
def _solve_part(instance: Instance, seconds: float, most_patterns: int) -> Solution:
    servable = tuple(w for w in instance.wanted if _usable(instance, w))
    hopeless = tuple(w.name for w in instance.wanted if not _usable(instance, w))
    if not servable:
        return Solution((), hopeless, 0, True, "")
    programme = _programme(instance._replace(wanted=servable), seconds, most_patterns)
    best = programme.cheapest(everything=True)
    if best is None:
        sure = programme.serve_most()
        best = programme.cheapest(everything=False) or Solution((), tuple(w.name for w in servable), 0, False, programme.by)
        best = best._replace(proven=best.proven and sure)
    return best._replace(unserved=hopeless + best.unserved)


def _programme(instance: Instance, seconds: float, most_patterns: int) -> Programme:
    classes, kinds = alike(instance.wanted), without_dominated(instance)
    try:
        return Patterns(instance, classes, seconds, kinds, most_patterns)
    except TooManyError:
        return Copies(instance, classes, seconds, kinds)


def _usable(instance: Instance, wanted: Wanted) -> bool:
    full = {kind.name: kind.full for kind in instance.kinds}
    return any(option.uses + sum(size for _, size in option.cups) <= full[name] for name, option in wanted.options)
