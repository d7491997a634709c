"""What a person types is recognised: by id, label, synonym, code or colour word, with slips forgiven and never guessed at."""

from __future__ import annotations

import sqlite3

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kg import names
from kg.ask import read
from kg.wording import fold

CAUSES, MEASURED = names.CAUSES, names.MEASURED


@pytest.mark.parametrize("typed", ["potassium", "Potassium", "K", "kalium", "POTASSIUM ", "2823-3"], ids=repr)
def test_an_analyte_is_known_by_id_label_symbol_synonym_and_loinc_code(connection: sqlite3.Connection, typed: str) -> None:
    # LOINC 2823-3 is potassium [moles/volume] in serum or plasma (mapping with basis in loinc.sssom.tsv).
    assert names.resolve(connection, typed, MEASURED).id == "potassium"


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("potasium", "potassium"), ("Alkaline phosphatse", "alp"), ("prothrombine time", "pt"), ("amonia", "ammonia"), ("trombin time", "thrombin-time")],
)
def test_a_slip_of_spelling_is_forgiven_and_said(connection: sqlite3.Connection, typed: str, meant: str) -> None:
    found = names.resolve(connection, typed, MEASURED)
    assert found.id == meant
    assert "(spelling)" in found.said


@pytest.mark.parametrize("typed", ["qwertz", "xx", "teal tube"])
def test_an_unknown_name_is_refused(connection: sqlite3.Connection, typed: str) -> None:
    with pytest.raises(names.UnknownName, match="is not a known name"):
        names.resolve(connection, typed, (*MEASURED, *CAUSES))


def test_an_unknown_name_comes_with_suggestions(connection: sqlite3.Connection) -> None:
    with pytest.raises(names.UnknownName) as caught:
        names.resolve(connection, "calcium intact", MEASURED)
    assert any("alcium" in suggestion for suggestion in caught.value.suggestions)


def test_two_neighbours_in_spelling_are_not_mistaken_for_each_other(connection: sqlite3.Connection) -> None:
    # From memory: free T3 and free T4, factor V and factor X, troponin I and T differ by one sign.
    for one, other in (("free T3", "free T4"), ("factor V", "factor X"), ("troponin I", "troponin T")):
        assert names.resolve(connection, one, MEASURED).id != names.resolve(connection, other, MEASURED).id


def test_lavender_stands_for_what_all_lavender_tubes_hold(connection: sqlite3.Connection) -> None:
    # Closure colours by ISO 6710, from memory; common practice: lavender is EDTA, whichever the salt.
    found = names.resolve(connection, "lavender tube", CAUSES)
    assert found.id == "edta-any-salt"
    assert len(found.several) > 1
    assert "K2EDTA tube" in found.said


def test_a_colour_that_stands_for_different_additives_is_asked_back(connection: sqlite3.Connection) -> None:
    # Common practice: yellow closes acid citrate dextrose as well as SPS tubes.
    with pytest.raises(names.AmbiguousName) as caught:
        names.resolve(connection, "yellow", CAUSES)
    assert {"tube-acd-a", "tube-sps"} <= {choice.id for choice in caught.value.choices}


def test_a_test_of_the_catalogue_is_known_by_its_code(connection: sqlite3.Connection) -> None:
    assert names.resolve(connection, "qv-k", MEASURED, tests=True).kind == "Test"


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_every_name_in_the_index_leads_to_a_concept_that_bears_it(connection: sqlite3.Connection, data: st.DataObject) -> None:
    listed = connection.execute("SELECT n.name, n.concept, c.kind FROM name n JOIN concept c ON c.id = n.concept ORDER BY n.folded, n.concept").fetchall()
    row = data.draw(st.sampled_from(listed))
    bearers = {r["concept"] for r in connection.execute("SELECT concept FROM name WHERE folded = ?", (fold(row["name"]),))}
    try:
        found = names.resolve(connection, row["name"], (row["kind"],))
    except names.AmbiguousName as error:
        assert {choice.id for choice in error.choices} <= bearers
    else:
        assert found.id in bearers or found.several


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=60))
def test_any_text_is_read_without_failing_and_always_the_same_way(connection: sqlite3.Connection, text: str) -> None:
    assert read(connection, text) == read(connection, text)


@pytest.mark.parametrize(("text", "kinds", "says"), [
    ("lithium-heparin", ("Analyte", "AnalyteGroup"), "is an additive.*; what is asked for here is an analyte or an analyte group"),
    ("lavender", ("Analyte",), "is a container; what is asked for here is an analyte"),
    ("potassium", ("Container", "SpecimenMaterial"), "is an analyte, Potassium .*; what is asked for here is a container or a specimen material"),
])
def test_a_name_of_another_kind_is_told_as_such(connection: sqlite3.Connection, text: str, kinds: tuple[str, ...], says: str) -> None:
    with pytest.raises(names.UnknownName, match=says):
        names.resolve(connection, text, kinds)
