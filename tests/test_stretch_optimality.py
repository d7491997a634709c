"""The best use of a small volume is exact: every small instance is tried in full (own arithmetic)."""

from __future__ import annotations

import random
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kg.plans.solve_stretch import Choice, best, cost_of, frontier


def _random_choices(source: random.Random) -> list[Choice]:
    choices = []
    for _ in range(source.randint(0, 8)):
        cup = f"cup-{source.randint(1, 3)}"
        run = source.choice(["", "", "one", "two"])
        need = source.randint(0, 40)
        diluted = source.choice([None, need // 2, need // 4]) if not run else None
        choices.append(Choice(cup, run, source.choice([0, 5, 10, 30]), need, diluted, source.randint(1, 6)))
    return choices


def _every_selection(choices: list[Choice], limit: int) -> tuple[int, int, int, tuple[int, ...]]:
    """Try everything: (worth, dilutions, cost, chosen) of the best, by the stated order of preference."""
    ways = [(0, 1, 2) if c.diluted is not None and c.diluted < c.need else (0, 1) for c in choices]
    found = []
    for taken in product(*ways):
        chosen = tuple(n for n, way in enumerate(taken) if way)
        thin = tuple(n for n, way in enumerate(taken) if way == 2)
        cost = cost_of(choices, chosen, thin)
        if cost <= limit:
            worth = sum(choices[n].worth for n in chosen)
            earlier = tuple(0 if way else 1 for way in taken)
            found.append((-worth, len(thin), cost, earlier, chosen))
    worth, dilutions, cost, _, chosen = min(found)
    return -worth, dilutions, cost, chosen


@pytest.mark.parametrize("seed", range(600))
def test_the_solver_equals_trying_every_selection(seed: int) -> None:
    source = random.Random(seed)
    choices, limit = _random_choices(source), source.randint(0, 150)
    plan = best(frontier(choices, limit), limit)
    assert (plan.worth, len(plan.diluted), plan.cost, plan.chosen) == _every_selection(choices, limit)


@pytest.mark.parametrize("seed", range(100))
def test_the_frontier_says_for_every_limit_what_solving_again_would_say(seed: int) -> None:
    source = random.Random(10_000 + seed)
    choices = _random_choices(source)
    plans = frontier(choices, 200)
    for limit in range(0, 201, 10):
        assert best(plans, limit) == best(frontier(choices, limit), limit)


choice = st.builds(Choice, st.sampled_from("abc"), st.sampled_from(["", "r"]), st.integers(0, 60), st.integers(0, 60), st.none(), st.integers(1, 9))


@given(st.lists(choice, max_size=14), st.integers(0, 400), st.integers(0, 100))
@settings(max_examples=200, deadline=None)
def test_more_volume_never_lowers_the_yield(choices: list[Choice], limit: int, extra: int) -> None:
    assert best(frontier(choices, limit + extra), limit + extra).worth >= best(frontier(choices, limit), limit).worth


@given(st.lists(choice, max_size=12), choice, st.integers(0, 400))
@settings(max_examples=200, deadline=None)
def test_one_more_wanted_test_never_lowers_the_yield(choices: list[Choice], another: Choice, limit: int) -> None:
    assert best(frontier([*choices, another], limit), limit).worth >= best(frontier(choices, limit), limit).worth


@given(st.lists(choice, max_size=14), st.integers(0, 400))
@settings(max_examples=200, deadline=None)
def test_a_plan_costs_what_its_tests_cost_and_never_more_than_there_is(choices: list[Choice], limit: int) -> None:
    for plan in frontier(choices, limit):
        assert plan.cost == cost_of(choices, plan.chosen, plan.diluted) <= limit
        assert plan.worth == sum(choices[number].worth for number in plan.chosen)
