"""Results as they are typed or sent: names, units, impossible and contradictory values.

What an everyday name or a value without unit means on a panel is common practice unless another source is named.
"""

from __future__ import annotations

import json
import math
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft7Validator

from kg.explain.panel import Panel, read_panel
from kg.explain.reading import form_from_csv, form_from_file, form_from_words
from kg.forms import FormError, check_form, schema_of
from kg.names import AmbiguousName
from kg.problem import TubeloreError
from tests.on_paper import table

OPEN = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=60)


def read(connection: sqlite3.Connection, *words: str, **more: Any) -> Panel:
    form = {**form_from_words(words), **more}
    Draft7Validator(schema_of("explain-input")).validate(form)
    return read_panel(connection, check_form(form, "explain-input", "the input"))


def values(panel: Panel) -> dict[str, tuple[str, float, str]]:
    return {result.analyte: (result.comparator, result.value, result.unit) for result in panel.results}


def refusal(connection: sqlite3.Connection, *words: str, **more: Any) -> str:
    with pytest.raises(FormError) as caught:
        read(connection, *words, **more)
    return str(caught.value)


def test_electrolytes_without_units_are_read_in_millimoles_and_that_is_said(connection: sqlite3.Connection) -> None:
    panel = read(connection, "K=9.8", "Ca=1.1", "Na=139")
    assert values(panel) == {"potassium": ("", 9.8, "mmol/L"), "calcium-total": ("", 1.1, "mmol/L"), "sodium": ("", 139, "mmol/L")}
    assert any(line.startswith("no unit given: ") and "read in mmol/L" in line for line in panel.said)
    assert "'Ca' as Calcium, total" in panel.said


@pytest.mark.parametrize(("word", "analyte"), [
    ("K", "potassium"), ("K+", "potassium"), ("Na", "sodium"), ("Cl", "chloride"), ("CO2", "bicarbonate"), ("HCO3", "bicarbonate"),
    ("Ca", "calcium-total"), ("ca", "calcium-total"), ("calcium", "calcium-total"), ("iCa", "calcium-ionised"), ("Ca2+", "calcium-ionised"),
    ("Ca++", "calcium-ionised"), ("Mg", "magnesium-total"), ("phos", "phosphate"), ("PO4", "phosphate"), ("ALP", "alp"), ("crea", "creatinine"),
    ("Cr", "creatinine"), ("glu", "glucose"), ("Hb", "haemoglobin"), ("Hct", "haematocrit"), ("WBC", "wbc-count"), ("plt", "platelet-count"),
    ("LDH", "ld"), ("TnT", "troponin-t"), ("bili", "bilirubin-total"), ("total protein", "total-protein"), ("potassum", "potassium"),
    ("2823-3", "potassium"), ("2028-9", "bicarbonate"), ("QV-NA", "sodium")])
def test_everyday_names_codes_and_small_slips_are_understood(connection: sqlite3.Connection, word: str, analyte: str) -> None:
    usual = next(row for row in table("population") if row["analyte"] == analyte)
    assert [result.analyte for result in read(connection, f"{word}={usual['mean']}{usual['unit']}").results] == [analyte]


def test_a_name_of_two_analytes_is_asked_back_with_both(connection: sqlite3.Connection) -> None:
    with pytest.raises(AmbiguousName, match=r"troponin-i.*troponin-t"):
        read(connection, "troponin=12ng/L")


def test_unknown_analytes_are_listed_with_their_reason_and_the_rest_is_read(connection: sqlite3.Connection) -> None:
    panel = read(connection, "K=4.1", "unobtainium=3", "electrolytes=5")
    assert list(values(panel)) == ["potassium"]
    assert [line.split(":")[0] for line in panel.unread] == ["unobtainium=3", "electrolytes=5"]


def test_a_panel_of_unknown_analytes_alone_is_refused(connection: sqlite3.Connection) -> None:
    assert "none of the results can be used: unobtainium=3" in refusal(connection, "unobtainium=3")


@pytest.mark.parametrize(("word", "ways"), [
    ("glucose=95", "write glucose=95mg/dL or glucose=95mmol/L"), ("Ca=9.5", "write Ca=9.5mg/dL or Ca=9.5mmol/L"),
    ("crea=1.2", "write crea=1.2mg/dL or crea=1.2umol/L"), ("Hb=12.7", "write Hb=12.7g/dL or Hb=12.7g/L"),
    ("albumin=3.8", "write albumin=3.8g/dL or albumin=3.8g/L"), ("ALP=1.4", "write ALP=1.4ukat/L or ALP=1.4U/L"),
    ("pCO2=40", "write pCO2=40mm[Hg] or pCO2=40kPa"), ("HbA1c=7", "write HbA1c=7% or HbA1c=7mmol/mol"),
    ("urea=40", "write urea nitrogen=40mg/dL, urea=40mg/dL or urea=40mmol/L"), ("Hct=62", "write Hct=62%")])
def test_a_value_that_another_unit_explains_better_is_asked_about(connection: sqlite3.Connection, word: str, ways: str) -> None:
    assert refusal(connection, word).startswith(f"{word}: no unit; {ways}")


def test_what_is_written_as_the_question_says_is_read_without_another_question(connection: sqlite3.Connection) -> None:
    for word in ("glucose=95", "crea=12", "Hb=12.7", "ALP=1.4", "urea=40", "TP=6.8", "HbA1c=7", "phosphate=3.4"):
        ways = refusal(connection, word).split("write ")[1].replace(" or ", ", ").split(", ")
        for way in ways:
            if way != "urea=40mg/dL":
                assert len(read(connection, way).results) == 1, way


def test_each_usual_value_of_the_population_is_read_in_the_unit_of_its_table(connection: sqlite3.Connection) -> None:
    rows = table("population")
    panel = read(connection, *(f"{row['analyte']}={row['mean']}" for row in rows))
    found = {result.analyte: result.value for result in [*panel.results, *panel.indices.values()]}
    assert found == {row["analyte"]: float(row["mean"]) for row in rows}


def test_grossly_odd_values_of_contaminated_blood_need_no_unit(connection: sqlite3.Connection) -> None:
    # values as in potassium EDTA contamination and in blood drawn above a drip: common practice
    for word in ("K=14", "K=1.9", "Ca=0.3", "Mg=0.2", "Na=95", "Na=175", "Cl=135", "ALP=20", "ALT=900", "CRP=250", "plt=1500", "WBC=300"):
        assert len(read(connection, word).results) == 1


@pytest.mark.parametrize(("words", "more", "value"), [
    (("glucose=95",), {"units": "conventional"}, 5.27), (("glucose=95",), {"units": "si"}, 95.0),
    (("glucose=95", "Ca=9.5mg/dL"), {}, 5.27), (("glucose=30", "Ca=2.3mmol/L"), {}, 30.0)])
def test_the_sender_or_the_other_units_settle_a_missing_unit(connection: sqlite3.Connection, words: tuple[str, ...], more: dict[str, str],
                                                            value: float) -> None:
    assert values(read(connection, *words, **more))["glucose"][1] == pytest.approx(value, rel=1e-3)


def test_other_units_do_not_settle_what_they_make_much_less_likely(connection: sqlite3.Connection) -> None:
    assert refusal(connection, "glucose=95", "Ca=2.3mmol/L").startswith("glucose=95: no unit")


def test_units_of_activity_settle_for_enzymes_only(connection: sqlite3.Connection) -> None:
    assert values(read(connection, "ALP=1.4", "ALT=0.5ukat/L"))["alp"] == ("", 84.0, "U/L")
    assert values(read(connection, "ALP=5", "ALT=20U/L"))["alp"] == ("", 5.0, "U/L")
    assert refusal(connection, "ALP=5", "Na=139mmol/L").startswith("ALP=5: no unit")


def test_urea_nitrogen_is_weighed_as_nitrogen(connection: sqlite3.Connection) -> None:
    # 14 mg/dL of nitrogen, 28.01 g per mole of urea: 5.0 mmol/L
    assert values(read(connection, "BUN=14mg/dL"))["urea"][1] == pytest.approx(5.0, rel=1e-3)
    assert values(read(connection, "BUN=14"))["urea"][1] == pytest.approx(5.0, rel=1e-3)
    assert "if that is urea nitrogen" in refusal(connection, "urea=40mg/dL")


def test_comparators_are_kept(connection: sqlite3.Connection) -> None:
    panel = read(connection, "K>10", "ALP<5U/L", "Ca<=0.2mmol/L")
    assert values(panel) == {"potassium": (">", 10, "mmol/L"), "alp": ("<", 5, "U/L"), "calcium-total": ("<", 0.2, "mmol/L")}


@pytest.mark.parametrize("word", ["K=-3", "K=980", "K=1e300", "Na=0", "Na=1390mmol/L", "Ca=-0.1mmol/L", "pH=74", "Hb=1270", "plt=250000",
                                  "glucose=-5mg/dL", "K<0"])
def test_what_no_specimen_can_have_is_refused_by_the_word_as_typed(connection: sqlite3.Connection, word: str) -> None:
    message = refusal(connection, word)
    assert message.startswith(f"{word}: ") and "cannot be" in message and "in any specimen" in message


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 10**400, True])
def test_what_is_no_number_is_refused_by_its_field(connection: sqlite3.Connection, value: Any) -> None:
    form = {"results": [{"analyte": "Na", "value": 139}, {"analyte": "K", "value": 4.1}, {"analyte": "Ca", "value": value}]}
    with pytest.raises(FormError, match=r"results\[2\]\.value: the value is not a number"):
        read_panel(connection, form)


def test_a_haematocrit_above_one_is_refused_as_the_share_that_it_is(connection: sqlite3.Connection) -> None:
    for message in (refusal(connection, "K=4", facts={"haematocrit": 1.2}), refusal(connection, "K=4", facts={"haematocrit": 62}),
                    refusal(connection, "K=4", "haematocrit=1.2L/L"), refusal(connection, "K=4", "Hct=1.2")):
        assert "a share of the blood between 0 and 1" in message
    for panel in (read(connection, "K=4", facts={"haematocrit": "62 %"}), read(connection, "K=4", facts={"haematocrit": 0.62}),
                  read(connection, "K=4", "Hct=62%"), read(connection, "K=4", facts={"haematocrit": {"value": 62, "unit": "%"}})):
        assert panel.haematocrit == pytest.approx(0.62)


def test_a_stated_haematocrit_must_agree_with_the_measured_one(connection: sqlite3.Connection) -> None:
    assert refusal(connection, "Hct=0.45", facts={"haematocrit": 0.62}).startswith("facts.haematocrit: 0.62 contradicts")


def test_the_same_value_twice_is_one_result_and_two_values_are_a_contradiction(connection: sqlite3.Connection) -> None:
    panel = read(connection, "glucose=95mg/dL", "Glc=5.27mmol/L")
    assert values(panel) == {"glucose": ("", 5.27, "mmol/L")}
    assert any("taken once" in line for line in panel.said)
    message = refusal(connection, "K=4.1", "potassium=5.2mmol/L")
    assert "K=4.1" in message and "potassium=5.2mmol/L" in message and "two values" in message
    assert "two values" in refusal(connection, "K>10", "K=10")


def test_earlier_results_are_grouped_by_time_with_the_latest_first(connection: sqlite3.Connection) -> None:
    before = [{"analyte": "K", "value": 4.1, "hours_before": 24}, {"analyte": "Na", "value": 140, "hours_before": 24.0},
              {"analyte": "K", "value": 4.3, "hours_before": 2}]
    panel = read(connection, "K=9.8", previous=before)
    assert [(earlier.hours_before, [r.value for r in earlier.results]) for earlier in panel.earlier] == [(2.0, [4.3]), (24.0, [4.1, 140.0])]


@pytest.mark.parametrize(("hours", "values_"), [((5, 5), (4.1, 4.6)), ((-5, 5), (4.1, 4.1)), ((0, 5), (4.1, 4.1))])
def test_contradictory_earlier_results_are_refused_by_their_field(connection: sqlite3.Connection, hours: tuple[float, float],
                                                                 values_: tuple[float, float]) -> None:
    before = [{"analyte": "K", "value": v, "hours_before": h} for h, v in zip(hours, values_, strict=True)]
    assert "previous[0]" in refusal(connection, "K=9.8", previous=before)


def test_indices_stand_apart_from_the_results(connection: sqlite3.Connection) -> None:
    panel = read(connection, "K=6.9", indices={"haemolysis": {"value": 250, "unit": "mg/dL"}, "lipaemia": {"value": 20}})
    assert (panel.indices["haemolysis"].value, panel.indices["haemolysis"].unit) == (2.5, "g/L")
    assert panel.indices["lipaemia"].value == 20
    assert list(values(panel)) == ["potassium"]
    assert refusal(connection, "K=6.9", indices={"haemolysis": {"value": 250}}).startswith("indices.haemolysis")


def test_what_is_said_of_the_specimen_is_resolved(connection: sqlite3.Connection) -> None:
    panel = read(connection, "K=4", material="SER", tubes_drawn=["lavender", "lithium heparin"], infusions=["normal saline"],
                 hours_since_collection=3, temperature_cel=4, facts={"platelets": 900, "drug": "heparin"}, age_group="adult")
    assert (panel.material, panel.tubes_drawn, panel.infusions) == ("serum", ("edta-any-salt", "lithium-heparin"), ("sodium-chloride-0.9",))
    assert (panel.hours_since_collection, panel.temperature_cel, panel.age_group) == (3.0, 4.0, "adult")
    assert panel.facts == {"platelets": 900.0, "drug": "heparin"}


@pytest.mark.parametrize(("more", "field"), [
    ({"temperature_cel": 200}, "temperature_cel"), ({"hours_since_collection": -1}, "hours_since_collection"),
    ({"material": "porridge"}, "material"), ({"tubes_drawn": ["serum", "porridge"]}, "tubes_drawn[1]"), ({"infusions": ["porridge"]}, "infusions[0]"),
    ({"facts": {"platelets": -4}}, "facts.platelets"), ({"facts": {"haematocrit": "thick"}}, "facts.haematocrit")])
def test_impossible_circumstances_are_refused_by_their_field(connection: sqlite3.Connection, more: dict[str, Any], field: str) -> None:
    assert refusal(connection, "K=4", **more).startswith(f"{field}: ")


@pytest.mark.parametrize(("form", "field"), [
    ({}, "results"), ({"results": []}, "results"), ({"results": [{"analyte": "K"}]}, "value"),
    ({"results": [{"analyte": "K", "value": "4.1"}]}, "results[0].value"), ({"results": [{"analyte": "K", "value": 4, "extra": 1}]}, "extra"),
    ({"results": [{"analyte": "K", "value": 4, "comparator": "~"}]}, "comparator"), ({"results": [{"analyte": "K", "value": 4}], "age_group": "teen"}, "age_group")])
def test_a_form_that_does_not_fit_its_schema_is_refused_by_field(form: dict[str, Any], field: str) -> None:
    with pytest.raises(FormError) as caught:
        check_form(form, "explain-input", "panel.json")
    assert field in str(caught.value)


@pytest.mark.parametrize(("word", "result"), [
    ("K=9.8", ("K", "", 9.8, "")), ("Ca = 1.1 mmol/L", ("Ca", "", 1.1, "mmol/L")), ("ALP<5U/L", ("ALP", "<", 5, "U/L")),
    ("K>=10", ("K", ">", 10, "")), ("total protein=62", ("total protein", "", 62, "")), ("potassium 9.8 mmol/L", ("potassium", "", 9.8, "mmol/L")),
    ("free T4 15 pmol/L", ("free T4", "", 15, "pmol/L")), ("RBC=4.5e12/L", ("RBC", "", 4.5, "e12/L")), ("17-OHP=5nmol/L", ("17-OHP", "", 5, "nmol/L")),
    ("plt = 250 x10^9/L", ("plt", "", 250, "x10^9/L")), ("WBC=8.210*9/L", ("WBC", "", 8.2, "10*9/L")), ("plt=240 10^9/L", ("plt", "", 240, "10^9/L")), ("BE=-3", ("BE", "", -3, "")), ("Hct=62 %", ("Hct", "", 62, "%"))])
def test_words_of_a_command_line_are_taken_apart(word: str, result: tuple[str, str, float, str]) -> None:
    found = form_from_words([word])["results"][0]
    assert (found["analyte"], found["comparator"], found["value"], found["unit"]) == result


@pytest.mark.parametrize("word", ["K", "K=", "=4", "9.8", "K=4,5", "K=1,200", "K=nan", "K=haemolysed", "K=4.5.6", ""])
def test_a_word_that_is_no_result_is_repeated_with_what_would_be_right(word: str) -> None:
    with pytest.raises(FormError) as caught:
        form_from_words([word])
    assert word in str(caught.value) and ("NAME=VALUE" in str(caught.value) or "with a point" in str(caught.value))


CSV = "Analyte;VALUE;unit;hours_before;remark\nK;9.8;mmol/L;;x\nNa;abc;;;\nCa;<1.1;mmol/L;;\n\nK;4.1;mmol/L;24;\nfoo;3;;;\nglucose;95;;;\nMg;-1;mmol/L;;\n"


def test_a_table_with_bad_rows_is_read_and_each_bad_row_is_listed_with_number_and_reason(connection: sqlite3.Connection) -> None:
    form, rejects = form_from_csv(CSV, "x.csv")
    panel = read_panel(connection, {**form, "unread": rejects})
    assert values(panel) == {"potassium": ("", 9.8, "mmol/L"), "calcium-total": ("<", 1.1, "mmol/L")}
    assert panel.earlier[0].results[0].value == 4.1
    assert [line.split(": ")[0] for line in panel.unread] == ["x.csv:3", "x.csv:7", "x.csv:8", "x.csv:9"]


def test_a_table_without_its_columns_or_rows_is_refused_by_name() -> None:
    for text, what in (("name,value\nK,4\n", "'analyte'"), ("analyte,value,value\nK,4,5\n", "'value'"), ("analyte,value\n", "no row"), ("analyte,value\nK,x\n", "x.csv:2")):
        with pytest.raises(FormError, match=r"x\.csv") as caught:
            form_from_csv(text, "x.csv")
        assert what in str(caught.value)


def test_a_file_is_read_by_what_is_in_it(connection: sqlite3.Connection, tmp_path: Path) -> None:
    for name, text in (("a", CSV), ("b", json.dumps({"results": [{"analyte": "K", "value": 9.8}]}))):
        (tmp_path / name).write_text(text, encoding="utf-8")
        assert values(read_panel(connection, form_from_file(connection, str(tmp_path / name))))["potassium"][1] == 9.8
    (tmp_path / "c").write_text("  ", encoding="utf-8")
    with pytest.raises(FormError, match="empty"):
        form_from_file(connection, str(tmp_path / "c"))


UNITS = {"potassium": ("mmol/L", "meq/L", "umol/L"), "calcium-total": ("mmol/L", "mg/dL", "meq/L"), "glucose": ("mmol/L", "mg/dL", "g/L"),
         "alp": ("U/L", "ukat/L", "IU/l"), "creatinine": ("umol/L", "mg/dL", "mmol/L"), "haemoglobin": ("g/L", "g/dL", "mmol/L"),
         "platelet-count": ("10*9/L", "K/uL", "/nL"), "pco2": ("kPa", "mmHg", "Pa"), "hba1c": ("mmol/mol", "%")}


@OPEN
@given(st.data())
def test_neither_order_nor_units_of_the_results_change_the_panel(connection: sqlite3.Connection, data: st.DataObject) -> None:
    from kg.explain.naming import Analyte
    from kg.explain.quantity import quantity_of
    from kg.units import convert, parse, readings

    first, second = [], []
    for analyte, units in UNITS.items():
        quantity = quantity_of(connection, Analyte(analyte, analyte))
        value = data.draw(st.floats((quantity.centre or 1) * 0.3, (quantity.centre or 1) * 2))
        unit = data.draw(st.sampled_from(units))
        meant = next(one for one in readings(unit) if convert(value, quantity.unit, one, quantity.conversions) is not None)
        first.append({"analyte": analyte, "value": value, "unit": units[0]})
        second.append({"analyte": analyte, "value": convert(value, parse(units[0]) or meant, meant, quantity.conversions), "unit": unit})
    one = values(read_panel(connection, {"results": first}))
    two = values(read_panel(connection, {"results": data.draw(st.permutations(second))}))
    assert two.keys() == one.keys()
    for analyte, (_, value, unit) in one.items():
        assert two[analyte][1] == pytest.approx(value, rel=1e-9) and two[analyte][2] == unit


@OPEN
@given(st.lists(st.text(max_size=20), min_size=1, max_size=4))
def test_any_words_at_all_give_a_panel_or_a_plain_message(connection: sqlite3.Connection, words: list[str]) -> None:
    try:
        panel = read_panel(connection, form_from_words(words))
    except TubeloreError as error:
        assert str(error)
    else:
        assert all(math.isfinite(result.value) for result in panel.results)


def test_possible_values_hold_every_reference_and_critical_limit(connection: sqlite3.Connection) -> None:
    # a limit of a reference interval is by its nature a value that a patient can have
    from kg.explain.naming import Analyte
    from kg.explain.quantity import in_unit, possible, quantity_of

    possible_rows = {row["analyte"] for row in table("possible_values")}
    checked = 0
    for row in table("reference_limits"):
        if row["analyte"] in possible_rows:
            quantity = quantity_of(connection, Analyte(row["analyte"], row["analyte"]))
            for end in filter(None, (row["low"], row["high"])):
                choices = in_unit(quantity, float(end), row["unit"])
                assert choices and possible(quantity, choices[0].value), row["id"]
                checked += 1
    assert checked > 200
