"""One specimen for several benches: the order of steps, its reasons, and what cannot both be met.

Orders are common practice of the trade unless a source is named beside the check.
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
from kg.plans.diagram import draw
from kg.plans.share import from_words, share
from kg.problem import TubeloreError

URINE = ["urine culture", "QV-STRIP", "QV-USED", "QV-UPROT", "QV-UNA"]
SPINAL = ["csf culture", "QV-PCRC", "csf cell count", "csf glucose", "csf protein"]


def _step(answer: Answer, rule: str) -> dict[str, Any]:
    return next(step for step in answer.data["steps"] if step["rule"] == f"share-{rule}")


def _before(answer: Answer, first: str, second: str) -> bool:
    """Whether the rules put one step before another, directly or through others."""
    after: dict[str, set[str]] = {}
    for edge in answer.data["precedences"]:
        after.setdefault(edge["first"], set()).add(edge["second"])
    seen, todo = set(), [_step(answer, first)["id"]]
    while todo:
        for following in after.get(todo.pop(), set()) - seen:
            seen.add(following)
            todo.append(following)
    return _step(answer, second)["id"] in seen


def _rules(answer: Answer) -> set[str]:
    return {step["rule"].removeprefix("share-") for step in answer.data["steps"]}


# ---- stories ---------------------------------------------------------------------------------------------------------


def test_a_urine_goes_to_culture_before_strip_sediment_and_chemistry(connection: sqlite3.Connection) -> None:
    # common practice (hr-1118, ur-0049, ur-0051): culture, strip, microscopy, then the albumin-creatinine ratio
    answer = from_words(connection, URINE, material="midstream urine", volume_ml="30")
    assert answer.verdict == "ordered"
    for first, second in (("culture", "strip"), ("strip", "sediment"), ("sediment", "fluid")):
        assert _before(answer, first, second)


def test_four_millilitres_of_urine_cannot_meet_the_sediment_and_it_is_read_unspun(connection: sqlite3.Connection) -> None:
    # common practice (hr-1123, ur-0057): 10 to 12 mL for a standard sediment; with less unspun, and said so
    answer = from_words(connection, URINE, material="midstream urine", volume_ml="4")
    assert answer.verdict == "cannot-both"
    short = [use for use in answer.data["volumes"] if use["short_ml"]]
    assert [use["step"] for use in short] == [_step(answer, "sediment")["id"]]
    assert short[0]["needs_ml"] == 10
    assert "unspun" in short[0]["instead"]
    assert "unspun" in answer.headline


def test_the_supernatant_of_a_sediment_still_serves_chemistry(connection: sqlite3.Connection) -> None:
    # common practice; own arithmetic: 0.5 of 10 mL stays with the sediment (urine-sediment-open-protocol)
    answer = from_words(connection, ["QV-USED", "QV-UPROT"], material="random urine", volume_ml="10")
    assert answer.verdict == "ordered"
    assert answer.data["volumes"][1]["there_ml"] == pytest.approx(9.5)


def test_a_spinal_fluid_is_opened_once_for_culture_and_nucleic_acid_then_counted_then_measured(connection: sqlite3.Connection) -> None:
    # common practice (ur-0077): culture first and cleanly, then count, then chemistry; clsi-h56: count within 1 h
    answer = from_words(connection, SPINAL, material="csf", volume_ml="2")
    assert answer.verdict == "ordered"
    assert _before(answer, "culture", "fluid-count")
    assert _before(answer, "molecular", "fluid-count")
    assert _before(answer, "fluid-count", "fluid")
    assert not _before(answer, "culture", "molecular")
    assert not _before(answer, "molecular", "culture")
    assert "Both ask to be first" in answer.to_text()


def test_one_millilitre_of_spinal_fluid_is_a_tenth_short_for_four_benches(connection: sqlite3.Connection) -> None:
    # own arithmetic on the demonstration catalogue: 0.5 + 0.2 + 0.15 + (0.1 + 0.05 + 0.1) = 1.1 mL
    answer = from_words(connection, SPINAL, material="csf", volume_ml="1")
    short = [use for use in answer.data["volumes"] if use["short_ml"]]
    assert [use["short_ml"] for use in short] == [pytest.approx(0.1)]
    assert short[0]["still"] == ["QV-CGLU"]
    assert from_words(connection, SPINAL, material="csf", volume_ml="1.1").verdict == "ordered"


def test_gas_and_ionised_calcium_come_unopened_before_anything_else(connection: sqlite3.Connection) -> None:
    # boink-1991: carbon dioxide escapes, pH rises and ionised calcium falls
    answer = from_words(connection, ["QV-GASP", "ionised calcium", "QV-COHB"], container="syringe-balanced-heparin", volume_ml="1")
    assert _step(answer, "unopened")["level"] == 1 + max(s["level"] for s in answer.data["steps"] if s["role"] == "hold")
    assert "boink-1991" in {citation.id for citation in answer.citations}


def test_a_blood_count_cannot_come_from_the_gas_syringe(connection: sqlite3.Connection) -> None:
    # who-99-1-rev2: blood counts are unsuitable in heparin
    answer = from_words(connection, ["QV-GASP", "ionised calcium", "FBC"], container="syringe-balanced-heparin")
    assert "QV-PLT" in {entry["test"] for entry in answer.data["not_in_this_specimen"]}


def test_gas_and_count_of_one_draw_need_two_containers(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["QV-GASP", "ionised calcium", "FBC"], material="venous blood")
    assert [clash["kind"] for clash in answer.data["cannot_both"]] == ["container"]
    assert len(answer.data["specimen"]["portions"]) == 2
    assert answer.verdict == "ordered"


def test_cryoglobulins_and_ammonia_cannot_share_a_tube_warm_against_ice(connection: sqlite3.Connection) -> None:
    # cryo-weekend-2025: protein comes down with the clot; ammonia-review-jcp: rises with temperature
    answer = from_words(connection, ["cryoglobulins", "QV-NH3"], material="venous blood")
    clash = next(c for c in answer.data["cannot_both"] if c["kind"] == "keeping")
    assert {tuple(demand["tests"]) for demand in clash["demands"]} == {("QV-CRYO",), ("QV-NH3",)}
    assert all(demand["why"] for demand in clash["demands"])
    assert {"cryo-weekend-2025", "ammonia-review-jcp"} <= {s for demand in clash["demands"] for s in demand["sources"]}
    assert "two tubes" in clash["what_to_do"]
    assert _before(answer, "hold-warm", "warm")
    assert _before(answer, "hold-ice", "spin")


def test_whole_blood_tests_come_before_centrifugation(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["FBC", "QV-HBA1C", "PTH", "QV-HBVVL"], container="K2EDTA tube", volume_ml="9", haematocrit="0.45")
    assert _before(answer, "whole-count", "spin")
    assert _before(answer, "whole-part", "spin")
    assert _before(answer, "spin", "plasma")
    assert _before(answer, "molecular-plasma", "plasma")


def test_light_protection_and_labels_come_before_any_part_is_taken(connection: sqlite3.Connection) -> None:
    # recalled and common practice (hr-0144, hr-1018): light destroys porphyrins
    answer = from_words(connection, ["QV-UPORP", "urine culture", "QV-UNA"], material="urine", volume_ml="20")
    assert _before(answer, "hold-dark", "culture")
    assert _before(answer, "label", "dark")
    assert _before(answer, "dark", "fluid")


def test_a_24_hour_urine_is_divided_before_acid_and_alkali(connection: sqlite3.Connection) -> None:
    # common practice (ur-0052): measure and mix, take a part, then acidify or alkalinise that part
    answer = from_words(connection, ["QV-UCA", "QV-UURAT", "QV-UPROT"], material="24 h urine", volume_ml="1500")
    assert sorted(answer.data["specimen"]["portions"]) == [["QV-UCA"], ["QV-UPROT"], ["QV-UURAT"]]
    assert all(clash["met_by_dividing"] for clash in answer.data["cannot_both"])
    assert _before(answer, "measure-24h", "divide")
    assert _before(answer, "divide", "acid-part")


def test_an_undivided_24_hour_urine_cannot_serve_acid_and_alkali(connection: sqlite3.Connection) -> None:
    answer = share(connection, {"tests": ["QV-UCA", "QV-UURAT"], "material": "24 h urine", "divisible": False})
    assert answer.verdict == "cannot-both"
    assert "cannot both be met" in answer.headline


def test_ice_and_room_temperature_are_met_by_dividing_first(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["QV-K", "QV-CATE"], container="lithium heparin tube", volume_ml="4", haematocrit="0.45")
    assert {"divide", "hold-ice", "hold-uncooled"} <= _rules(answer)
    assert _before(answer, "divide", "hold-ice")
    undivided = share(connection, {"tests": ["QV-K", "QV-CATE"], "container": "lithium heparin tube", "divisible": False})
    assert undivided.verdict == "cannot-both"


def test_a_warm_tube_is_separated_warm_before_anything_else_is_taken_from_it(connection: sqlite3.Connection) -> None:
    # cryo-weekend-2025: clot and separate at 37 Cel; one separation serves the whole tube
    answer = from_words(connection, ["cryoglobulins", "QV-CRP"], container="tube-cryoglobulin-warm", volume_ml="20")
    assert _before(answer, "warm", "plasma")
    assert not {"spin", "mix", "divide"} & _rules(answer)


def test_clotted_blood_is_not_divided(connection: sqlite3.Connection) -> None:
    # common practice: a clot cannot be shared out; ice against room temperature stays unmet in one serum tube
    answer = from_words(connection, ["QV-GAST", "QV-K"], container="clot activator tube", volume_ml="5")
    assert answer.verdict == "cannot-both"
    assert "divide" not in _rules(answer)


def test_tests_sent_away_get_labelled_tubes_of_their_own(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["QV-OLIG", "csf protein", "csf culture"], material="csf", volume_ml="5")
    assert _before(answer, "label", "away")
    assert _step(answer, "away")["tests"] == ["QV-OLIG"]


def test_a_local_rule_is_kept_and_a_circle_of_rules_is_told(connection: sqlite3.Connection) -> None:
    form = {"tests": ["csf culture", "csf cell count"], "material": "csf", "volume_ml": 2}
    circle = share(connection, {**form, "local_rules": [{"first": "csf cell count", "second": "csf culture", "reason": "the counter is free now"}]})
    clash = next(c for c in circle.data["cannot_both"] if c["kind"] == "circle")
    assert circle.verdict == "cannot-both"
    assert clash["demands"][0]["why"] == "the counter is free now"
    assert "seeds the culture" in clash["demands"][1]["why"]
    kept = share(connection, {**form, "local_rules": [{"first": "csf culture", "second": "csf cell count", "reason": "as ever"}]})
    assert kept.verdict == "ordered"


def test_a_local_rule_on_a_test_that_is_not_wanted_is_said(connection: sqlite3.Connection) -> None:
    answer = share(connection, {"tests": ["csf culture"], "material": "csf", "local_rules": [{"first": "QV-K", "second": "csf culture", "reason": "x"}]})
    assert any("is not used" in text for text in answer.unknowns)


# ---- what is typed ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("words", "said"), [
    ({"volume_ml": "0"}, "volume_ml: 0 mL"), ({"volume_ml": "-1"}, "volume_ml: -1 mL"), ({"volume_ml": "much"}, "volume_ml: 'much'"),
    ({"haematocrit": "1.2"}, "haematocrit: 1.2"), ({"material": "lemonade"}, "lemonade"), ({"material": ""}, "container: missing"),
])
def test_a_field_that_cannot_be_used_is_named(connection: sqlite3.Connection, words: dict[str, str], said: str) -> None:
    with pytest.raises(TubeloreError) as refused:
        from_words(connection, ["csf culture"], **{"material": "csf", **words})
    assert said in str(refused.value)


def test_tests_are_asked_back_when_there_are_none(connection: sqlite3.Connection) -> None:
    with pytest.raises(FormError, match="tests: missing"):
        from_words(connection, material="csf")


def test_unknown_and_duplicate_tests_are_listed_and_the_rest_is_answered(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, ["csf culture", "zzzzz", "csf culture"], material="csf")
    assert [entry["typed"] for entry in answer.data["not_understood"]] == ["zzzzz"]
    assert answer.data["duplicates"] == ["csf culture"]
    assert _step(answer, "culture")["tests"] == ["QV-CSFC"]


def test_a_volume_that_is_not_stated_is_not_known_to_be_enough(connection: sqlite3.Connection) -> None:
    answer = from_words(connection, SPINAL, material="csf")
    assert any("volume is not stated" in text for text in answer.unknowns)


def test_a_file_gives_the_same_answer_as_words(connection: sqlite3.Connection, tmp_path: Path) -> None:
    (tmp_path / "form.json").write_text(json.dumps({"tests": SPINAL, "material": "csf", "volume_ml": 1}))
    assert from_words(connection, file=str(tmp_path / "form.json")).data == from_words(connection, SPINAL, material="csf", volume_ml="1").data


# ---- what holds of every order ---------------------------------------------------------------------------------------


ASKED = [
    {"tests": URINE, "material": "midstream urine", "volume_ml": 4}, {"tests": SPINAL, "material": "csf", "volume_ml": 1},
    {"tests": ["QV-GASP", "QV-ICA", "FBC"], "material": "venous blood"}, {"tests": ["cryoglobulins", "QV-NH3", "FBC", "QV-K"], "material": "venous blood"},
    {"tests": ["QV-UCA", "QV-UURAT", "QV-UPROT"], "material": "24 h urine", "volume_ml": 1500}, {"tests": ["zzzzz"], "material": "csf"},
    {"tests": ["QV-K"], "material": "csf"}, {"tests": ["QV-K", "QV-CATE"], "container": "lithium heparin tube", "divisible": False},
    {"tests": ["urine cytology", "urine culture", "QV-CTGC"], "material": "urine", "volume_ml": 12},
]


@pytest.mark.parametrize("form", ASKED)
def test_the_answer_fits_its_schema_and_the_page(connection: sqlite3.Connection, form: dict[str, Any]) -> None:
    answer = share(connection, form)
    jsonschema.validate(json.loads(json.dumps(answer.to_json())), schema_of("share-output"))
    assert all(len(line) <= 100 for line in answer.to_text().splitlines())


@given(st.integers(0, 10_000), st.sampled_from(["csf", "urine", "midstream urine", "venous blood", "24 h urine", "lithium heparin tube", "K2EDTA tube"]))
@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_wanted_test_is_served_or_named_and_every_rule_is_kept(connection: sqlite3.Connection, seed: int, specimen: str) -> None:
    codes = [row["code"] for row in connection.execute("SELECT code FROM test WHERE kind = 'test' ORDER BY code")]
    tests = random.Random(seed).sample(codes, 15)
    answer = from_words(connection, tests, container=specimen)
    served = [code for step in answer.data["steps"] if step["role"] == "serve" for code in step["tests"]]
    refused = [entry["test"] for entry in answer.data["not_in_this_specimen"]]
    assert sorted(served + refused) == sorted(tests)
    number = {step["id"]: step["number"] for step in answer.data["steps"]}
    for edge in answer.data["precedences"]:
        assert number[edge["first"]] < number[edge["second"]]
        assert edge["reason"]
    assert answer.data == from_words(connection, list(tests), container=specimen).data


# ---- the picture -----------------------------------------------------------------------------------------------------


def _traced(lines: list[str], names: dict[str, str]) -> set[tuple[str, str]]:
    """Read a picture back: follow the lines down from each box and say which boxes they meet."""
    cells = {(row, column): sign for row, line in enumerate(lines) for column, sign in enumerate(line)}
    boxes: dict[tuple[int, int], str] = {}
    for number, step in enumerate(names, 1):
        row = next(row for row, line in enumerate(lines) if f"[{number} " in line or f"[{number}]" in line)
        start = lines[row].find(f"[{number} ") if f"[{number} " in lines[row] else lines[row].find(f"[{number}]")
        for column in range(start, lines[row].index("]", start) + 1):
            boxes[row, column] = step
    found: set[tuple[str, str]] = set()
    for step in names:
        seen: set[tuple[int, int]] = set()
        todo = [(row + 1, column) for (row, column), box in boxes.items() if box == step and cells.get((row + 1, column)) in ("|", "+")]
        while todo:
            row, column = todo.pop()
            if (row, column) in seen:
                continue
            seen.add((row, column))
            if (row, column) in boxes:
                found.add((step, boxes[row, column]))
                continue
            if (row + 1, column) in boxes or cells.get((row + 1, column)) in ("|", "+"):
                todo.append((row + 1, column))
            if cells[row, column] == "+":
                for side in (-1, 1):
                    at = column + side
                    while cells.get((row, at)) in ("-", "|"):
                        at += side
                    if cells.get((row, at)) == "+":
                        todo.append((row, at))
    return found


@given(st.integers(0, 100_000))
@settings(max_examples=150, deadline=None)
def test_a_picture_shows_exactly_the_order_that_was_drawn(seed: int) -> None:
    source = random.Random(seed)
    names = {f"s{number}": f"step {number}" for number in range(1, source.randint(2, 9))}
    steps = list(names)
    edges = {(a, b) for i, a in enumerate(steps) for b in steps[i + 1:] if source.random() < 0.3}
    reduced = {(a, c) for a, c in edges if not any((a, b) in edges and _path(edges, b, c) for b in steps if b not in (a, c))}
    levels: dict[str, int] = {}
    for step in steps:
        levels[step] = 1 + max((levels[a] for a, b in reduced if b == step), default=0)
    numbered = {step: names[step] for step in sorted(steps, key=lambda s: (levels[s], s))}
    lines = draw(numbered, levels, sorted(reduced), 94)
    assert all(len(line) <= 94 for line in lines)
    assert _traced(lines, numbered) == reduced


def _path(edges: set[tuple[str, str]], start: str, goal: str) -> bool:
    return (start, goal) in edges or any(a == start and _path(edges, b, goal) for a, b in edges)


def test_a_picture_that_would_be_too_wide_becomes_a_list() -> None:
    names = {f"s{number}": "a step with many words" for number in range(30)}
    lines = draw(names, dict.fromkeys(names, 1), [], 94)
    assert len(lines) == 30
    assert all(len(line) <= 94 for line in lines)
