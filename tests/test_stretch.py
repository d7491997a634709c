"""What to measure in a specimen of small volume: stories, and what must hold of every plan.

Volumes are those of the invented demonstration catalogue; arithmetic is done by hand beside each check. Orders of
measurement are common practice of the trade unless a source is named.
"""

from __future__ import annotations

import json
import random
import sqlite3
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kg.answer import Answer
from kg.forms import FormError, schema_of
from kg.plans.stretch import from_words, stretch
from kg.problem import TubeloreError

NEWBORN = ["QV-K", "QV-CREA", "QV-CRP", "QV-NBIL", "QV-GLU", "QV-FBC"]
MICROTUBE = "lithium heparin microtube"


def _plan(answer: Answer) -> list[str]:
    return [code for step in answer.data["plan"] for code in step["tests"]]


def _everything_named(answer: Answer) -> set[str]:
    """Every code that the answer accounts for, measured or not."""
    unmeasured = {code for entry in answer.data["not_measured"] for code in entry["tests"]}
    return {*_plan(answer), *unmeasured, *(entry["test"] for entry in answer.data["not_in_this_specimen"])}


def _volume_of(step: dict[str, Any]) -> float:
    return float(step["takes_ul"] + step["dead_volume_ul"])


# ---- stories ---------------------------------------------------------------------------------------------------------


def test_three_hundred_microlitres_of_a_newborn_serve_three_tests_and_are_not_rejected(connection: sqlite3.Connection) -> None:
    # own arithmetic: 300 x 0.45 x 0.65 = 87.75 uL plasma; 50 dead once, then 10 for each test: three, of those named first
    answer = from_words(connection, NEWBORN, volume_ul="300", haematocrit="0.55", container=MICROTUBE)
    assert answer.verdict == "some-served"
    assert sorted(_plan(answer)) == ["QV-CREA", "QV-CRP", "QV-K"]
    assert answer.data["specimen"]["available_ul"] == pytest.approx(87.75, abs=0.06)
    assert "Do not reject" in answer.headline


def test_the_least_addition_that_brings_more_is_told_for_each_test(connection: sqlite3.Connection) -> None:
    # own arithmetic: 50 dead + 4 x 10 = 90 uL plasma; 90 / (0.45 x 0.65) = 307.7 uL blood, 8 uL more than 300
    answer = from_words(connection, NEWBORN, volume_ul="300", haematocrit="0.55", container=MICROTUBE)
    assert {entry["tests"][0]: entry["extra_ul"] for entry in answer.data["not_measured"]} == {"QV-NBIL": 8}
    assert [gain["served"] for gain in answer.data["more"]] == [4, 4, 4]
    exact = from_words(connection, NEWBORN, volume_ul="308", haematocrit="0.55", container=MICROTUBE)
    assert len(_plan(exact)) == 4


def test_a_blood_count_is_never_measured_in_lithium_heparin_and_the_answer_says_why(connection: sqlite3.Connection) -> None:
    # who-99-1-rev2: in heparin white cells and platelets clump
    answer = from_words(connection, NEWBORN, volume_ul="5000", haematocrit="0.55", container=MICROTUBE)
    misfit = next(entry for entry in answer.data["not_in_this_specimen"] if entry["test"] == "QV-PLT")
    assert misfit["status"] == "unsuitable"
    assert "EDTA whole blood" in misfit["reason"]
    assert "who-99-1-rev2" in {citation.id for citation in answer.citations}


def test_potassium_is_never_measured_in_edta(connection: sqlite3.Connection) -> None:
    # who-99-1-rev2 and derivation: K2EDTA releases potassium
    answer = from_words(connection, ["QV-K", "QV-FBC"], volume_ul="500", haematocrit="0.5", container="K2EDTA microtube")
    assert "QV-K" not in _plan(answer)
    assert next(e for e in answer.data["not_in_this_specimen"] if e["test"] == "QV-K")["status"] == "unsuitable"
    assert "potassium" in answer.to_text().lower()


def test_the_results_of_one_blood_count_cost_its_volume_once(connection: sqlite3.Connection) -> None:
    # common practice: one aspiration gives the whole count; 50 dead + 70 = 120 uL
    answer = from_words(connection, ["QV-FBC"], volume_ul="120", haematocrit="0.5", container="K2EDTA microtube")
    assert answer.verdict == "all-served"
    assert len(answer.data["plan"]) == 1
    assert len(_plan(answer)) == 14


def test_whole_blood_is_measured_before_the_spin_and_leaves_less_to_spin(connection: sqlite3.Connection) -> None:
    # common practice; own arithmetic: (1500 - 120) x 0.55 x 0.75 = 569.25 uL
    answer = from_words(connection, ["QV-PTH", "QV-FBC"], volume_ul="1500", haematocrit="0.45", container="K2EDTA tube")
    forms = [step["form"] for step in answer.data["plan"]]
    assert forms == ["whole", "spun"]
    assert answer.data["specimen"]["left_to_spin_ul"] == pytest.approx(1380)
    assert answer.data["specimen"]["available_ul"] == pytest.approx(569.2, abs=0.1)


def test_the_least_stable_is_measured_first_within_a_cup(connection: sqlite3.Connection) -> None:
    # stability: bicarbonate in an open tube, 1 h (common practice); sodium keeps for days (who-99-1-rev2)
    answer = from_words(connection, ["QV-NA", "QV-CREA", "QV-HCO3"], volume_ul="400", material="serum")
    assert _plan(answer)[0] == "QV-HCO3"
    assert _plan(answer)[-1] == "QV-NA"


def test_dead_volume_is_lost_once_for_the_tests_of_one_cup(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["QV-K", "QV-NA", "QV-CL"], volume_ul="80", material="lithium heparin plasma")
    assert answer.verdict == "all-served"
    assert [step["dead_volume_ul"] for step in answer.data["plan"]] == [50, 0, 0]


@pytest.mark.parametrize(("analysers", "needed"), [(("one", "one"), 70), (("one", "two"), 120)])
def test_tests_of_two_analysers_lose_dead_volume_twice(connection: sqlite3.Connection, analysers: tuple[str, str], needed: float) -> None:
    # own arithmetic: 50 + 10 + 10, or twice 50 + 10
    tests = [{"test": code, "analyser": analyser} for code, analyser in zip(("QV-K", "QV-NA"), analysers, strict=True)]
    enough = stretch(connection, {"tests": tests, "volume_ul": needed, "material": "serum"})
    too_little = stretch(connection, {"tests": tests, "volume_ul": needed - 1, "material": "serum"})
    assert (enough.verdict, too_little.verdict) == ("all-served", "some-served")
    assert enough.data["everything_ul"] == needed


def test_what_is_sent_away_never_shares_a_cup(connection: sqlite3.Connection) -> None:
    # common practice (bench_rules): each goes to a laboratory of its own in a tube of its own; 2 x (150 + 150) uL
    answer = from_words(connection, ["QV-5NT", "QV-A2M"], volume_ul="600", material="serum")
    assert [step["dead_volume_ul"] for step in answer.data["plan"]] == [150, 150]


def test_scanty_spinal_fluid_goes_to_culture_first_where_nobody_has_said(connection: sqlite3.Connection) -> None:
    # common practice (ur-0077): culture first and cleanly, then count, then chemistry
    answer = from_words(connection, ["csf protein", "csf glucose", "csf cell count", "csf culture"], volume_ul="700", material="csf")
    assert _plan(answer)[:2] == ["QV-CSFC", "QV-CCC"]
    assert any("No priority is stated" in text for text in answer.unknowns)


def test_a_stated_priority_takes_the_place_of_the_usual_one(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["csf protein", "csf culture"], volume_ul="500", material="csf", priority="csf protein=9,csf culture=1")
    assert _plan(answer) == ["QV-CPRO"]


def test_plasma_off_the_cells_serves_no_whole_blood_test(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["QV-HB", "QV-PTH"], volume_ul="500", material="EDTA plasma")
    assert _plan(answer) == ["QV-PTH"]


def test_a_capillary_gas_and_its_lactate_come_from_one_aspiration(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["QV-CAPGAS", "QV-PLAC"], volume_ul="100", container="capillary-lithium-heparin")
    assert [step["tests"] for step in answer.data["plan"]] == [["QV-CAPGAS", "QV-PLAC"]]


def test_demands_on_keeping_that_clash_are_told(connection: sqlite3.Connection) -> None:
    # common practice: potassium must not be chilled, catecholamines are kept on ice
    answer = from_words(connection, ["QV-K", "QV-CATE"], volume_ul="3000", haematocrit="0.4", container="lithium heparin tube")
    assert {tuple(d["tests"]) for clash in answer.data["cannot_both"] for d in clash["demands"]} == {("QV-K",), ("QV-CATE",)}


# ---- dilution --------------------------------------------------------------------------------------------------------


def _diluted(connection: sqlite3.Connection, test: str, factor: float, expected: float, limit: float, volume: float = 105) -> Answer:
    item = {"test": test, "minimum_volume_ul": 130, "dead_volume_ul": 100, "dilution": {"factor": factor, "expected": expected, "limit": limit}}
    return stretch(connection, {"tests": [item], "volume_ul": volume, "material": "serum"})


def test_a_dilution_that_the_form_allows_serves_where_undiluted_there_is_too_little(connection: sqlite3.Connection) -> None:
    # own arithmetic: 100 dead + 30 / 10 = 103 uL
    answer = _diluted(connection, "QV-CRP", 10, 200, 1)
    assert answer.verdict == "all-served"
    assert answer.data["plan"][0]["dilution"] == 10


@pytest.mark.parametrize(("expected", "served"), [(10, True), (9.99, False)])
def test_a_diluted_value_must_not_fall_below_the_limit(connection: sqlite3.Connection, expected: float, served: bool) -> None:
    answer = _diluted(connection, "QV-CRP", 10, expected, 1)
    assert bool(_plan(answer)) is served


def test_nothing_is_diluted_where_there_is_enough(connection: sqlite3.Connection) -> None:
    assert _diluted(connection, "QV-CRP", 10, 200, 1, volume=130).data["plan"][0]["dilution"] == 1


def test_a_free_hormone_is_not_diluted_whatever_is_asked(connection: sqlite3.Connection) -> None:
    # recalled, not looked up: dilution shifts hormone off its binding proteins
    answer = _diluted(connection, "QV-FT4", 10, 200, 1)
    assert not _plan(answer)
    assert "not diluted" in answer.data["not_measured"][0]["dilution"]


# ---- what is typed ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("words", "said"), [
    ({"volume_ul": "0"}, "volume_ul: 0 uL"), ({"volume_ul": "-5"}, "volume_ul: -5 uL"), ({"volume_ul": "much"}, "volume_ul: 'much'"),
    ({"volume_ul": "nan"}, "volume_ul: 'nan'"), ({"volume_ul": "1e12"}, "volume_ul"), ({}, "volume_ul: missing"),
    ({"volume_ul": "300", "haematocrit": "1.2"}, "haematocrit: 1.2"), ({"volume_ul": "300", "haematocrit": "55"}, "write 0.55 for 55 %"),
    ({"volume_ul": "300", "haematocrit": "-0.1"}, "haematocrit: -0.1"), ({"volume_ul": "300", "priority": "K"}, "priority: 'K' is not TEST=NUMBER"),
    ({"volume_ul": "300", "priority": "CRP=2"}, "is not among the tests"), ({"volume_ul": "300", "priority": "QV-K=0"}, "priority: must be bigger than 0"),
    ({"volume_ul": "300", "container": "shoe box"}, "shoe box"), ({"volume_ul": "300", "container": "whole blood"}, "does not say which additive"),
])
def test_a_field_that_cannot_be_used_is_named(connection: sqlite3.Connection, words: dict[str, str], said: str) -> None:
    with pytest.raises(TubeloreError) as refused:
        from_words(connection, ["QV-K"], **{"container": MICROTUBE, **words})
    assert said in str(refused.value)


def test_a_specimen_without_container_or_material_is_asked_back(connection: sqlite3.Connection) -> None:
    with pytest.raises(FormError, match="container: missing"):
        from_words(connection, ["QV-K"], volume_ul="300")


def test_unknown_and_duplicate_tests_are_listed_and_the_rest_is_answered(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["QV-K", "zzzzz", "QV-K", "potassium"], volume_ul="600", haematocrit="0.5", container=MICROTUBE)
    assert _plan(answer) == ["QV-K"]
    assert [entry["typed"] for entry in answer.data["not_understood"]] == ["zzzzz"]
    assert answer.data["duplicates"] == ["QV-K"]


def test_only_unknown_tests_are_not_understood(connection: sqlite3.Connection) -> None:
    assert from_words(connection, ["zzzzz"], volume_ul="600", container=MICROTUBE).verdict == "not-understood"


def test_a_missing_haematocrit_is_said(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["QV-K"], volume_ul="600", container=MICROTUBE)
    assert answer.data["specimen"]["haematocrit_assumed"]
    assert any("haematocrit is not stated" in text for text in answer.unknowns)


def test_a_withdrawn_test_is_not_planned(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["QV-TNT"], volume_ul="900", haematocrit="0.4", container=MICROTUBE)
    assert "withdrawn" in answer.data["not_in_this_specimen"][0]["reason"]


def test_a_file_gives_the_same_answer_as_words(connection: sqlite3.Connection, tmp_path: Path) -> None:
    form = {"tests": [{"test": "QV-K", "priority": 3}, "QV-CRP"], "volume_ul": 400, "haematocrit": 0.5, "container": MICROTUBE}
    (tmp_path / "form.json").write_text(json.dumps(form))
    typed = from_words(connection, ["QV-K", "QV-CRP"], volume_ul="400", haematocrit="0.5", container=MICROTUBE, priority="QV-K=3")
    assert from_words(connection, file=str(tmp_path / "form.json")).data == typed.data


def test_a_field_that_the_schema_does_not_know_is_refused(connection: sqlite3.Connection) -> None:
    with pytest.raises(FormError, match="colour"):
        stretch(connection, {"tests": ["QV-K"], "volume_ul": 300, "container": MICROTUBE, "colour": "red"})


# ---- what holds of every plan ----------------------------------------------------------------------------------------


def _codes(connection: sqlite3.Connection) -> list[str]:
    return [row["code"] for row in connection.execute("SELECT code FROM test WHERE kind = 'test' ORDER BY code")]


def _random_answer(connection: sqlite3.Connection, seed: int, volume: float, extra: int = 0) -> Answer:
    source = random.Random(seed)
    containers = ["microtube-lithium-heparin", "microtube-k2-edta", "microtube-serum", "tube-citrate-3.2", "syringe-balanced-heparin"]
    container, tests = source.choice(containers), source.sample(_codes(connection), source.randint(1, 12) + extra)
    return stretch(connection, {"tests": tests, "volume_ul": volume, "haematocrit": 0.5, "container": container})


@given(st.integers(0, 10_000), st.integers(1, 4000), st.integers(0, 2000))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_more_volume_never_lowers_what_is_served(connection: sqlite3.Connection, seed: int, volume: int, more: int) -> None:
    assert _random_answer(connection, seed, volume + more).data["priority_served"] >= _random_answer(connection, seed, volume).data["priority_served"]


@given(st.integers(0, 10_000), st.integers(1, 4000))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_plan_drops_a_test_silently_or_uses_more_than_there_is(connection: sqlite3.Connection, seed: int, volume: int) -> None:
    answer = _random_answer(connection, seed, volume)
    tests = random.Random(seed)
    tests.choice(range(5))
    wanted = set(tests.sample(_codes(connection), tests.randint(1, 12)))
    assert _everything_named(answer) == wanted
    whole = sum(_volume_of(step) for step in answer.data["plan"] if step["form"] == "whole")
    spun = sum(_volume_of(step) for step in answer.data["plan"] if step["form"] == "spun")
    share = 0.5 * answer.data["specimen"]["recoverable_share"]
    assert whole <= volume + 0.1
    assert spun <= (volume - whole) * share + 0.1


@given(st.integers(0, 10_000), st.integers(1, 4000))
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_one_more_wanted_test_never_lowers_what_is_served(connection: sqlite3.Connection, seed: int, volume: int) -> None:
    source = random.Random(seed)
    tests = source.sample(_codes(connection), 6)
    form = {"volume_ul": volume, "haematocrit": 0.5, "container": "microtube-lithium-heparin"}
    fewer = stretch(connection, {**form, "tests": tests[:-1]}).data["priority_served"]
    assert stretch(connection, {**form, "tests": tests}).data["priority_served"] >= fewer


@pytest.mark.parametrize("words", [
    {"tests": NEWBORN, "volume_ul": "300", "haematocrit": "0.55", "container": MICROTUBE},
    {"tests": ["csf culture", "csf glucose"], "volume_ul": "600", "material": "csf"},
    {"tests": ["QV-FBC", "QV-NH3-N", "QV-PTH"], "volume_ul": "1500", "container": "K2EDTA tube"},
    {"tests": ["QV-K"], "volume_ul": "5", "material": "serum"}, {"tests": ["zzzzz"], "volume_ul": "5", "material": "serum"},
    {"tests": ["QV-K", "QV-CATE", "urine cytology"], "volume_ul": "3000", "container": "lithium heparin tube"},
])
def test_the_answer_fits_its_schema_and_reads_within_the_page(connection: sqlite3.Connection, words: dict[str, Any]) -> None:
    answer = from_words(connection, **words)
    jsonschema.validate(json.loads(json.dumps(answer.to_json())), schema_of("stretch-output"))
    assert answer.cautions
    assert all(len(line) <= 100 for line in answer.to_text().splitlines())


def test_the_schemas_are_draft_seven() -> None:
    for name in ("stretch-input", "stretch-output", "share-input", "share-output"):
        jsonschema.Draft7Validator.check_schema(schema_of(name))
