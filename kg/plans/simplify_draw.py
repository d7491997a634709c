"""What can be done to the bare problem of a draw without changing its best plans, so that it is solved sooner."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from kg.plans.draw_problem import Instance, Kind, Option, Wanted


def parts(instance: Instance) -> list[Instance]:
    """Cut an instance into parts that share no kind of tube and no scarce stock; one part when blood is limited.

    The aims are sums over tubes and tests, so the best plans of the parts together are a best plan of the whole.
    """
    if instance.most is not None:
        return [instance]
    scarce = {stock for stock, _ in instance.stock}
    kinds = {kind.name: kind for kind in instance.kinds}
    leader: dict[str, str] = {}

    def lead(thing: str) -> str:
        while leader.setdefault(thing, thing) != thing:
            thing = leader[thing]
        return thing

    def join(things: Iterable[str]) -> None:
        first, *others = things
        for other in others:
            leader[lead(other)] = lead(first)

    for one in instance.wanted:
        for name, _ in one.options:
            stocks = [f"stock {stock}" for stock in kinds[name].stocks if stock in scarce]
            join([f"test {one.name}", f"kind {name}", *stocks])
    groups: dict[str, list[Wanted]] = {}
    for one in instance.wanted:
        groups.setdefault(lead(f"test {one.name}"), []).append(one)
    found = []
    for group in groups.values():
        names = {name for one in group for name, _ in one.options}
        mine = tuple(kind for kind in instance.kinds if kind.name in names)
        held = {stock for kind in mine for stock in kind.stocks}
        found.append(Instance(mine, tuple(group), None, tuple(pair for pair in instance.stock if pair[0] in held)))
    return found


def own_cups_folded(wanted: Iterable[Wanted]) -> tuple[Wanted, ...]:
    """Count a cup that a single test fills, in one part, as used up by it; tests that differ only in such cups become alike."""
    listed = tuple(wanted)
    users = Counter(cup for one in listed for cup in {cup for _, option in one.options for cup in option.cups})
    return tuple(one if one.parts > 1 else one._replace(options=tuple((name, _folded(option, users)) for name, option in one.options)) for one in listed)


def _folded(option: Option, users: Counter[tuple[str, int]]) -> Option:
    own = {cup for cup in option.cups if users[cup] == 1}
    return Option(option.uses + sum(size for _, size in own), option.cups - own)


def without_dominated(instance: Instance) -> tuple[Kind, ...]:
    """Leave out each kind of tube for which another does as well in every way; of two that are equal the first is kept."""
    scarce = {stock for stock, _ in instance.stock}
    uses: dict[str, dict[str, Option]] = {kind.name: {} for kind in instance.kinds}
    for one in instance.wanted:
        for name, option in one.options:
            uses[name][one.name] = option
    kept: list[Kind] = []
    for number, kind in enumerate(instance.kinds):
        rivals = [*kept, *instance.kinds[number + 1:]]
        if not any(not scarce & set(rival.stocks) and _as_good(rival, kind, uses) and not (rival not in kept and _as_good(kind, rival, uses)
                                                                                           and not scarce & set(kind.stocks)) for rival in rivals):
            kept.append(kind)
    return tuple(kept)


def _as_good(one: Kind, other: Kind, uses: dict[str, dict[str, Option]]) -> bool:
    """Whether a kind can take the place of another tube by tube, with no more blood."""
    if one.full < other.full or one.least > other.least or other.step % one.step:
        return False
    mine, theirs = uses[one.name], uses[other.name]
    return all(test in mine and mine[test].uses <= option.uses and mine[test].cups <= option.cups for test, option in theirs.items())
