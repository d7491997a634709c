"""Plans of draws as they are used: sparing where blood is scarce, few containers, no test in many parts, and told in a screen and a half."""

from __future__ import annotations

import random
import sqlite3
from typing import Any

import pytest

from kg.plans.draw import draw, from_words
from kg.plans.volumes import planning_values
from tests.draws import ADULT, NEWBORN, blood_at, codes, containers_of, planned

SCARCE = [{"weight_kg": 3.2, "age_days": 3}, {"weight_kg": 0.9, "age_group": "preterm-infant"}, {"weight_kg": 7, "age_months": 6},
          {"weight_kg": 70, "age_years": 50, "route": "capillary"}]
MIXED = ["QV-FBC", "QV-UE", "QV-NBIL", "QV-CRP", "QV-TFT"]


@pytest.mark.parametrize("patient", SCARCE)
def test_where_blood_is_scarce_the_plan_is_the_most_sparing_one_that_loses_no_test(connection: sqlite3.Connection, patient: dict[str, Any]) -> None:
    # common practice: patient_groups.csv and draw_routes.csv say for whom
    plan = planned(connection, MIXED, **patient)
    steps = {step["economy"]: step for step in plan["steps"]}
    assert plan["blood_ml"] == min(step["blood_ml"] for step in plan["steps"] if len(step["unserved"]) == len(steps["before-spin"]["unserved"]))
    assert steps["usual"]["blood_ml"] > plan["blood_ml"]
    shown = next(section for section in plan["sections"] if section["title"] == "More or less blood")
    assert any("runs can be repeated" in item["text"] for item in shown["items"]), "the more generous way is shown beside it"


@pytest.mark.parametrize("patient", [ADULT, {"weight_kg": 20, "age_years": 5}])
def test_adults_and_children_get_the_usual_volumes_from_a_vein(connection: sqlite3.Connection, patient: dict[str, Any]) -> None:
    plan = planned(connection, ["QV-FBC", "QV-UE", "QV-CRP"], **patient)
    assert plan["economy"] == "usual"
    assert plan["blood_ml"] == blood_at(plan, "usual")


def test_a_less_sparing_way_that_takes_no_more_blood_or_containers_is_preferred(connection: sqlite3.Connection) -> None:
    plan = planned(connection, ["QV-FBC", "QV-UE"], route="capillary", **NEWBORN)
    chosen = next(step for step in plan["steps"] if step["economy"] == plan["economy"])
    for step in plan["steps"][:plan["steps"].index(chosen)]:
        assert (step["blood_ml"], step["containers"]) > (chosen["blood_ml"], chosen["containers"])


def test_thirty_results_of_a_newborn_come_from_a_handful_of_microtubes(connection: sqlite3.Connection) -> None:
    # common practice: nobody fills more than one or two microtubes from one puncture of the heel
    wanted = ["QV-UE", "QV-LFT", "CRP", "QV-FBC", "aptt", "PT", "glucose", "lactate", "ammonia"]
    plan = planned(connection, wanted, route="capillary", haematocrit=0.5, **NEWBORN)
    assert plan["container_count"] <= 5
    assert plan["total_ml"] < 2
    assert {r["name"].split(" (")[0] for r in plan["unserved"]} == {"Activated partial thromboplastin time", "Prothrombin time", "Ammonia"}


def test_a_test_is_spread_over_two_microtubes_at_most_and_the_answer_says_what_would_serve_it(connection: sqlite3.Connection) -> None:
    # common practice (planning_values.csv): ammonia asks for more plasma than two microtubes yield
    plan = planned(connection, ["QV-NH3", "QV-FBC"], route="capillary", **NEWBORN)
    why = next(r["why"] for r in plan["unserved"] if "QV-NH3" in r["name"])
    assert "spread over 2 at most" in why
    assert "would take" in why
    assert "from a vein" in why
    assert containers_of(planned(connection, ["QV-NH3"], **NEWBORN), "QV-NH3"), "the larger tube serves it"


@pytest.mark.parametrize("seed", range(4))
def test_no_plan_spreads_a_test_over_more_containers_of_a_kind_than_is_usual(connection: sqlite3.Connection, seed: int) -> None:
    values = planning_values(connection)
    kinds = {row["id"]: row["kind"] for row in connection.execute("SELECT id, kind FROM containers")}
    tests = random.Random(seed).sample(codes(connection), 12)
    for situation in (NEWBORN | {"route": "capillary"}, NEWBORN, ADULT):
        plan = planned(connection, tests, **situation)
        for test in {test for tube in plan["containers"] for test in tube["tests"] if tube["use"] != "culture"}:
            used = [kinds[container] for container in containers_of(plan, test)]
            for kind in set(used):
                row = values.get(("spread-most", kind)) or values["spread-most", "tube"]
                assert used.count(kind) <= row["value"], test


def test_an_analyte_is_measured_by_another_test_when_the_first_cannot_be_drawn_so(connection: sqlite3.Connection) -> None:
    # the demonstration catalogue asks a tube for lactate that heel blood never fills, and has other tests: on heparin plasma, by the gas analyser
    heparin = planned(connection, ["lactate"], available=["microtube-lithium-heparin"], route="capillary", **NEWBORN)
    assert [tube["tests"] for tube in heparin["containers"]] == [["QV-LAC-H"]]
    plan = planned(connection, ["lactate"], route="capillary", **NEWBORN)
    assert [tube["tests"] for tube in plan["containers"]] == [["QV-PLAC"]], "the one that takes the least blood"
    assert containers_of(planned(connection, ["QV-LACT"], route="capillary", **NEWBORN), "QV-LACT"), "a test asked for by its code stays"
    assert any("QV-PLAC" in item["text"] for s in plan["sections"] if s["title"] == "Taken for granted" for item in s["items"])


def test_a_container_of_the_same_sort_stands_in_only_where_a_rule_says_so(connection: sqlite3.Connection) -> None:
    # common practice (sharing_rules.csv): any fluoride for glucose; never a common microtube for a trace element
    glucose = planned(connection, ["QV-GLU"], route="capillary", **NEWBORN)
    assert [tube["container"] for tube in glucose["containers"]] == ["microtube-fluoride"]
    assert "Ask the laboratory first" in str(glucose["sections"])
    assert planned(connection, ["QV-ZN"], route="capillary", **NEWBORN)["verdict"] == "nothing"


@pytest.mark.parametrize(("age", "weight", "waste"), [("4 d", "0.9", 1), ("6 months", "7", 2), ("5 years", "20", 3), ("50 years", "70", 5)])
def test_what_clears_the_line_of_a_child_is_less_than_that_of_an_adult(connection: sqlite3.Connection, age: str, weight: str, waste: float) -> None:
    # common practice for children (planning_values.csv); clsi-h21 (from memory) for adults before citrate
    answer = from_words(connection, tests=["QV-COAG"], weight=weight, age=age, route="line")
    assert answer.data["waste_ml"] == waste


@pytest.mark.parametrize("situation", [ADULT, NEWBORN])
def test_a_part_filled_container_is_the_smallest_of_its_sort_that_holds_the_blood(connection: sqlite3.Connection, situation: dict[str, Any]) -> None:
    plan = planned(connection, ["QV-UE", "QV-FBC", "QV-VITD", "QV-PTH"], economy="part-filled", **situation)
    sizes: dict[str, list[tuple[float, float]]] = {}
    people = "adult" if situation is ADULT else "newborn"
    for row in connection.execute("SELECT container, volume, least FROM container_volumes WHERE people LIKE ? AND routes LIKE '%venous%'", (f"%{people}%",)):
        sizes.setdefault(row["container"], []).append((row["volume"], row["least"]))
    for tube in plan["containers"]:
        holding = [volume for volume, least in sizes.get(tube["container"], []) if least <= tube["blood_ml"] <= volume]
        assert not holding or tube["nominal_ml"] == min(holding), tube


# --- how it reads ---

def test_neighbours_that_are_alike_are_told_once_with_what_goes_into_each(connection: sqlite3.Connection) -> None:
    plan = planned(connection, ["QV-UE", "QV-LFT", "QV-CRP"], route="capillary", economy="usual", **NEWBORN)
    items = plan["sections"][0]["items"]
    assert len(items) < plan["container_count"]
    assert [count for item in items for count in item["data"]["blood_ml"]] == [tube["blood_ml"] for tube in plan["containers"]]
    assert "together for urea and electrolytes (5 tests), liver tests (6 tests) and C-reactive protein" in items[0]["text"]


def test_sets_of_cultures_are_told_in_full_once(connection: sqlite3.Connection) -> None:
    items = planned(connection, ["QV-BC"], culture_sets=2, **ADULT)["sections"][0]["items"]
    assert [item["detail"] for item in items[2:]] == [["As 1."], ["As 2."]]


def test_the_tests_of_a_panel_are_named_by_the_panel(connection: sqlite3.Connection) -> None:
    text = draw(connection, {"tests": ["QV-FBC", "QV-COAG"], "max_blood_ml": 2.5, **ADULT}).to_text(width=1000)
    assert "full blood count (14 tests)" in text
    assert "oagulation screen (4 tests)" in text
    assert "prothrombin time, " not in text


@pytest.mark.parametrize("form", [
    {"tests": ["QV-UE", "QV-LFT", "CRP", "QV-FBC", "QV-COAG", "QV-GLU", "QV-TFT", "QV-FE", "QV-HBA1C", "QV-PTH"], **ADULT},
    {"tests": ["QV-UE", "QV-LFT", "CRP", "QV-FBC", "aptt", "PT", "glucose", "lactate", "QV-NBIL", "QV-MG"], "route": "capillary", **NEWBORN}])
def test_a_plan_for_ten_tests_reads_in_a_screen_and_a_half(connection: sqlite3.Connection, form: dict[str, Any]) -> None:
    assert len(draw(connection, form).to_text(limit=25).splitlines()) <= 95
