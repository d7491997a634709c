"""What an explanation rests on: every prior, expected figure and usual figure names its row, and the row's source and basis.

The rows are read from the CSV tables on paper, not from the database. Panels are invented.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest

from kg.answer import Answer
from tests.explained import ask, cause, earlier, told
from tests.on_paper import FACTS, table

EDTA = "Na=139 K=8.2 Cl=102 HCO3=24 creatinine=78umol/L Ca=0.9mmol/L Mg=0.55mmol/L ALP=30 albumin=40 zinc=3umol/L LD=190 ALT=24"
BOTH = "Na=139 K=9.6 Cl=102 HCO3=24 urea=5.2 creatinine=78umol/L Ca=1.2mmol/L Mg=0.75mmol/L ALP=35 AST=70 ALT=27 LD=1000 haemolysis=4.5g/L zinc=4umol/L"
PANELS = {"EDTA": EDTA, "both": BOTH, "saline": "Na=143 K=3.0 Cl=119 HCO3=17 urea=3.8 Ca=1.62mmol/L albumin=28 total-protein=49g/L ALP=56 ALT=17",
          "waited": "K=4.6 glucose=2.0mmol/L Na=139 PO4=1.3mmol/L LD=220", "haemolysed": "Na=139 K=6.3 Ca=2.28mmol/L AST=62 ALT=26 LD=900 haemolysis=4g/L",
          "ketoacidosis": "Na=129 K=5.7 Cl=92 HCO3=7 glucose=34mmol/L urea=11 creatinine=130umol/L Ca=2.35mmol/L albumin=43", "one": "K=6.0",
          "citrate": "Na=150 K=3.4 Ca=1.5mmol/L calcium-ionised=0.4mmol/L APTT=60"}
KINDS = {"chemistry": {"model_parameters", "cell_contents", "fluid_composition"}, "equilibrium": {"equilibrium_constants"}, "pattern": {"cause_shifts"}}
FAINT_EDTA = "K=7.0 Ca=1.7mmol/L Na=139 creatinine=80umol/L"
FAINT_SALINE = "Na=141 K=3.7 Cl=109 Ca=2.0mmol/L albumin=34 creatinine=70umol/L"


@pytest.fixture(params=PANELS.values(), ids=PANELS)
def answer(request: pytest.FixtureRequest, connection: sqlite3.Connection) -> Answer:
    return ask(connection, request.param)


@cache
def on_paper() -> dict[str, tuple[str, dict[str, str]]]:
    """Return every row of every fact table by its id, with the name of the table."""
    return {row["id"]: (path.stem, row) for path in FACTS.glob("*.csv") for row in table(path.stem) if row.get("id")}


def priors_of(found: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the prior of each cause of an explanation, in the order of their ids."""
    priors: list[dict[str, Any]] = found.get("priors", [found["prior"]])
    assert priors[0] == found["prior"] and len(priors) == len(found["id"].split("+"))
    return priors


def cited_rows(answer: Answer) -> Iterator[tuple[str, str, str]]:
    """Return row, source and basis of everything that names one row in the data of an answer."""
    for found in told(answer)["causes"]:
        named = [*priors_of(found), *(one["usual_from"] for one in found["predicted"])]
        named += [fact for prior in priors_of(found) for fact in prior["adjusted_by"]]
        yield from ((one["row"], one["source"], one["basis"]) for one in named)


def grounds(answer: Answer) -> Iterator[tuple[str, dict[str, Any]]]:
    """Return analyte and ground of every effect that an answer names."""
    for found in told(answer)["causes"]:
        yield from ((one["analyte"], ground) for one in found["predicted"] for ground in one["from"])


def lines(answer: Answer, title: str) -> list[str]:
    return [item.text for section in answer.sections if section.title.startswith(title) for item in section.items]


# Priors

def test_the_prior_of_each_cause_is_the_number_of_its_row(answer: Answer) -> None:
    stated = {row["cause"]: row for row in table("candidate_causes")}
    assert answer.data["causes"]
    for found in told(answer)["causes"]:
        for name, prior in zip(found["id"].split("+"), priors_of(found), strict=True):
            assert (prior["row"], prior["per_1000"]) == (stated[name]["id"], float(stated[name]["prior"]))


def test_each_cause_is_told_with_its_prior_row_and_basis_and_cites_the_source(answer: Answer) -> None:
    rows = {found["id"]: priors_of(found) for found in told(answer)["causes"]}
    items = next(section for section in answer.sections if section.title.startswith("What may explain")).items
    for item in items:
        for prior in rows[item.data["id"]]:
            assert f"{prior['per_1000']:g} of 1,000 odd panels" in item.text
            assert f"({prior['row']}, {prior['basis']})" in item.text
            assert prior["source"] in item.sources


def test_where_nothing_bears_on_them_priors_keep_their_proportions(connection: sqlite3.Connection) -> None:
    causes = [found for found in told(ask(connection, PANELS["ketoacidosis"]))["causes"] if not found["prior"]["adjusted_by"]]
    ratios = [found["prior"]["share"] / found["prior"]["per_1000"] for found in causes]
    assert len(ratios) >= 3 and ratios == pytest.approx([ratios[0]] * len(ratios), rel=1e-4)


def test_the_tubes_drawn_change_the_share_by_the_stated_odds_and_say_so(connection: sqlite3.Connection) -> None:
    """By hand: odds times the factor of the row, beside a cause on which the tubes do not bear. own-arithmetic."""
    factors = {row["parameter"]: row for row in table("model_parameters") if row["model"] == "explanation"}
    plain = ask(connection, FAINT_EDTA)
    for tubes, name in ((["k2-edta"], "odds-additive-drawn"), (["lithium-heparin"], "odds-additive-not-drawn")):
        adjusted = ask(connection, FAINT_EDTA, tubes_drawn=tubes)
        before, after = (cause(one, "k2-edta-carryover")["prior"] for one in (plain, adjusted))
        beside = [cause(one, "haemolysis-in-vitro")["prior"]["share"] for one in (plain, adjusted)]
        assert after["share"] / before["share"] == pytest.approx(float(factors[name]["value"]) * beside[1] / beside[0], rel=1e-4)
        assert before["adjusted_by"] == [] and before["per_1000"] == after["per_1000"]
        assert [fact["row"] for fact in after["adjusted_by"]] == [factors[name]["id"]]
        text = next(line for line in lines(adjusted, "What may explain") if "K2EDTA" in line)
        assert f"held at {100 * after['share']:.2g} % beforehand" in text
        assert not any("K2EDTA" in line and "beforehand" in line for line in lines(plain, "What may explain"))


def test_what_is_taken_into_account_cites_the_row_that_says_how_much(connection: sqlite3.Connection) -> None:
    answer = ask(connection, FAINT_EDTA, tubes_drawn=["k2-edta"], hours_since_collection=30, previous=earlier(24, "K=4.2 Ca=2.3mmol/L"))
    items = [item for section in answer.sections if section.title == "Taken into account" for item in section.items]
    held = [item for item in items if " is held " in item.text or " are held " in item.text]
    assert len(held) >= 4
    for item in held:
        assert item.data["rows"] and {on_paper()[row][0] for row in item.data["rows"]} == {"model_parameters"}
        assert {on_paper()[row][1]["source"] for row in item.data["rows"]} == set(item.sources)


def test_a_fluid_that_was_not_running_is_held_less_likely_and_that_is_said(connection: sqlite3.Connection) -> None:
    plain, other = (ask(connection, FAINT_SALINE, **more) for more in ({}, {"infusions": ["dextrose-5"]}))
    shares = [cause(one, "iv-saline")["prior"]["share"] for one in (plain, other)]
    assert shares[1] < shares[0] / 2 and cause(other, "iv-saline")["prior"]["adjusted_by"]
    assert "Other infusion fluids are held less likely: they were not running." in lines(other, "Taken into account")


# Where expected figures come from

def test_every_row_is_in_its_table_with_that_source_and_basis(answer: Answer) -> None:
    found = list(cited_rows(answer))
    assert found
    for row, source, basis in found:
        assert (on_paper()[row][1]["source"], on_paper()[row][1]["basis"]) == (source, basis), row


def test_every_ground_has_the_sources_and_the_bases_of_its_rows_and_no_others(answer: Answer) -> None:
    for analyte, ground in grounds(answer):
        stated = {(row["source"], row["basis"]) for _, row in (on_paper()[fact] for fact in ground["rows"] if fact in on_paper())}
        assert {(one["id"], one["basis"]) for one in ground["sources"]} == stated, (analyte, ground["cause"])


def test_grounds_rest_on_the_tables_of_their_kind(answer: Answer) -> None:
    models = {row["cause"]: row["model"] for row in table("candidate_causes")}
    for analyte, ground in grounds(answer):
        assert ground["model"] == (models[ground["cause"]] if ground["kind"] in ("chemistry", "equilibrium") else None)
        if ground["kind"] in KINDS:
            assert {on_paper()[fact][0] for fact in ground["rows"]} <= KINDS[ground["kind"]], (analyte, ground)


def test_the_pattern_of_a_result_is_the_row_of_that_cause_and_analyte(connection: sqlite3.Connection) -> None:
    answer = ask(connection, PANELS["ketoacidosis"])
    paper = {(row["cause"], row["analyte"]): row["id"] for row in table("cause_shifts")}
    first = told(answer)["causes"][0]
    assert first["id"] == "diabetic-ketoacidosis"
    for one in first["predicted"]:
        row = paper.get(("diabetic-ketoacidosis", one["analyte"]))
        assert [ground["rows"] for ground in one["from"]] == ([[row]] if row else []), one["analyte"]
        assert row is None or f"({row})" in lines(answer, "Observed")[-1]


def test_what_no_cause_is_known_to_move_is_expected_as_usual(answer: Answer) -> None:
    for found in told(answer)["causes"]:
        for one in found["predicted"]:
            assert one["from"] or one["expected"] == pytest.approx(one["usual"], rel=1e-5), (found["id"], one["analyte"])


def test_what_a_computation_takes_is_named_for_each_result(connection: sqlite3.Connection) -> None:
    """By hand from kinetics.py and haemolysis.py: the leak of LD needs no figure of the leak of potassium; potassium of broken cells is cc-0001, frank-1978."""
    waited, broken, edta = (told(ask(connection, PANELS[name]))["causes"][0] for name in ("waited", "haemolysed", "EDTA"))
    by_analyte = [{one["analyte"]: {fact for ground in one["from"] for fact in ground["rows"]} for one in first["predicted"]} for first in (waited, broken, edta)]
    figures = {row["id"]: row["model"] for row in table("model_parameters")}
    models = {name: {figures[row] for row in rows if row in figures} for name, rows in by_analyte[0].items()}
    assert "ld-leak" in models["ld"] and "potassium-leak" not in models["ld"] and "potassium-leak" in models["potassium"]
    assert "cc-0001" in by_analyte[1]["potassium"] and on_paper()["cc-0001"][1]["source"] == "frank-1978"
    tube = {row["id"] for row in table("model_parameters") if row["model"] == "tube" and row["condition"] == "k2-edta" and row["parameter"] == "blood-concentration"}
    assert tube <= by_analyte[2]["potassium"]
    reactions = {row["id"]: row["reaction"] for row in table("equilibrium_constants")}
    solved = [reactions[row] for row in by_analyte[2]["calcium-total"] if row in reactions]
    assert "calcium-ion + edta-4minus" in solved and not any("zinc" in reaction for reaction in solved)


def test_two_causes_together_have_the_grounds_of_both(connection: sqlite3.Connection) -> None:
    first = told(ask(connection, BOTH))["causes"][0]
    assert first["id"] == "k2-edta-carryover+haemolysis-in-vitro" and len(priors_of(first)) == 2
    potassium = next(one for one in first["predicted"] if one["analyte"] == "potassium")
    assert [ground["cause"] for ground in potassium["from"]] == ["k2-edta-carryover", "haemolysis-in-vitro"]


def test_each_expected_line_cites_what_its_row_of_the_data_names(answer: Answer) -> None:
    section = next(section for section in answer.sections if section.title.startswith("Observed"))
    by_analyte = {one["analyte"]: one for one in told(answer)["causes"][0]["predicted"]}
    for item in section.items:
        if item.data:
            one = by_analyte[item.data["analyte"]]
            named = {source["id"] for ground in one["from"] if ground["kind"] != "equilibrium" for source in ground["sources"]}
            assert set(item.sources) == named | {one["usual_from"]["source"]}


# Usual figures and citations

def test_usual_figures_come_from_the_row_of_the_analyte(answer: Answer) -> None:
    paper = {row["analyte"]: row for row in table("population")}
    for found in told(answer)["causes"]:
        for one in found["predicted"]:
            assert one["usual_from"]["row"] == paper[one["analyte"]]["id"] and one["usual_from"]["earlier"] == "none"
            assert one["usual"] == pytest.approx(float(paper[one["analyte"]]["mean"]), rel=1e-5)


def test_earlier_results_behind_a_usual_figure_are_told(connection: sqlite3.Connection) -> None:
    answer = ask(connection, "creatinine=415umol/L K=4.9 Na=139", previous=earlier(48, "creatinine=405umol/L"))
    found = {one["analyte"]: one["usual_from"]["earlier"] for one in told(answer)["causes"][0]["predicted"]}
    assert found == {"creatinine": "own", "potassium": "others", "sodium": "others"}
    assert [line.split(":")[0] for line in lines(answer, "Observed") if "by earlier results" in line] == ["Creatinine"]


def test_every_source_named_is_cited_and_known_and_its_basis_is_never_promoted(answer: Answer, connection: sqlite3.Connection) -> None:
    rank = {"read": 0, "abstract": 1, "practice": 2, "memory": 3}
    cited = {citation.id: citation.basis for citation in answer.citations}
    named = {(source, basis) for _, source, basis in cited_rows(answer)} | {(one["id"], one["basis"]) for _, ground in grounds(answer) for one in ground["sources"]}
    known = {row[0] for row in connection.execute("SELECT id FROM sources")}
    assert named
    for source, basis in named:
        assert source in known and rank[cited[source]] >= rank[basis], source


def test_the_facts_behind_the_responses_are_facts_and_no_response_is_without(connection: sqlite3.Connection) -> None:
    assert connection.execute("SELECT count(*) FROM cause_ground g LEFT JOIN fact f ON f.id = g.fact WHERE f.id IS NULL").fetchone()[0] == 0
    bare = connection.execute("SELECT DISTINCT r.cause, r.analyte FROM cause_response r WHERE NOT EXISTS "
                              "(SELECT 1 FROM cause_ground g WHERE g.cause = r.cause AND g.analyte = r.analyte)").fetchall()
    assert [tuple(row) for row in bare] == []
