"""The planner of draws against trying all possibilities, on small instances made at random.

The check below shares nothing with the solver but the statement of the problem in ``kg/plans/draw_problem.py``: it puts
each test into each tube that is open, into a new tube of each kind, or nowhere, and keeps the best outcome.
"""

from __future__ import annotations

import random

import pytest

from kg.plans.draw_problem import Instance, Kind, Option, Solution, Wanted
from kg.plans.solve_draw import solve

Outcome = tuple[tuple[int, ...], int, int]
RANKS = (1, 2, 3)
BATCHES = range(12)
EACH = 50


def best_by_trying_all(instance: Instance) -> Outcome:
    """Return the best outcome: tests served by rank (negated), blood, tubes."""
    kinds = {kind.name: kind for kind in instance.kinds}
    best: list[Outcome] = []
    pieces = [one for one in instance.wanted for _ in range(one.parts)]

    def outcome(tubes: list[tuple[str, list[tuple[str, Option]]]]) -> None:
        blood = 0
        for kind, members in tubes:
            cups = set().union(*(option.cups for _, option in members))
            needed = sum(option.uses for _, option in members) + sum(size for _, size in cups)
            if needed > kinds[kind].full:
                return
            step = kinds[kind].step
            blood += max(needed if needed % step == 0 else needed - needed % step + step, kinds[kind].least)
        if instance.most is not None and blood > instance.most:
            return
        for stock, count in instance.stock:
            if sum(stock in kinds[kind].stocks for kind, _ in tubes) > count:
                return
        placed = [name for _, members in tubes for name, _ in members]
        if any(placed.count(one.name) not in (0, one.parts) for one in instance.wanted):
            return
        served = tuple(-sum(one.rank == rank and one.name in placed for one in instance.wanted) for rank in RANKS)
        best.append((served, blood, len(tubes)))

    def place(number: int, tubes: list[tuple[str, list[tuple[str, Option]]]]) -> None:
        if number == len(pieces):
            outcome(tubes)
            return
        place(number + 1, tubes)
        one = pieces[number]
        for kind, option in one.options:
            for at, (name, members) in enumerate(tubes):
                if name == kind:
                    place(number + 1, [*tubes[:at], (name, [*members, (one.name, option)]), *tubes[at + 1:]])
            place(number + 1, [*tubes, (kind, [(one.name, option)])])

    place(0, [])
    return min(best)


def at_random(seed: int) -> Instance:
    """Make a small instance: up to five tests, three kinds of tube with steps of filling, shared cups, scarce stocks, limited blood."""
    chance = random.Random(seed)
    kinds = []
    for number in range(chance.randint(1, 3)):
        step = chance.choice((1, 1, 2, 3))
        full = step * chance.randint(max(3 // step, 1), 12 // step)
        least = full if chance.random() < 0.4 else step * chance.randint(1, full // step)
        kinds.append(Kind(f"kind {number}", least, full, tuple(s for s in ("red", "blue") if chance.random() < 0.4), step))
    cups = [("cup", chance.randint(0, 3)), ("other cup", chance.randint(1, 3))]
    wanted = []
    for number in range(chance.randint(1, 5)):
        options = tuple((kind.name, Option(chance.randint(0, 6), frozenset(cup for cup in cups if chance.random() < 0.5)))
                        for kind in kinds if chance.random() < 0.75)
        wanted.append(Wanted(f"test {number}", options, chance.choice((1, 2, 3)), 2 if number == 0 and chance.random() < 0.25 else 1))
    most = chance.choice((None, None, chance.randint(3, 30)))
    return Instance(tuple(kinds), tuple(wanted), most, tuple((s, chance.randint(0, 2)) for s in ("red", "blue") if chance.random() < 0.4))


def outcome_of(instance: Instance, solution: Solution) -> Outcome:
    ranks = {one.name: one.rank for one in instance.wanted}
    served = {name for tube in solution.tubes for name in tube.tests}
    return tuple(-sum(ranks[name] == rank for name in served) for rank in RANKS), solution.blood, len(solution.tubes)


def allowed(instance: Instance, solution: Solution) -> list[str]:
    """Return what is wrong with a solution, by the statement of the problem alone."""
    kinds = {kind.name: kind for kind in instance.kinds}
    options = {one.name: dict(one.options) for one in instance.wanted}
    wrong = []
    for tube in solution.tubes:
        chosen = [options[name][tube.kind] for name in tube.tests]
        needed = sum(option.uses for option in chosen) + sum(size for _, size in set().union(*(option.cups for option in chosen)))
        if not needed == tube.needed <= tube.blood <= kinds[tube.kind].full or tube.blood < kinds[tube.kind].least or tube.blood % kinds[tube.kind].step:
            wrong.append(f"{tube} holds {needed}")
    placed = [name for tube in solution.tubes for name in tube.tests]
    wrong += [one.name for one in instance.wanted if placed.count(one.name) != (0 if one.name in solution.unserved else one.parts)]
    return wrong


@pytest.mark.parametrize("batch", BATCHES)
@pytest.mark.parametrize("most_patterns", [1000, 0], ids=["by patterns", "by copies"])
def test_the_solver_finds_what_trying_all_possibilities_finds(batch: int, most_patterns: int) -> None:
    # own arithmetic: 600 random instances, each solved by both statements of the integer programme
    for seed in range(batch * EACH, batch * EACH + EACH):
        instance = at_random(seed)
        solution = solve(instance, most_patterns=most_patterns)
        assert solution.proven, seed
        assert allowed(instance, solution) == [], seed
        assert outcome_of(instance, solution) == best_by_trying_all(instance), seed


def test_the_random_instances_cover_what_matters() -> None:
    instances = [at_random(seed) for seed in range(len(BATCHES) * EACH)]
    solutions = [solve(instance) for instance in instances]
    assert len(instances) >= 500
    assert sum(bool(s.unserved) for s in solutions) > 50
    assert sum(len(s.tubes) > 1 for s in solutions) > 150
    assert sum(len({t.kind for t in s.tubes}) < len(s.tubes) for s in solutions) > 50, "several tubes of one kind"
    assert sum(any(w.parts > 1 for w in i.wanted) for i in instances) > 50
    assert sum(i.most is not None for i in instances) > 100
    assert sum(any(tube.needed < tube.blood > kinds[tube.kind].least for tube in s.tubes) for s, kinds in
               ((s, {kind.name: kind for kind in i.kinds}) for s, i in zip(solutions, instances, strict=True))) > 25, "rounded up to a step"


def test_adding_a_test_never_lowers_the_blood_or_serves_fewer_of_the_others() -> None:
    for seed in range(300):
        whole = at_random(seed)._replace(most=None, stock=())
        fewer = whole._replace(wanted=whole.wanted[:-1])
        assert solve(whole).blood >= solve(fewer).blood, seed
        assert set(solve(fewer).unserved) <= set(solve(whole).unserved), seed


def test_one_test_of_a_lower_rank_outweighs_all_of_the_higher_ranks() -> None:
    small = Kind("tube", 10, 10)
    wanted = (Wanted("first", (("tube", Option(9)),), 1), *(Wanted(f"later {n}", (("tube", Option(2)),), 2) for n in range(5)))
    found = solve(Instance((small,), wanted, most=10))
    assert found.tubes[0].tests == ("first",)
    assert len(found.unserved) == 5


def test_a_dead_volume_is_counted_once_in_a_tube_however_many_tests_share_the_cup() -> None:
    cup = frozenset({("cup", 3)})
    found = solve(Instance((Kind("tube", 1, 20),), tuple(Wanted(f"t{n}", (("tube", Option(2, cup)),)) for n in range(4))))
    assert [tube.needed for tube in found.tubes] == [4 * 2 + 3]


def test_less_blood_goes_before_fewer_tubes() -> None:
    kinds = (Kind("large", 10, 10), Kind("small", 4, 4))
    wanted = tuple(Wanted(f"t{n}", (("large", Option(4)), ("small", Option(4)))) for n in range(2))
    found = solve(Instance(kinds, wanted))
    assert (found.blood, len(found.tubes)) == (8, 2)


def test_a_saving_below_the_step_of_filling_opens_no_further_tube() -> None:
    # own arithmetic: one tube of 10 against two of 4 and 5, which is 1 less and cannot be told apart where tubes fill in fives
    options = (("large", Option(5)), ("first", Option(4)), ("second", Option(5)))
    wanted = (Wanted("a", options[:2]), Wanted("b", (options[0], options[2])))

    def solved(step: int) -> tuple[int, int]:
        kinds = (Kind("large", 10, 10, (), step), Kind("first", step, 10, (), step), Kind("second", step, 10, (), step))
        found = solve(Instance(kinds, wanted))
        return found.blood, len(found.tubes)

    assert solved(1) == (9, 2)
    assert solved(5) == (10, 1)


def test_more_tubes_than_the_least_number_are_opened_only_to_save_blood() -> None:
    # the second aim: the same instance with one tube fewer in all either serves fewer tests or draws more blood
    could = 0
    for seed in range(400):
        instance = at_random(seed)._replace(most=None, stock=())
        found = solve(instance)
        kinds = tuple(kind._replace(stocks=("any",)) for kind in instance.kinds)
        fewer = solve(instance._replace(kinds=kinds, stock=(("any", max(len(found.tubes) - 1, 0)),)))
        serves_as_many = bool(found.tubes) and len(fewer.unserved) == len(found.unserved)
        could += serves_as_many
        assert not serves_as_many or fewer.blood > found.blood, seed
    assert could > 3
