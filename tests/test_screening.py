"""Screening a table: the same reasoning as for one panel, the bounds exact, bad rows listed, and the same on other engines.

The panels are invented: drawn from the population, some of them spoilt by arithmetic.
"""

from __future__ import annotations

import json
import math
import sqlite3
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kg.explain import infer
from kg.explain.baseline import baseline, unscaled
from kg.forms import FormError, schema_of
from kg.screening.columns import read_columns
from kg.screening.earlier import read_gaps
from kg.screening.engine import screened
from kg.screening.judge import Judge, judge_panels, likelier_than_nothing, make_judge, possible
from kg.screening.kinds import judge_rows, judges_of
from kg.screening.screen import screen
from tests.engines import ENGINES, started

ANALYTES = ("sodium", "potassium", "chloride", "bicarbonate", "urea", "creatinine", "glucose", "calcium-total", "albumin", "total-protein", "alp", "alt")
SEED = 20260101


@pytest.fixture(scope="module")
def judge(opened: sqlite3.Connection) -> Judge:
    return make_judge(opened, ANALYTES, 0.5)


def _panels(judge: Judge, count: int, seed: int = SEED) -> Any:
    """Draw panels; one in twenty gets K2EDTA plasma or saline by plain arithmetic, and one in fifty is made absurd."""
    rng = np.random.default_rng(seed)
    panels = unscaled(judge.model, rng.multivariate_normal(judge.model.mean, judge.model.covariance, count))
    share = rng.uniform(0.01, 0.5, count)
    edta, saline = np.arange(count) % 20 == 0, np.arange(count) % 20 == 10
    panels[edta, 1] += 16 * share[edta]
    panels[edta, 7] *= 1 - share[edta]
    panels[saline] *= (1 - share[saline])[:, None]
    panels[saline, 0] += 154 * share[saline]
    panels[saline, 2] += 154 * share[saline]
    absurd = np.arange(count) % 50 == 7
    panels[absurd] *= rng.uniform(0.2, 6, (int(absurd.sum()), panels.shape[1]))
    return panels


def test_the_bounds_never_change_a_flag(judge: Judge) -> None:
    panels = _panels(judge, 20_000)
    quick, whole = judge_panels(judge, panels), judge_panels(judge, panels, every=True)
    assert np.array_equal(quick.probability >= 0.5, whole.probability >= 0.5)
    assert (whole.probability >= 0.5).sum() > 500
    assert np.allclose(quick.probability[quick.integrated], whole.probability[quick.integrated], rtol=1e-9)


def test_most_panels_need_no_integration(judge: Judge) -> None:
    rng = np.random.default_rng(SEED)
    ordinary = unscaled(judge.model, rng.multivariate_normal(judge.model.mean, judge.model.covariance, 20_000))
    assert judge_panels(judge, ordinary).integrated.mean() < 0.01


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), threshold=st.sampled_from([0.01, 0.1, 0.5, 0.9, 0.99]), size=st.floats(0.1, 30))
def test_a_panel_that_either_bound_closes_is_below_the_threshold(opened: sqlite3.Connection, seed: int, threshold: float, size: float) -> None:
    judge = make_judge(opened, ANALYTES[:5], threshold)
    standard = np.random.default_rng(seed).normal(size=(200, 5)) * size
    panels = unscaled(judge.model, standard * judge.scale + judge.centre)
    found = judge_panels(judge, panels, every=True)
    closed = ~possible(judge, standard) | ~likelier_than_nothing(judge, standard)
    sane = np.all(panels > judge.model.floor, axis=1)  # below it, a result counts as what is read when nothing is left
    assert np.all(found.probability[closed & sane] < threshold)


def test_a_row_is_judged_as_the_same_panel_is_explained(opened: sqlite3.Connection, judge: Judge) -> None:
    """The screening is a polynomial in the results, the explainer solves each system; both must weigh the causes alike."""
    panel = _panels(judge, 60)[40]
    model, base = judge.model, baseline(judge.model)
    computed = [i for i, cause in enumerate(model.causes) if cause.id in judge.causes]
    others = [i for i, cause in enumerate(model.causes) if cause.kind in ("in-vivo", "none") and not cause.since]
    prior = np.full(len(model.causes), -np.inf)
    from kg.explain.panel import Panel
    from kg.explain.priors import additive_odds

    odds = additive_odds(opened, model, Panel(()), [])
    for group, share in ((computed, model.settings["share-odd"]), (others[:-1], model.settings["share-ill"])):
        weights = np.array([model.causes[i].prior * math.exp(odds[i]) for i in group])
        prior[group] = np.log(weights / weights.sum() * share)
    prior[others[-1]] = math.log(1 - model.settings["share-odd"] - model.settings["share-ill"])
    observed = infer.observe(model, panel.tolist(), [""] * len(panel))
    ones = infer.explain_by_one(model, base, observed, infer.Prior(prior, infer.usual_steps(model)), [*computed, *others])
    shares = infer.probabilities(ones)
    expected = sum(share for one, share in zip(ones, shares, strict=True) if one.causes[0] in computed)
    found = judge_panels(judge, panel[None], every=True)
    assert found.probability[0] == pytest.approx(expected, rel=1e-6)


def _write(folder: Path, panels: Any, headers: tuple[str, ...] = ANALYTES) -> Path:
    place = folder / "panels.csv"
    pl.DataFrame({"number": np.arange(len(panels)), **{name: panels[:, i] for i, name in enumerate(headers)}}).write_csv(place)
    return place


def test_the_verdicts_are_written_with_the_columns_that_are_no_results(opened: sqlite3.Connection, judge: Judge, tmp_path: Path) -> None:
    answer = screen(opened, str(_write(tmp_path, _panels(judge, 400))), output=str(tmp_path / "verdicts.csv"))
    written = pl.read_csv(tmp_path / "verdicts.csv")
    assert written.columns == ["row", "flagged", "probability", "cause", "cause_probability", "number"]
    assert written["flagged"].sum() == answer.data["flagged"] > 5
    assert (written["row"] == written["number"] + 2).all()
    jsonschema.validate(json.loads(json.dumps(answer.to_json())), schema_of("screen-output"))


def test_csv_and_parquet_give_the_same_verdicts(opened: sqlite3.Connection, judge: Judge, tmp_path: Path) -> None:
    place = _write(tmp_path, _panels(judge, 400))
    pl.read_csv(place).write_parquet(tmp_path / "panels.parquet")
    one, other = screen(opened, str(place)), screen(opened, str(tmp_path / "panels.parquet"))
    assert one.data["by_cause"] == other.data["by_cause"]


def test_units_in_the_header_do_not_change_the_verdicts(opened: sqlite3.Connection, judge: Judge, tmp_path: Path) -> None:
    panels = _panels(judge, 300)
    plain = screen(opened, str(_write(tmp_path, panels)))
    panels[:, 6] *= 18.016
    panels[:, 7] *= 4.008
    headers = tuple({"glucose": "Glucose (mg/dL)", "calcium-total": "Ca [mg/dL]"}.get(name, name) for name in ANALYTES)
    assert screen(opened, str(_write(tmp_path, panels, headers))).data["by_cause"] == plain.data["by_cause"]


def test_one_bad_row_among_ten_thousand_is_listed_and_the_rest_judged(opened: sqlite3.Connection, judge: Judge, tmp_path: Path) -> None:
    place = _write(tmp_path, _panels(judge, 10_000))
    lines = place.read_text().splitlines()
    lines[5000] = lines[5000].replace(",", ",haemolysed ", 1)
    place.write_text("\n".join(lines) + "\n")
    answer = screen(opened, str(place))
    assert answer.data["judged"] + answer.data["rejected"] == 10_000
    mine = [one for one in answer.data["rejects"] if one["row"] == 5001]
    assert mine[0]["field"] == "sodium"
    assert "is not a number" in mine[0]["what"]


@pytest.mark.parametrize(("line", "says"), [
    ("1,139,4.1,101,24,5,80,5,2.3,40,70,80,20,extra", "more fields than the header names"),
    ("1,139,-4.1,101,24,5,80,5,2.3,40,70,80,20", "not possible"),
    ("1,139,inf,101,24,5,80,5,2.3,40,70,80,20", "is not a number"),
    ("1,139,,,,,,,,,,,", "fewer than two results"),
    ("1,1e300,4,101,24,5,80,5,2.3,40,70,80,20", "not possible"),
])
def test_a_row_that_cannot_be_judged_says_why(opened: sqlite3.Connection, judge: Judge, tmp_path: Path, line: str, says: str) -> None:
    place = _write(tmp_path, _panels(judge, 6))
    place.write_text(place.read_text() + line + "\n")
    rejects = [one for one in screen(opened, str(place)).data["rejects"] if one["row"] == 8]
    assert [says in one["what"] for one in rejects] == [True]


def test_a_missing_result_is_not_taken_for_an_ordinary_one(opened: sqlite3.Connection, judge: Judge) -> None:
    panels = _panels(judge, 40)
    panels[:, 11] = np.nan
    fewer, nothing = make_judge(opened, ANALYTES[:11], 0.5), np.full_like(panels, np.nan)
    probability, _, _ = judge_rows(panels, judges_of(opened, ANALYTES, 0.5), nothing, nothing[:, 0], read_gaps(opened), every=True)
    assert np.allclose(probability, judge_panels(fewer, panels[:, :11], every=True).probability)


@pytest.mark.parametrize(("text", "says"), [
    ("", "there is no header"),
    ("name,remark\na,b\n", "0 of its columns"),
    ("K,potassium,sodium\n4,4,140\n", "is already in column K"),
    ("K,K\n4,4\n", "two columns are named 'K'"),
    ("K (furlong),sodium\n4,140\n", "furlong is no unit of"),
    ("glucose,sodium\n95,140\n98,139\n", "no unit"),
])
def test_a_table_that_cannot_be_read_says_what_is_wrong(opened: sqlite3.Connection, tmp_path: Path, text: str, says: str) -> None:
    place = tmp_path / "panels.csv"
    place.write_text(text)
    with pytest.raises(FormError, match=r"panels\.csv") as caught:
        screen(opened, str(place))
    assert says in str(caught.value)


@pytest.mark.parametrize(("options", "says"), [({"threshold": "2"}, "--threshold"), ({"units": "metric"}, "--units"), ({"output": "x.txt"}, "must end in")])
def test_an_option_that_cannot_be_used_is_named(opened: sqlite3.Connection, judge: Judge, tmp_path: Path, options: dict[str, str], says: str) -> None:
    with pytest.raises(FormError) as caught:
        screen(opened, str(_write(tmp_path, _panels(judge, 3))), **options)  # type: ignore[arg-type]
    assert says in str(caught.value)


def test_a_file_that_is_not_there_or_no_table_is_refused(opened: sqlite3.Connection, tmp_path: Path) -> None:
    broken = tmp_path / "panels.parquet"
    broken.write_bytes(b"PAR1 and then nothing that makes sense")
    for place in (tmp_path / "none.csv", broken):
        with pytest.raises(FormError):
            screen(opened, str(place))


@pytest.mark.parametrize("engine", ENGINES)
def test_another_engine_gives_the_same_verdicts(opened: sqlite3.Connection, judge: Judge, tmp_path: Path, engine: str) -> None:
    panels = _panels(judge, 3000)
    panels[::7, 11] = np.nan
    frame = pl.DataFrame({"number": np.arange(len(panels)), **{name: panels[:, i] for i, name in enumerate(ANALYTES)}}).fill_nan(None)
    frame.write_parquet(tmp_path / "panels.parquet")
    screen(opened, str(tmp_path / "panels.parquet"), output=str(tmp_path / "here.parquet"))
    here = pl.read_parquet(tmp_path / "here.parquet").sort("number")
    columns = read_columns(opened, frame.columns, {name: frame[name].median() for name in frame.columns})  # type: ignore[misc]
    with started(engine, tmp_path) as backend:
        table = backend.read_parquet(str(tmp_path / "panels.parquet"))
        found = pl.from_arrow(screened(opened, table, columns.used, 0.5).select("number", "probability", "cause").to_pyarrow()).sort("number")  # type: ignore[union-attr]
    assert found["probability"].is_not_null().sum() > 100
    both = found.join(here, on="number", how="left", suffix=" here")
    assert both["cause"].to_list() == both["cause here"].to_list()
    assert np.allclose(both["probability"].fill_null(-1), both["probability here"].fill_null(-1), rtol=1e-9)
