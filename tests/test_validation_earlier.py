"""The validation with a result of the day before: honest patients, a sound earlier panel, and the judgement of screening."""

from __future__ import annotations

import math
import sqlite3
from typing import Any

import numpy as np
import pytest

from kg.database import rows
from kg.explain.baseline import deviations, scaled
from kg.explain.model import MIX_UP
from kg.validation.day_before import (
    Course,
    Days,
    acute_chances,
    draw_people,
    draw_sound,
    fast_course,
    shares_with_mix_ups,
    simulate_days,
    swap,
    usual_course,
)
from kg.validation.patients import moves
from kg.validation.simulate import Sizes
from kg.validation.spoil import Ground
from tests.synthetic import METABOLIC


def _course(ground: Ground, **chances: float) -> Course:
    return usual_course(ground)._replace(chances=chances)


def test_a_day_leaves_the_population_as_it_is_and_ties_the_two_results(ground: Ground) -> None:
    # the covariance over 24 h is that of the levels times the mean of exp(-1 / T), T from 5 to 60 d evenly on its logarithm, shorter for glucose
    model = ground.population.model
    people = draw_people(ground, 40_000, None, _course(ground), np.random.default_rng(1))
    before, now = (scaled(model, results) for results in (people.before, people.now))
    deviation = np.sqrt(np.diag(model.covariance))
    for results in (before, now):
        assert np.all(np.abs(results.mean(axis=0) - model.mean) < 0.03 * deviation)
        assert np.allclose(np.cov(results.T) / np.outer(deviation, deviation), model.covariance / np.outer(deviation, deviation), atol=0.08)
    own = deviations(model, model.within, model.mean) ** 2 / deviation**2
    days = np.exp(np.linspace(math.log(5), math.log(60), 1001))[:, None] * model.memory / model.settings["correlation-time"]
    stays = np.exp(-1 / days).mean(axis=0)
    assert stays[METABOLIC.index("glucose")] < 0.5 < 0.9 < stays[METABOLIC.index("sodium")]
    tied = np.mean((before - model.mean) * (now - model.mean), axis=0) / deviation**2
    assert np.allclose(tied, (1 - own) * stays, atol=0.06)


def test_levels_do_not_move_as_the_explanation_assumes(ground: Ground) -> None:
    days = draw_people(ground, 4000, None, _course(ground), np.random.default_rng(2)).days
    assert 5 <= days.min() < 5.2
    assert 58 < days.max() <= 60
    assert np.mean(np.abs(days - ground.population.model.settings["correlation-time"] / 24) < 2) < 0.1


def test_a_real_change_begins_after_the_first_draw_in_those_marked_and_in_no_others(ground: Ground) -> None:
    people = draw_people(ground, 4000, None, _course(ground, **{"acute-kidney-injury": 0.5}), np.random.default_rng(3))
    rise = np.log(people.now / people.before)[:, METABOLIC.index("creatinine")]
    marked = people.acute == "acute-kidney-injury"
    assert set(people.acute) == {"", "acute-kidney-injury"}
    assert marked.mean() == pytest.approx(0.5, abs=0.04)
    assert np.median(rise[marked]) > 0.2
    assert abs(np.median(rise[~marked])) < 0.02


def test_the_states_that_begin_pass_and_move_a_result(ground: Ground) -> None:
    chances, by_id = acute_chances(ground), {cause.id: cause for cause in ground.population.model.causes}
    assert sum(chances.values()) == pytest.approx(0.15)
    assert len(chances) > 10
    assert all(by_id[cause].kind == "in-vivo" and not by_id[cause].lasting and moves(ground.population, by_id[cause]) for cause in chances)


def test_the_same_illness_is_there_at_both_draws(ground: Ground) -> None:
    # the severity of a lasting one is common, so that the two results differ no more than those of a healthy person; one that passes was weaker or stronger
    place, shift = METABOLIC.index("creatinine"), {}
    for name in ("chronic-kidney-disease", "acute-kidney-injury"):
        people = draw_people(ground, 4000, next(cause for cause in ground.population.model.causes if cause.id == name), _course(ground), np.random.default_rng(4))
        shift[name] = np.log(people.now / people.before)[:, place]
        assert np.median(people.before[:, place]) > 1.3 * math.exp(ground.population.model.mean[place])
    healthy = draw_people(ground, 4000, None, _course(ground), np.random.default_rng(4))
    usual = np.log(healthy.now / healthy.before)[:, place].std()
    assert shift["chronic-kidney-disease"].std() == pytest.approx(usual, rel=0.1)
    assert shift["acute-kidney-injury"].std() > 1.2 * usual


@pytest.fixture(scope="module")
def days(opened: sqlite3.Connection, ground: Ground) -> Days:
    return simulate_days(opened, ground, usual_course(ground), Sizes(6000, 12, 1, 1), 6)


def test_an_earlier_panel_is_never_contaminated(days: Days, ground: Ground) -> None:
    # whatever came into the second specimen: the first has the population's own middle and spread
    size, model = len(METABOLIC), ground.population.model
    before = np.concatenate([group.results[:, size:] for group in (*days.drawn.bands, *days.drawn.read)])
    off = (scaled(model, before) - model.mean) / np.sqrt(np.diag(model.covariance))
    assert np.all(np.abs(np.median(off, axis=0)) < 0.25)
    gross = next(group for group in days.drawn.bands if group.cause == "k2-edta-carryover" and group.low == 0.2)
    potassium = METABOLIC.index("potassium")
    assert gross.results[:, potassium].min() > gross.results[:, size + potassium].max()


def test_real_changes_are_among_patients_of_every_sort(days: Days) -> None:
    for where in (days.drawn.artefact & (days.drawn.causes != MIX_UP), ~days.drawn.artefact):
        assert np.mean(days.acute[where] != "") == pytest.approx(0.15, abs=0.07)


def test_causes_are_as_common_as_screening_takes_them_to_be_and_so_are_mix_ups(ground: Ground, days: Days) -> None:
    found, odd = shares_with_mix_ups(ground), ground.population.model.settings["share-odd"]
    artefact = np.array([*(cause.kind == "artefact" for cause in ground.population.model.causes), True])
    assert found.sum() == pytest.approx(1)
    assert found[artefact].sum() == pytest.approx(odd)
    assert 0 < found[-1] < odd / 10
    assert days.drawn.artefact.mean() == pytest.approx(odd, abs=0.006)


def test_swapped_pairs_hold_the_panels_of_two_people(ground: Ground) -> None:
    own, size = draw_sound(ground, _course(ground), 2000, np.random.default_rng(1)), len(METABOLIC)
    creatinine = METABOLIC.index("creatinine")

    def tied(pairs: Any) -> float:
        return float(np.corrcoef(np.log(pairs[:, creatinine]), np.log(pairs[:, size + creatinine]))[0, 1])

    assert tied(own) > 0.8
    assert abs(tied(swap(own))) < 0.1
    assert np.array_equal(np.sort(swap(own)[:, size + creatinine]), np.sort(own[:, size + creatinine]))


def test_levels_that_move_within_days_tie_the_two_panels_less(ground: Ground) -> None:
    place = METABOLIC.index("albumin")
    tied = [np.corrcoef(people.before[:, place], people.now[:, place])[0, 1] for course in (usual_course(ground), fast_course(ground))
            for people in [draw_people(ground, 4000, None, course._replace(chances={}), np.random.default_rng(7))]]
    assert tied[0] > tied[1] + 0.1


def test_the_report_counts_the_same_panels_with_and_without_the_earlier_result(small: dict[str, Any]) -> None:
    found = small["with_earlier"]
    assert found["hours_before"] == 24
    assert found["share_acute"] == pytest.approx(0.15)
    assert {one["panel"] for one in found["panels"]} == {"basic", "metabolic"}
    for panel in found["panels"]:
        for one in panel["bands"]:
            for kind in ("screened", "odd"):
                assert one["with"][kind]["of"] == one["without"][kind]["of"]
        every, steady, *single = panel["changes"]
        assert (every["cause"], steady["cause"]) == ("", "-")
        assert every["with"]["of"] + steady["with"]["of"] == panel["mixture"]["specificity"]["of"]
        for which in ("with", "without"):
            assert sum(one[which]["hits"] for one in single) == every[which]["hits"]
            assert sum(one[which]["of"] for one in single) == every[which]["of"]
        assert every["with"]["hits"] + steady["with"]["hits"] == panel["mixture"]["specificity"]["of"] - panel["mixture"]["specificity"]["hits"]


def test_each_figure_beside_an_earlier_panel_says_what_is_left_where_levels_move_fast(small: dict[str, Any]) -> None:
    for one in small["benchmarks"]:
        if one["earlier"] and one["quantity"] != "accuracy":
            assert any("within 1 to 6 days" in remark for remark in one["remarks"]), one["id"]


def test_an_earlier_panel_never_makes_ours_recognise_fewer_fluids(small: dict[str, Any]) -> None:
    found = {(one["panel"], one["earlier"]): one["ours"]["share"] for one in small["benchmarks"] if one["subject"] == "learned-fluids"}
    for panel in ("basic", "metabolic"):
        assert found[panel, True] > found[panel, False]


def test_fewer_than_two_in_a_hundred_real_changes_are_flagged_in_screening(small: dict[str, Any]) -> None:
    # not published: our own claim; a true disease must not be explained away
    for panel in small["with_earlier"]["panels"]:
        assert panel["changes"][0]["with"]["share"] < 0.02, panel["panel"]


def test_published_limits_of_change_are_run_on_the_same_pairs(small: dict[str, Any], opened: sqlite3.Connection) -> None:
    one = next(one for one in small["benchmarks"] if one["subject"] == "delta-checks-fluids")
    assert 0 < one["published"] < one["ours"]["share"]
    assert {row["quantity"] for row in rows(opened, "recognition_benchmarks") if row["subject"] == one["subject"]} == {
        "fall-of-calcium-total", "rise-of-glucose", "rise-of-potassium"}
