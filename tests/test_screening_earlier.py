"""Screening beside an earlier panel of the same patient: the bounds stay exact, the right panel is taken, and other engines agree.

The panels are invented: drawn from the population and tied to an earlier draw by plain arithmetic, some of them spoilt.
"""

from __future__ import annotations

import json
import math
import sqlite3
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kg.database import rows
from kg.explain.baseline import levels, tied, unscaled
from kg.explain.model import MIX_UP, read_model
from kg.forms import FormError, schema_of
from kg.screening.columns import read_columns
from kg.screening.earlier import make_judge_with_earlier, read_gaps
from kg.screening.engine import Order, screened
from kg.screening.judge import Judge, judge_panels, likelier_than_nothing, make_judge, possible
from kg.screening.screen import screen
from tests.engines import ENGINES, started

ANALYTES = ("sodium", "potassium", "chloride", "bicarbonate", "urea", "creatinine", "glucose", "calcium-total")
SODIUM, POTASSIUM, CHLORIDE, CALCIUM = (ANALYTES.index(name) for name in ("sodium", "potassium", "chloride", "calcium-total"))
COUNT = ("haemoglobin", "rbc-count", "mcv", "rdw", "platelet-count", "mpv")
NOON = datetime(2026, 1, 31, 12)


@pytest.fixture(scope="module")
def judge(opened: sqlite3.Connection) -> Judge:
    return make_judge_with_earlier(opened, ANALYTES, ANALYTES, 24.0, 0.5)


def _pairs(connection: sqlite3.Connection, count: int, seed: int = 20260131, stays: float = 0.95) -> Any:
    """Draw the results of now and of before; one in ten of now gets saline, one in ten before, and one in ten is of another person."""
    model, rng = read_model(connection, ANALYTES), np.random.default_rng(seed)
    level, own = levels(model)
    first, fresh = (rng.multivariate_normal(np.zeros(len(own)), level, count) for _ in range(2))
    second = stays * first + np.sqrt(1 - stays**2) * fresh
    before, now = (unscaled(model, model.mean + part + rng.multivariate_normal(np.zeros(len(own)), own, count)) for part in (first, second))
    kind = np.arange(count) % 10
    for panels, chosen in ((now, kind == 1), (before, kind == 2)):
        share = rng.uniform(0.05, 0.4, count)[chosen, None]
        salt = np.zeros(len(ANALYTES))
        salt[[SODIUM, CHLORIDE]] = 154
        panels[chosen] = panels[chosen] * (1 - share) + share * salt
    now[kind == 3] = np.roll(now[kind == 3], 1, axis=0)
    return now, before, kind


def test_the_bounds_never_change_a_flag_beside_an_earlier_panel(opened: sqlite3.Connection, judge: Judge) -> None:
    panels = np.concatenate(_pairs(opened, 8_000)[:2], axis=1)
    quick, whole = judge_panels(judge, panels), judge_panels(judge, panels, every=True)
    assert np.array_equal(quick.probability >= 0.5, whole.probability >= 0.5)
    assert (whole.probability >= 0.5).sum() > 300
    assert quick.integrated.mean() < 0.5


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**31), st.floats(0.02, 0.95), st.floats(2.0, 700.0))
def test_a_pair_that_either_bound_closes_is_below_the_threshold(opened: sqlite3.Connection, seed: int, threshold: float, hours: float) -> None:
    judge = make_judge_with_earlier(opened, ANALYTES, ANALYTES[:5], hours, threshold)
    now, before, _ = _pairs(opened, 60, seed)
    panels = np.concatenate([now, before[:, :5]], axis=1)
    standard = (np.where(judge.model.logarithmic, np.log(np.where(judge.model.logarithmic, panels, 1)), panels) - judge.centre) / judge.scale
    closed = ~possible(judge, standard) | ~likelier_than_nothing(judge, standard)
    assert np.all(judge_panels(judge, panels, every=True).probability[closed] < threshold)


def test_priors_of_all_forms_together_are_the_whole(judge: Judge) -> None:
    assert np.exp(judge.log_prior).sum() == pytest.approx(1)


def test_saline_stands_out_against_the_patients_own_level(opened: sqlite3.Connection, judge: Judge) -> None:
    # 15 % of the plasma is saline: Na 140 -> 142.1, Cl 104 -> 111.5, Ca 2.35 -> 2.00 by arithmetic; all of it within what people may have
    before = np.array([140, 4.4, 104, 25, 5.5, 80, 6.0, 2.35])
    now = 0.85 * before + 0.15 * np.array([154, 0, 154, 0, 0, 0, 0, 0])
    alone = judge_panels(make_judge(opened, ANALYTES, 0.5), now[None], every=True)
    beside = judge_panels(judge, np.concatenate([now, before])[None], every=True)
    assert alone.probability[0] < 0.5 < beside.probability[0]
    assert judge.causes[beside.cause[0]] == "iv-saline"


def test_a_sound_panel_after_a_spoilt_one_is_not_flagged(opened: sqlite3.Connection, judge: Judge) -> None:
    after = np.array([140, 4.4, 104, 25, 5.5, 80, 6.0, 2.35])
    spoilt = 0.7 * after + 0.3 * np.array([154, 0, 154, 0, 0, 0, 0, 0])
    forth, back = (judge_panels(judge, np.concatenate(pair)[None], every=True).probability[0] for pair in ((spoilt, after), (after, spoilt)))
    assert forth > 0.9
    assert back < 0.1


def test_blood_of_another_person_is_named_when_nothing_agrees(opened: sqlite3.Connection, judge: Judge) -> None:
    # invented: two people with well-kept but different levels, a day apart; kidneys that recover overnight, then blood counts
    one, other = np.array([141, 4.1, 103, 26, 4.2, 61, 5.1, 2.41]), np.array([134, 5.2, 97, 21, 24, 410, 5.8, 2.08])
    found, same = (judge_panels(judge, np.concatenate([one, before])[None], every=True) for before in (other, one * 1.01))
    assert judge.causes[found.cause[0]] == MIX_UP
    assert found.cause_probability[0] > 10 * same.cause_probability[0]
    count = make_judge_with_earlier(opened, COUNT, COUNT, 24.0, 0.5)
    one, other = np.array([128, 4.2, 94, 0.132, 240, 8.9]), np.array([131, 4.9, 79, 0.152, 310, 10.6])
    found = judge_panels(count, np.concatenate([other, one])[None], every=True)
    assert count.causes[found.cause[0]] == MIX_UP
    assert found.cause_probability[0] > 0.5


def test_an_old_panel_tells_less_than_a_fresh_one(opened: sqlite3.Connection) -> None:
    now, before, kind = _pairs(opened, 2_000)
    pairs = np.concatenate([now, before], axis=1)[kind == 1]
    found = [judge_panels(make_judge_with_earlier(opened, ANALYTES, ANALYTES, hours, 0.5), pairs, every=True).probability.mean() for hours in (4.0, 150.0, 700.0)]
    assert found[0] > found[1] > found[2]


@pytest.mark.parametrize(("hours", "expected"), [(0.0, 4), (4, 4), (20, 24), (30, 24), (100, 150), (700, 400), (721, None), (float("nan"), None), (-1, None)])
def test_a_gap_belongs_to_the_class_nearest_on_a_logarithmic_scale(opened: sqlite3.Connection, hours: float, expected: float | None) -> None:
    gaps = read_gaps(opened)
    place = int(gaps.class_of(np.array([hours]))[0])
    assert (gaps.classes[place] if place >= 0 else None) == expected


def _table(connection: sqlite3.Connection, folder: Path, count: int = 900) -> tuple[Path, Any]:
    """Write a table in which each patient has two panels, in no order, 24 h apart; the row of now is named by its number."""
    now, before, kind = _pairs(connection, count)
    frame = pl.DataFrame({"number": np.concatenate([np.arange(count), np.arange(count) + count]), "who": [f"P{i}" for i in (*range(count), *range(count))],
                          "taken": [NOON + timedelta(hours=24)] * count + [NOON] * count,
                          **{name: np.concatenate([now[:, i], before[:, i]]) for i, name in enumerate(ANALYTES)}})
    place = folder / "history.parquet"
    frame.sample(fraction=1, shuffle=True, seed=3).write_parquet(place)
    return place, (now, before, kind)


def test_each_panel_is_judged_beside_the_one_before_of_the_same_patient(opened: sqlite3.Connection, judge: Judge, tmp_path: Path) -> None:
    place, (now, before, _) = _table(opened, tmp_path)
    answer = screen(opened, str(place), str(tmp_path / "verdicts.parquet"), every=True, patient="who", collected="taken")
    found = pl.read_parquet(tmp_path / "verdicts.parquet").sort("number")
    expected = np.concatenate([judge_panels(judge, np.concatenate([now, before], axis=1), every=True).probability,
                               judge_panels(make_judge(opened, ANALYTES, 0.5), before, every=True).probability])
    assert np.allclose(found["probability"].to_numpy(), expected, rtol=1e-9)
    assert found["hours_before"].to_list() == [24.0] * len(now) + [None] * len(before)
    rows = pl.read_parquet(place).with_row_index("row", offset=1)
    earlier = found.head(len(now)).join(rows, left_on="earlier_row", right_on="row").sort("number")
    assert earlier["number_right"].to_list() == [i + len(now) for i in range(len(now))]
    written = json.loads(json.dumps(answer.to_json()))
    jsonschema.Draft7Validator(schema_of("screen-output")).validate(written)
    assert written["beside_earlier"] == len(now)


def _csv(folder: Path, lines: list[str]) -> str:
    place = folder / "history.csv"
    place.write_text("who,taken,Na,K,Cl,Ca\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return str(place)


def test_a_panel_that_cannot_be_judged_is_no_earlier_panel(opened: sqlite3.Connection, tmp_path: Path) -> None:
    file = _csv(tmp_path, ["A,2026-01-30T08:00,140,4.1,103,2.35", "A,2026-01-30T20:00,140,four,103,2.35", "A,2026-01-31 08:00,139,4.2,102,2.33"])
    screen(opened, file, str(tmp_path / "out.csv"), patient="who", collected="taken")
    last = pl.read_csv(tmp_path / "out.csv").row(-1, named=True)
    assert (last["row"], last["earlier_row"], last["hours_before"]) == (4, 2, 24.0)


def test_a_row_without_patient_or_time_is_judged_alone_and_says_so(opened: sqlite3.Connection, tmp_path: Path) -> None:
    file = _csv(tmp_path, ["A,2026-01-30T08:00,140,4.1,103,2.35", "A,yesterday,139,4.2,102,2.33", ",2026-01-31T08:00,139,4.2,102,2.33",
                           "A,2026-04-30T08:00,139,4.2,102,2.33", "A,2026-05-01T08:00,139,4.2,102,2.33"])
    answer = screen(opened, file, patient="who", collected="taken")
    alone = next(section for section in answer.sections if section.title == "Judged alone")
    assert [item.text for item in alone.items] == ["4 of 5 panels", "row 3: its time of collection cannot be read", "row 4: no patient is named"]
    assert answer.to_json()["undated"] == 2


@pytest.mark.parametrize(("options", "says"), [
    ({"patient": "who"}, "--collected"),
    ({"collected": "taken"}, "--patient"),
    ({"patient": "whom", "collected": "taken"}, "'whom' is no column"),
    ({"patient": "who", "collected": "Na"}, "'Na' holds results"),
    ({"patient": "taken", "collected": "who"}, "no time can be read"),
])
def test_columns_that_cannot_tell_whose_and_when_are_refused(opened: sqlite3.Connection, tmp_path: Path, options: dict[str, str], says: str) -> None:
    file = _csv(tmp_path, ["A,2026-01-30T08:00,140,4.1,103,2.35"])
    with pytest.raises(FormError, match=says):
        screen(opened, file, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("engine", ENGINES)
def test_another_engine_finds_the_same_earlier_panels(opened: sqlite3.Connection, tmp_path: Path, engine: str) -> None:
    place, _ = _table(opened, tmp_path)
    frame = pl.read_parquet(place).with_columns(pl.when(pl.col("number") % 9 != 4).then(pl.col("potassium")), pl.when(pl.col("number") % 50 != 7).then(pl.col("who")))
    frame.write_parquet(place)
    screen(opened, str(place), output=str(tmp_path / "here.parquet"), patient="who", collected="taken")
    here = pl.read_parquet(tmp_path / "here.parquet").sort("number")
    columns = read_columns(opened, frame.columns, {name: frame[name].median() for name in ANALYTES})  # type: ignore[misc]
    with started(engine, tmp_path) as backend:
        table = backend.read_parquet(str(place))
        verdicts = screened(opened, table, columns.used, 0.5, Order("who", "taken", ("number",))).select("number", "probability", "cause").to_pyarrow()
        found = pl.from_arrow(verdicts).sort("number")  # type: ignore[union-attr]
    assert found["probability"].is_not_null().sum() > 50
    both = found.join(here, on="number", how="left", suffix=" here")
    assert both["cause"].to_list() == both["cause here"].to_list()
    assert np.allclose(both["probability"].fill_null(-1), both["probability here"].fill_null(-1), rtol=1e-9)


def test_two_draws_together_have_a_positive_definite_covariance_for_every_result_and_gap(opened: sqlite3.Connection) -> None:
    every = [row["analyte"] for row in rows(opened, "population_figures") if row["specimen"] == "blood"]
    model = read_model(opened, every)
    level, own = levels(model)
    scale = np.sqrt(np.diag(model.covariance))
    for hours in (0.0, 1.0, 24.0, 700.0, 1e6):
        across = tied(model, hours)
        both = np.block([[level + own, across], [across.T, level + own]]) / np.outer(np.tile(scale, 2), np.tile(scale, 2))
        assert np.linalg.eigvalsh(both)[0] > 0
    assert len(every) > 80


def test_levels_are_tied_to_themselves_each_by_its_own_time(opened: sqlite3.Connection) -> None:
    # kessy-2018 for the root; exp(-t / T) at t = T / 10 and t = T; the times themselves are from memory, as their rows say
    model = read_model(opened, (*ANALYTES, *COUNT))
    level, _ = levels(model)
    alike = model._replace(memory=np.full(len(level), 480.0))
    assert np.allclose(tied(alike, 48.0), level * math.exp(-0.1), rtol=1e-9, atol=1e-12)
    assert np.allclose(tied(alike, 48.0, 0.1), level * math.exp(-1), rtol=1e-9, atol=1e-12)
    assert np.allclose(tied(model, 0.0), level, rtol=1e-9, atol=1e-12)
    kept = dict(zip(model.analytes, np.diag(tied(model, 48.0)) / np.diag(level), strict=True))
    assert kept["glucose"] < 0.35 < 0.85 < kept["sodium"] < 0.95 < kept["mcv"]


def test_level_and_variation_together_are_the_population(opened: sqlite3.Connection) -> None:
    model = read_model(opened, ANALYTES)
    level, own = levels(model)
    assert np.allclose(np.diag(level + own), np.diag(model.covariance))
    scale = np.sqrt(np.outer(np.diag(model.covariance), np.diag(model.covariance)))
    assert np.abs((level + own - model.covariance) / scale).max() < 0.06
