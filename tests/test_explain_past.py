"""An earlier specimen that is the odd one: spoilt itself or of a state that has passed, it must not make sound results of now look odd.

The panels are invented; what saline and glucose do to them is arithmetic, what a state does is from the table of patterns.
"""

from __future__ import annotations

import json
import math
import sqlite3
from typing import Any

import jsonschema
import numpy as np
import pytest

from kg.explain import infer
from kg.explain.baseline import levels, scaled, see, tied
from kg.explain.explain import explain
from kg.explain.model import MIX_UP, read_model
from kg.explain.panel import Earlier, Result
from kg.explain.past import _log_likelihoods, _sound, odd_before
from kg.forms import schema_of
from kg.validation.day_before import draw_people, draw_sound, swap, usual_course
from kg.validation.spoil import Ground
from tests.synthetic import METABOLIC

NAMES = METABOLIC[:8]
UNITS = ("mmol/L", "mmol/L", "mmol/L", "mmol/L", "mmol/L", "umol/L", "mmol/L", "mmol/L")
WELL = (140, 4.4, 104, 25, 5.5, 80, 6.0, 2.35)
SALINE = (154, 0, 154, 0, 0, 0, 0, 0)
GLUCOSE = (0, 0, 0, 0, 0, 0, 277.5, 0)
"""5 % glucose: 50 g/L of the anhydrous at 180.16 g/mol."""


def _mixed(share: float, fluid: tuple[float, ...], plasma: tuple[float, ...] = WELL) -> tuple[float, ...]:
    return tuple((1 - share) * own + share * other for own, other in zip(plasma, fluid, strict=True))


def _told(connection: sqlite3.Connection, now: tuple[float, ...], *before: tuple[float, tuple[float, ...]]) -> dict[str, Any]:
    def results(values: tuple[float, ...], **more: float) -> list[dict[str, Any]]:
        return [{"analyte": name, "value": value, "unit": unit, **more} for name, value, unit in zip(NAMES, values, UNITS, strict=True)]

    form = {"results": results(now), "previous": [one for hours, values in before for one in results(values, hours_before=hours)]}
    found: dict[str, Any] = json.loads(json.dumps(explain(connection, form).to_json()))
    jsonschema.Draft7Validator(schema_of("explain-output")).validate(found)
    return found


@pytest.mark.parametrize(("share", "fluid", "cause"), [(0.15, SALINE, "iv-saline"), (0.3, SALINE, "iv-saline"), (0.1, GLUCOSE, "iv-dextrose")])
def test_a_sound_panel_after_a_spoilt_one_is_nothing_unusual_and_says_which_was(opened: sqlite3.Connection, share: float, fluid: tuple[float, ...],
                                                                                cause: str) -> None:
    found = _told(opened, WELL, (24, _mixed(share, fluid)))
    assert found["verdict"] == "nothing-unusual"
    assert found["left_out"]["cause"] == cause
    assert found["left_out"]["spoilt"] > 0.9
    assert found["headline"].startswith("The results of 24 h before are likely the odd ones")
    assert "should be looked at again" in found["headline"]


@pytest.mark.parametrize(("share", "fluid", "cause"), [(0.15, SALINE, "iv-saline"), (0.1, GLUCOSE, "iv-dextrose")])
def test_a_spoilt_panel_after_a_sound_one_is_still_the_odd_one(opened: sqlite3.Connection, share: float, fluid: tuple[float, ...], cause: str) -> None:
    found = _told(opened, _mixed(share, fluid), (24, WELL))
    assert found["left_out"] is None
    assert found["causes"][0]["id"] == cause


def test_two_panels_that_agree_leave_nothing_out(opened: sqlite3.Connection) -> None:
    assert _told(opened, WELL, (24, tuple(1.01 * value for value in WELL)))["left_out"] is None


def test_without_an_earlier_panel_nothing_is_left_out(opened: sqlite3.Connection) -> None:
    assert _told(opened, WELL)["left_out"] is None


def test_only_the_latest_specimen_is_left_out_and_an_older_one_still_counts(opened: sqlite3.Connection) -> None:
    found = _told(opened, WELL, (24, _mixed(0.3, SALINE)), (48, WELL))
    assert found["left_out"]["hours_before"] == 24
    assert all(one["usual_from"]["earlier"] == "own" for one in found["causes"][0]["predicted"])


def test_a_disease_that_was_treated_is_not_called_a_spoilt_specimen(opened: sqlite3.Connection) -> None:
    # ketoacidosis, from memory: glucose high, bicarbonate and sodium low, potassium, urea and creatinine up
    found = _told(opened, WELL, (24, (131, 5.6, 94, 8, 13.0, 140, 34.0, 2.35)))
    assert found["left_out"]["cause"] == "diabetic-ketoacidosis"
    assert found["left_out"]["spoilt"] < 0.1
    assert "that has passed since" in found["headline"]
    assert "looked at again" not in found["headline"]


def test_what_was_weighed_is_told_with_its_source(opened: sqlite3.Connection) -> None:
    found = _told(opened, WELL, (24, _mixed(0.3, SALINE)))
    told = {row for section in found["sections"] if section["title"] == "Taken into account" for item in section["items"] for row in item["data"].get("rows", [])}
    ids = {row[0] for row in opened.execute("SELECT id FROM model_parameters WHERE parameter IN ('share-earlier-spoilt', 'share-earlier-ill', 'share-odd', 'share-ill')"
                                            " AND model = 'explanation'")}
    assert len(ids) == 4
    assert ids <= told


@pytest.mark.parametrize("state", ["", "acute-kidney-injury", "diabetic-ketoacidosis"])
def test_a_sound_pair_or_a_state_that_begins_is_not_blamed_on_a_spoilt_earlier_specimen(opened: sqlite3.Connection, ground: Ground, state: str) -> None:
    # not published: our own claim, on simulated patients
    course = usual_course(ground)._replace(chances={state: 1.0} if state else {})
    people = draw_people(ground, 40, None, course, np.random.default_rng(5))
    can_be = (people.now[:, NAMES.index("glucose")] < 60) & (people.now[:, NAMES.index("urea")] < 100)
    pairs = list(zip(people.now[can_be, :8], people.before[can_be, :8], strict=True))[:25]
    assert len(pairs) == 25
    found = [_told(opened, tuple(now), (24, tuple(before)))["left_out"] for now, before in pairs]
    assert sum(one is not None and one["spoilt"] > 0.1 for one in found) <= 1


def _mixed_up(connection: sqlite3.Connection, pairs: Any) -> Any:
    """Return how likely blood of two people is held for each pair."""
    size = len(METABOLIC)
    found = [_told(connection, tuple(pair[:8]), (24, tuple(pair[size : size + 8]))) for pair in pairs]
    return np.array([next((cause["probability"] for cause in one["causes"] if cause["id"] == MIX_UP), 0.0) for one in found])


def test_pairs_of_two_people_are_held_and_pairs_of_one_are_not(opened: sqlite3.Connection, ground: Ground) -> None:
    # not published: our own claim, on simulated people well and ill, whose panels are as alike as those of two people often are
    own = draw_sound(ground, usual_course(ground), 60, np.random.default_rng(3))
    of_one, of_two = (_mixed_up(opened, pairs) for pairs in (own, swap(own)))
    hold = 0.1
    assert np.mean(of_two >= hold) > 0.4
    assert np.mean(of_one >= hold) < 0.06


def test_a_healthy_panel_after_one_of_failing_kidneys_is_not_nothing_unusual(opened: sqlite3.Connection) -> None:
    # common practice: kidneys do not recover overnight, so that either tube may be of another person; invented levels
    found = _told(opened, (141, 4.0, 103, 25, 4.5, 62, 5.2, 2.41), (24, (133, 5.4, 96, 16, 27, 590, 6.4, 2.05)))
    assert found["left_out"] is None
    assert next(cause["probability"] for cause in found["causes"] if cause["id"] == MIX_UP) > 0.1
    assert not any(section["title"] == "May be reported" for section in found["sections"])


def test_the_weight_of_nothing_before_is_that_of_both_panels_together(opened: sqlite3.Connection) -> None:
    """With a normal distribution in place of the t, p(before) p(now | before) is the density of both together, worked out here at once."""
    model = read_model(opened, NAMES)
    model = model._replace(settings={**model.settings, "degrees-of-freedom": 1e7})
    before = _mixed(0.05, SALINE)
    seen = see(model, (Earlier(24.0, tuple(Result(name, name, value, "", "", "") for name, value in zip(NAMES, before, strict=True))),))
    assert seen is not None
    found = _log_likelihoods(model, seen, infer.Prediction(*(part[None] for part in _sound(model, seen))), scaled(model, np.array(WELL)), range(8))[1][0]
    level, own = levels(model)
    method = np.where(model.logarithmic, model.analytical, model.analytical * model.mean) ** 2
    alone = level + own + np.diag(method)
    whole = np.block([[alone, tied(model, 24.0)], [tied(model, 24.0), alone]])
    off = np.concatenate([scaled(model, np.array(values)) - model.mean for values in (before, WELL)])
    expected = -0.5 * (off @ np.linalg.solve(whole, off) + np.linalg.slogdet(whole)[1] + 16 * math.log(2 * math.pi))
    assert found == pytest.approx(expected, abs=1e-4)


def test_one_earlier_result_is_too_little_to_call_a_specimen_odd(opened: sqlite3.Connection) -> None:
    model = read_model(opened, NAMES)
    earlier = (Earlier(24.0, (Result("potassium", "K", 9.0, "mmol/L", "", ""),)),)
    prior = infer.Prior(np.zeros(len(model.causes)), infer.usual_steps(model))
    assert odd_before(model, infer.observe(model, list(WELL), [""] * 8), earlier, prior, range(len(model.causes)), 0.0) is None
