"""What an explained panel says: verdicts, what may be reported, what is taken into account, what comes next.

All values are invented unless a source is named. Which cause each panel is given is in ``test_explain_cases.py``.
"""

from __future__ import annotations

import itertools
import re
import sqlite3
import warnings
from typing import Any

import pytest
from jsonschema import Draft7Validator

from kg.explain.explain import explain
from kg.explain.reading import form_from_words
from kg.forms import schema_of
from tests.explained import ORDINARY, ask, cause, earlier, faults, ids, kinds, rank, share, told
from tests.on_paper import by_id, listed, table

EDTA = ("Na=139 K=8.2 Cl=102 HCO3=24 urea=5.2 creatinine=78umol/L glucose=5.4mmol/L Ca=0.9mmol/L Mg=0.55mmol/L ALP=30 albumin=40 zinc=3umol/L "
        "iron=11umol/L LD=190 ALT=24 PO4=1.1mmol/L")
FAINT_EDTA = "K=7.0 Ca=1.7mmol/L Na=139 creatinine=80umol/L"
SALINE = "Na=143 K=3.0 Cl=119 HCO3=17 urea=3.8 creatinine=55umol/L glucose=3.9mmol/L Ca=1.62mmol/L albumin=28 total-protein=49g/L ALP=56 ALT=17"
FAINT_SALINE = "Na=141 K=3.7 Cl=109 Ca=2.0mmol/L albumin=34 creatinine=70umol/L"
WAITED = "K=4.6 glucose=2.0mmol/L Na=139 PO4=1.3mmol/L LD=220"
HAEMOLYSED = "Na=139 K=6.3 urea=5 creatinine=78umol/L Ca=2.28mmol/L AST=62 ALT=26 LD=900 haemolysis=4g/L"
BOTH = "Na=139 K=9.6 Cl=102 HCO3=24 urea=5.2 creatinine=78umol/L Ca=1.2mmol/L Mg=0.75mmol/L ALP=35 AST=70 ALT=27 LD=1000 haemolysis=4.5g/L zinc=4umol/L"
KETOACIDOSIS = "Na=129 K=5.7 Cl=92 HCO3=7 glucose=34mmol/L urea=11 creatinine=130umol/L Ca=2.35mmol/L albumin=43"
PANELS = {"EDTA": EDTA, "saline": SALINE, "waited": WAITED, "haemolysed": HAEMOLYSED, "both": BOTH, "ketoacidosis": KETOACIDOSIS, "ordinary": ORDINARY,
     "one": "K=6.0"}


@pytest.fixture(params=PANELS.values(), ids=PANELS)
def panel(request: pytest.FixtureRequest) -> str:
    found: str = request.param
    return found


def test_the_schemas_are_schemas_and_describe_every_field_of_the_data() -> None:
    schema = schema_of("explain-output")
    Draft7Validator.check_schema(schema)
    for name, part in {**schema["properties"], **schema["definitions"]["cause"]["properties"], **schema["definitions"]["severity"]["properties"],
                       **schema["definitions"]["predicted"]["properties"], **schema["definitions"]["check"]["properties"]}.items():
        assert part.get("description") or name in ("id", "analyte", "versions"), name


def test_an_ordinary_panel_is_nothing_unusual(connection: sqlite3.Connection) -> None:
    answer = ask(connection, ORDINARY)
    assert (answer.verdict, ids(answer)[0]) == ("nothing-unusual", "nothing-unusual")
    first = answer.data["causes"][0]
    assert (first["kind"], first["severity"], first["not_reportable"], answer.data["phone"]) == ("none", None, [], "")


def test_one_result_tells_nothing_for_certain(connection: sqlite3.Connection) -> None:
    answer = ask(connection, "K=6.0")
    assert answer.verdict == "cannot-tell" and answer.headline.startswith("Cannot tell")
    assert max(found["probability"] for found in answer.data["causes"]) < 0.5


def test_results_that_no_population_is_known_for_give_no_answer_and_say_so(connection: sqlite3.Connection) -> None:
    answer = explain(connection, form_from_words(["hcg=5"]))
    assert answer.verdict == "cannot-tell" and answer.data["causes"] == [] and answer.cautions
    assert answer.unknowns[0].startswith("hcg=5: ")
    assert faults(answer) == []


def test_edta_and_haemolysis_together_explain_better_than_either(connection: sqlite3.Connection) -> None:
    answer = ask(connection, BOTH)
    first = told(answer)["causes"][0]
    assert first["id"] == "k2-edta-carryover+haemolysis-in-vitro" and answer.verdict == "explained"
    assert [severity["unit"] for severity in first["severities"]] == ["1", "g/L"] and first["severity"] == first["severities"][0]
    assert first["severities"][1]["low"] <= 4.5 <= first["severities"][1]["high"]
    assert {"potassium", "calcium-total", "alp", "ld", "ast"} <= set(first["not_reportable"])


def test_one_cause_that_explains_all_is_not_joined_by_another(connection: sqlite3.Connection) -> None:
    assert "+" not in ids(ask(connection, SALINE))[0]


def test_results_beyond_what_can_be_measured_count_as_bounds(connection: sqlite3.Connection) -> None:
    words = "K>10 Ca<0.5mmol/L Na=139 ALP<10 creatinine=80umol/L"
    answer = ask(connection, words)
    assert rank(answer, "k2-edta-carryover", "k3-edta-carryover") == 1
    assert {one["analyte"]: one["comparator"] for one in answer.data["causes"][0]["predicted"]} == {
        "potassium": ">", "calcium-total": "<", "sodium": "", "alp": "<", "creatinine": ""}


def test_a_panel_of_bounds_alone_is_weighed(connection: sqlite3.Connection) -> None:
    assert rank(ask(connection, "K>10 Ca<0.5mmol/L"), "k2-edta-carryover", "k3-edta-carryover") == 1


def test_wrong_blood_is_considered_only_beside_earlier_results(connection: sqlite3.Connection) -> None:
    words = "creatinine=62umol/L urea=4.1 ALT=88 GGT=160 MCV=104"
    before = earlier(48, "creatinine=145umol/L urea=11.5 ALT=15 GGT=18 MCV=82")
    assert rank(ask(connection, words), "wrong-blood-in-tube") == 99
    assert rank(ask(connection, words, previous=before), "wrong-blood-in-tube") == 1


def test_the_high_creatinine_of_a_stable_kidney_patient_is_not_unusual(connection: sqlite3.Connection) -> None:
    words = "creatinine=415umol/L K=4.9 Na=139 urea=20"
    before = earlier(48, "creatinine=405umol/L urea=20.5 K=4.8") + earlier(700, "creatinine=410umol/L")
    alone, beside = ask(connection, words), ask(connection, words, previous=before)
    kidneys = ("chronic-kidney-disease", "acute-kidney-injury")
    assert rank(alone, *kidneys) == 1 and share(alone, *kidneys) > 0.8
    assert beside.verdict == "nothing-unusual" and share(beside, *kidneys) < 0.1


def test_a_sudden_rise_over_an_earlier_result_is_unusual(connection: sqlite3.Connection) -> None:
    before = earlier(24, "creatinine=80umol/L urea=5 K=4.2")
    answer = ask(connection, "creatinine=415umol/L K=4.9 Na=139 urea=20", previous=before)
    assert answer.verdict != "nothing-unusual" and rank(answer, "acute-kidney-injury", "chronic-kidney-disease") == 1


def test_the_tubes_drawn_speak_for_and_against_carry_over(connection: sqlite3.Connection) -> None:
    edta = ("k2-edta-carryover", "k3-edta-carryover")
    unstated, drawn, other = (share(ask(connection, FAINT_EDTA, **more), *edta) for more in (
        {}, {"tubes_drawn": ["k2-edta", "no-additive-serum"]}, {"tubes_drawn": ["lithium-heparin", "no-additive-serum"]}))
    assert drawn > unstated + 0.1 and other < unstated - 0.1


def test_what_was_drawn_is_told_among_what_is_taken_into_account(connection: sqlite3.Connection) -> None:
    answer = ask(connection, FAINT_EDTA, tubes_drawn=["k2-edta", "no-additive-serum"])
    section = next(section for section in answer.sections if section.title == "Taken into account")
    assert any("K2EDTA tube is held more likely" in item.text for item in section.items)


def test_the_infusions_running_speak_for_and_against_a_fluid(connection: sqlite3.Connection) -> None:
    unstated, running, other = (share(ask(connection, FAINT_SALINE, **more), "iv-saline") for more in (
        {}, {"infusions": ["sodium-chloride-0.9"]}, {"infusions": ["dextrose-5"]}))
    assert running > unstated + 0.1 and other < unstated - 0.1


def test_a_specimen_spun_within_the_hour_did_not_wait_on_its_cells(connection: sqlite3.Connection) -> None:
    waits = ("delayed-separation", "refrigerated-whole-blood")
    assert rank(ask(connection, WAITED), *waits) == 1
    assert rank(ask(connection, WAITED, hours_since_collection=1), *waits) == 99


@pytest.mark.parametrize("hours", [2.1, 3, 5.3, 6, 10])
def test_a_specimen_did_not_wait_longer_than_it_is_old(connection: sqlite3.Connection, hours: float) -> None:
    """Severities are told in steps of 6 %, which an end of the interval may be off by half."""
    severity = cause(ask(connection, "glucose=1.5mmol/L lactate=9mmol/L K=4.6 Na=139", hours_since_collection=hours), "delayed-separation")["severity"]
    assert severity["high"] <= hours * 1.03 and severity["unit"] == "h"


@pytest.mark.parametrize("hours", [0.5, 2.1, 3, 12])
def test_a_short_wait_disturbs_no_other_explanation(connection: sqlite3.Connection, hours: float) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        assert ids(ask(connection, BOTH, hours_since_collection=hours))[0] == ids(ask(connection, BOTH))[0]


def test_the_temperature_decides_between_room_and_refrigerator(connection: sqlite3.Connection) -> None:
    room, cold = (ask(connection, WAITED, hours_since_collection=24, temperature_cel=degrees) for degrees in (22, 4))
    assert rank(room, "refrigerated-whole-blood") == 99 and rank(room, "delayed-separation") == 1
    assert rank(cold, "delayed-separation") == 99


def test_stating_a_long_time_in_the_cold_speaks_for_cold_blood(connection: sqlite3.Connection) -> None:
    words = "Na=137 K=8.0 Cl=101 urea=5 creatinine=78umol/L glucose=5.0mmol/L PO4=1.2mmol/L LD=190 haemolysis=0.05g/L"
    assert share(ask(connection, words, hours_since_collection=48, temperature_cel=4), "refrigerated-whole-blood") > share(ask(connection, words),
         "refrigerated-whole-blood")


def test_the_share_of_a_dry_additive_is_reckoned_at_the_haematocrit_of_the_specimen(connection: sqlite3.Connection) -> None:
    """By hand: the plasma of the other tube holds dose / (1 - H), so the share for one rise goes with 1 - H. own-arithmetic."""
    words = "K=7.0 Ca=1.2mmol/L Na=139 creatinine=80umol/L"
    usual, anaemic, dense = (cause(ask(connection, words, **more), "k2-edta-carryover")["severity"]["value"] for more in (
        {}, {"facts": {"haematocrit": 0.30}}, {"facts": {"haematocrit": 0.60}}))
    assert anaemic / usual == pytest.approx(0.70 / 0.55, rel=1e-4) and dense / usual == pytest.approx(0.40 / 0.55, rel=1e-4)


def test_results_of_urine_are_not_laid_beside_those_of_blood(connection: sqlite3.Connection) -> None:
    """The population is of blood; 60 mmol/L of sodium is usual in urine. common practice."""
    answer = ask(connection, "Na=60mmol/L K=40mmol/L", material="urine")
    assert answer.verdict == "cannot-tell" and ids(answer) == []


def test_an_index_counts_the_same_as_a_result(connection: sqlite3.Connection) -> None:
    words, _, _ = HAEMOLYSED.partition(" haemolysis")
    assert told(ask(connection, words, indices={"haemolysis": {"value": 4, "unit": "g/L"}})) == told(ask(connection, HAEMOLYSED))


def test_an_unknown_analyte_is_reported_and_changes_nothing(connection: sqlite3.Connection) -> None:
    plain, more = ask(connection, EDTA), ask(connection, f"{EDTA} unobtainium=3 electrolytes=5")
    assert told(more) == told(plain)
    assert [line.split(":")[0] for line in more.unknowns if line not in plain.unknowns] == ["unobtainium=3", "electrolytes=5"]


@pytest.mark.parametrize(("analyte", "parts"), [(row["analyte"], listed(row["parts"])) for row in table("calculated_results") if row["analyte"] == "anion-gap"])
def test_a_result_worked_out_from_others_says_nothing_new_and_that_is_said(connection: sqlite3.Connection, analyte: str, parts: list[str]) -> None:
    plain, more = ask(connection, SALINE), ask(connection, f"{SALINE} anion-gap=7")
    assert told(more) == told(plain)
    assert any(line.startswith("anion-gap=7: it is worked out") for line in more.unknowns)


def test_every_result_is_either_reportable_or_not_and_no_figure_stands_with_it(connection: sqlite3.Connection, panel: str) -> None:
    answer = ask(connection, panel)
    for found in answer.data["causes"]:
        analytes = [one["analyte"] for one in found["predicted"]]
        assert sorted([*found["reportable"], *found["not_reportable"]]) == sorted(analytes), found["id"]
    labels = {row["label"] for row in by_id("analytes").values()}
    for section in answer.sections:
        if "eportable" in section.title or section.title.startswith(("Hold", "May be")):
            assert all(item.text in labels or not re.search(r"\d", item.text) for item in section.items), section.title


def test_what_is_expected_is_called_no_result_and_cautions_stand_with_every_answer(connection: sqlite3.Connection, panel: str) -> None:
    answer = ask(connection, panel)
    assert any("no corrected result" in caution for caution in answer.cautions)
    expected = next(section for section in answer.sections if section.title.startswith("Observed"))
    assert expected.note == "What is expected is no result."
    text = " ".join(answer.to_text().split())
    assert all(caution in text for caution in answer.cautions)
    figures = {f"{one[end]:.3g}" for found in answer.data["causes"] for one in found["predicted"] for end in ("expected", "low",
         "high") if one[end] != one["observed"]}
    assert not figures & set(re.findall(r"\d+\.\d+", answer.data["phone"]))


def test_disease_is_always_among_the_candidates(connection: sqlite3.Connection, panel: str) -> None:
    kind = kinds()
    assert any(kind[part] == "in-vivo" for name in ids(ask(connection, panel)) for part in name.split("+"))


def test_causes_stand_in_the_order_of_their_probability(connection: sqlite3.Connection, panel: str) -> None:
    shares = [found["probability"] for found in ask(connection, panel).data["causes"]]
    assert shares == sorted(shares, reverse=True) and shares[0] > 0


def test_a_severity_lies_in_its_interval_and_its_meaning_gives_the_figure(connection: sqlite3.Connection, panel: str) -> None:
    for found in told(ask(connection, panel))["causes"]:
        for severity in filter(None, [found["severity"], *found.get("severities", [])]):
            assert severity["low"] <= severity["value"] <= severity["high"]
            assert re.search(r"\d", severity["meaning"])
        assert (found["severity"] is None) == (found["kind"] == "none")


def test_a_prediction_lies_in_its_interval(connection: sqlite3.Connection, panel: str) -> None:
    for found in told(ask(connection, panel))["causes"]:
        assert all(one["low"] <= one["expected"] <= one["high"] for one in found["predicted"]), found["id"]


@pytest.mark.parametrize("name", ["EDTA", "saline", "waited", "haemolysed", "ketoacidosis"])
def test_the_leading_cause_has_reasons_and_each_reason_a_cited_source(connection: sqlite3.Connection, name: str) -> None:
    answer = ask(connection, PANELS[name])
    reasons = told(answer)["causes"][0]["because"]
    cited = {citation.id for citation in answer.citations}
    assert [reason["text"] for reason in reasons] == [link.text for link in answer.because] and reasons
    assert all(reason["sources"] or reason["rule"] for reason in reasons)
    assert all(set(reason["sources"]) <= cited for reason in reasons)
    assert all(set(item.sources) <= cited for section in answer.sections for item in section.items)


NAMED_WITH_EDTA = ["potassium", "calcium-total", "magnesium-total", "alp", "zinc"]


@pytest.mark.parametrize("analyte", NAMED_WITH_EDTA)
def test_what_edta_spoils_is_not_reportable(connection: sqlite3.Connection, analyte: str) -> None:
    """davidson-2002 and chadwick-2018 name these five."""
    first = ask(connection, EDTA).data["causes"][0]
    assert first["id"] == "k2-edta-carryover" and analyte in first["not_reportable"]


def test_nothing_stays_reportable_when_saline_thins_all(connection: sqlite3.Connection) -> None:
    """common practice: a specimen with infusion fluid in it is drawn again."""
    first = ask(connection, SALINE).data["causes"][0]
    assert first["id"] == "iv-saline" and first["reportable"] == []


def test_haemolysis_leaves_reportable_what_broken_cells_do_not_move(connection: sqlite3.Connection) -> None:
    """koseoglu-2011, sonntag-1986: potassium, LD and AST are moved first; creatinine and urea are not."""
    first = ask(connection, HAEMOLYSED).data["causes"][0]
    assert {"potassium", "ld", "ast"} <= set(first["not_reportable"]) and {"creatinine", "urea"} <= set(first["reportable"])


def test_under_disease_all_results_are_the_patients_own(connection: sqlite3.Connection) -> None:
    first = ask(connection, KETOACIDOSIS).data["causes"][0]
    assert first["kind"] == "in-vivo" and first["not_reportable"] == []


def test_the_call_names_what_is_held_and_asks_for_a_fresh_specimen(connection: sqlite3.Connection) -> None:
    phone = ask(connection, EDTA).data["phone"]
    assert "potassium" in phone and "total calcium" in phone and "fresh specimen" in phone


def test_checks_ask_for_nothing_that_is_known_and_the_most_telling_stands_first(connection: sqlite3.Connection, panel: str) -> None:
    answer = ask(connection, panel)
    there = {one["analyte"] for found in answer.data["causes"] for one in found["predicted"]}
    checks = answer.data["next_checks"]
    if checks:
        assert checks[0]["gain_bits"] == checks[0]["adds_bits"] == max(check["gain_bits"] for check in checks)
    # what each adds falls; 0.01 bit is what an even choice of the courses before it may be off by
    assert all(later["adds_bits"] <= earlier["adds_bits"] + 0.01 for earlier, later in itertools.pairwise(checks))
    assert all(0 < check["adds_bits"] <= check["gain_bits"] + 0.01 for check in checks)
    assert not there & {check["analyte"] for check in answer.data["next_checks"]}


@pytest.mark.parametrize("material", ["serum", "lithium-heparin-plasma"])
def test_only_what_the_specimen_allows_is_to_be_measured_in_it(connection: sqlite3.Connection, material: str) -> None:
    checks = told(ask(connection, FAINT_EDTA, material=material))["next_checks"]
    for analyte in filter(None, (check["analyte"] for check in checks)):
        found = connection.execute("SELECT 1 FROM suitability s JOIN closure x ON x.broader = s.material WHERE s.analyte = ? AND x.narrower = ? "
                                   "AND s.usability <> 'unsuitable'", (analyte, material)).fetchone()
        assert found, analyte
    assert {check["analyte"] for check in checks}.isdisjoint({"platelet-count", "haemoglobin", "aptt"})


def test_measuring_what_is_told_first_moves_the_answer(connection: sqlite3.Connection) -> None:
    """Of K2EDTA and tumour lysis, ionised calcium near zero speaks for EDTA. Chemistry of chelation."""
    before, after = ask(connection, FAINT_EDTA), ask(connection, f"{FAINT_EDTA} calcium-ionised=0.3mmol/L ALP=60 Mg=0.6mmol/L")
    assert share(before, "tumour-lysis") > 0.01
    assert share(after, "tumour-lysis") < share(before, "tumour-lysis") / 2


@pytest.mark.parametrize("more", [{"material": "serum"}, {"age_group": "adult"}, {}])
def test_the_same_question_has_the_same_answer(connection: sqlite3.Connection, more: dict[str, Any]) -> None:
    assert told(ask(connection, EDTA, **more)) == told(ask(connection, EDTA, **more))


def test_a_stated_haematocrit_bears_on_too_much_citrate(connection: sqlite3.Connection) -> None:
    # fritsma-siniard-citrate: the citrate is adjusted above a haematocrit of 55 %
    words, shares = "aPTT=38 PT=13.5 fibrinogen=2.7g/L", {}
    for haematocrit in (0.40, 0.55, 0.62):
        answer = ask(connection, words, facts={"haematocrit": haematocrit}, material="citrate-plasma")
        shares[haematocrit] = next((one["probability"] for one in answer.data["causes"] if one["id"] == "high-haematocrit-citrate"), 0.0)
        told = [item.text for section in answer.sections if section.title == "Taken into account" for item in section.items]
        assert any(f"the haematocrit is {haematocrit:g}" in text for text in told)
    assert shares[0.62] > 0.3 > 0.02 > shares[0.55] == pytest.approx(shares[0.40], abs=1e-3)
