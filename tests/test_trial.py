"""A laboratory's own panels spoilt by arithmetic: what screening would recognise among its patients. The panels are invented."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import polars as pl
import pytest

from kg.forms import FormError, schema_of
from kg.screening.command import from_words
from kg.validation.patients import draw_patients
from kg.validation.spoil import Ground
from kg.validation.trial import try_file
from tests.synthetic import METABOLIC

SHOWN = METABOLIC[:8]


def _file(ground: Ground, folder: Path, count: int, gap: int = 0) -> str:
    panels = draw_patients(ground.population, count, np.random.default_rng(2))[:, :8]
    place = folder / "own.parquet"
    frame = pl.DataFrame({name: panels[:, i] for i, name in enumerate(SHOWN)})
    frame.with_row_index().with_columns(pl.when(pl.col("index") >= gap).then(pl.col("glucose"))).drop("index").write_parquet(place)
    return str(place)


@pytest.fixture(scope="module")
def told(opened: sqlite3.Connection, ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    answer = from_words(opened, _file(ground, tmp_path_factory.mktemp("own"), 1200, 100), trial=True)
    found: dict[str, Any] = json.loads(json.dumps(answer.to_json()))
    jsonschema.Draft7Validator(schema_of("screen-output")).validate(found)
    return found


def test_only_panels_with_all_results_are_spoilt(told: dict[str, Any]) -> None:
    assert told["judged"] == 1200
    assert told["trial"]["panels"] == 1100


def test_gross_contamination_is_recognised_and_slight_is_said_not_to_be(told: dict[str, Any]) -> None:
    share = {(band["cause"], band["low"]): band["screened"]["share"] for band in told["trial"]["bands"]}
    assert share["k2-edta-carryover", 0.2] > 0.9
    assert share["iv-saline", 0.35] > 0.9
    assert share["k2-edta-carryover", 0.01] < 0.2


def test_every_contamination_of_the_validation_that_moves_a_result_is_tried(told: dict[str, Any], opened: sqlite3.Connection) -> None:
    bands = {(row[0], row[1]) for row in opened.execute("SELECT cause, low FROM validation_bands")}
    assert {(band["cause"], band["low"]) for band in told["trial"]["bands"]} == bands
    section = next(one for one in told["sections"] if one["title"] == "Spoilt by arithmetic")
    assert len(section["items"]) == len(bands)
    assert "taken for sound" in section["note"]


def test_without_being_asked_nothing_is_tried(opened: sqlite3.Connection, ground: Ground, tmp_path: Path) -> None:
    found = from_words(opened, _file(ground, tmp_path, 20)).to_json()
    assert found["trial"] is None


def test_the_same_file_gives_the_same_figures(opened: sqlite3.Connection, ground: Ground, tmp_path: Path) -> None:
    file = _file(ground, tmp_path, 150)
    one, two = ([band.odd for band in try_file(opened, file, 0.5).bands] for _ in range(2))
    assert one == two


def test_too_few_whole_panels_are_refused_with_the_number(opened: sqlite3.Connection, ground: Ground, tmp_path: Path) -> None:
    with pytest.raises(FormError, match=r"20 of its rows hold all of its results; --trial needs at least 100"):
        try_file(opened, _file(ground, tmp_path, 120, 100), 0.5)
