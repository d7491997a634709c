"""FHIR R4 and R5 bundles read as a panel. The bundles of ``tests/fhir`` are written by hand about an invented patient.

Elements and codes: HL7 FHIR R4 (4.0.1) and R5 (5.0.0), resources Bundle and Observation.
"""

from __future__ import annotations

import copy
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kg.explain.fhir import form_from_fhir
from kg.explain.panel import Panel, read_panel
from kg.explain.reading import form_from_file
from kg.forms import FormError, check_form

FOLDER = Path(__file__).parent / "fhir"
R4: dict[str, Any] = json.loads((FOLDER / "r4-bundle.json").read_text(encoding="utf-8"))
R5: dict[str, Any] = json.loads((FOLDER / "r5-bundle.json").read_text(encoding="utf-8"))


def read(connection: sqlite3.Connection, resource: dict[str, Any]) -> Panel:
    form, rejects = form_from_fhir(connection, resource, "x.json")
    return read_panel(connection, check_form({**form, "unread": rejects}, "explain-input", "x.json"))


def values(panel: Panel) -> dict[str, tuple[str, float]]:
    return {result.analyte: (result.comparator, round(result.value, 3)) for result in panel.results}


def observation(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": {"coding": [{"system": "http://loinc.org", "code": "2823-3"}]},
            "valueQuantity": {"value": 4.1, "unit": "mmol/L"}, **more}


def bundle(*resources: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": resource} for resource in resources]}


@pytest.mark.parametrize("name", ["r4-bundle.json", "r5-bundle.json"])
def test_the_patient_of_the_examples_is_said_to_be_invented(name: str) -> None:
    assert "Invented patient" in (FOLDER / name).read_text(encoding="utf-8")


def test_an_r4_bundle_gives_the_newest_panel_with_units_comparators_and_material(connection: sqlite3.Connection) -> None:
    panel = read(connection, R4)
    # calcium 44 mg/L over 40.078 g/mol; urea nitrogen 140 mg/L over 28.014 g/mol
    assert values(panel) == {"potassium": ("", 9.8), "calcium-total": ("", 1.098), "alp": ("<", 5.0), "urea": ("", 4.998), "sodium": ("", 139.0)}
    assert panel.material == "serum"


def test_older_observations_of_an_r4_bundle_are_earlier_results(connection: sqlite3.Connection) -> None:
    (earlier,) = read(connection, R4).earlier
    assert (earlier.hours_before, [(r.analyte, r.value) for r in earlier.results]) == (24.0, [("potassium", 4.2)])


@pytest.mark.parametrize(("where", "reason"), [("entry[6]", "no value (Error)"), ("entry[7]", "entered-in-error"), ("entry[10]", "'99999-8'")])
def test_what_is_no_result_is_listed_with_its_place_and_reason(connection: sqlite3.Connection, where: str, reason: str) -> None:
    # a LOINC code that is not known may be of urine, so its words do not stand in for it
    assert any(line.startswith(f"{where}: ") and reason in line for line in read(connection, R4).unread)


def test_components_instants_periods_and_texts_of_an_r5_bundle_are_read(connection: sqlite3.Connection) -> None:
    panel = read(connection, R5)
    assert values(panel) == {"potassium": ("", 4.4), "sodium": ("", 140.0), "glucose": ("", 5.4), "ph": ("", 7.41), "crp": ("<", 9.0)}
    assert any("Lactate: no value (not performed)" in line for line in panel.unread)
    assert any("the comparator 'ad'" in line for line in panel.unread)
    assert any("not read: OperationOutcome" in line for line in panel.unread)


def test_a_bundle_in_a_file_is_recognised_by_its_resource_type(connection: sqlite3.Connection) -> None:
    assert values(read_panel(connection, form_from_file(connection, str(FOLDER / "r4-bundle.json"))))["potassium"] == ("", 9.8)


def test_the_order_of_the_entries_does_not_change_the_panel(connection: sqlite3.Connection) -> None:
    backward = {**R4, "entry": R4["entry"][::-1]}
    assert values(read(connection, backward)) == values(read(connection, R4))


def test_a_single_observation_is_a_panel_of_one(connection: sqlite3.Connection) -> None:
    assert values(read(connection, observation())) == {"potassium": ("", 4.1)}


def test_observations_of_two_patients_are_refused(connection: sqlite3.Connection) -> None:
    mixed = bundle(observation(subject={"reference": "Patient/a"}), observation(subject={"reference": "Patient/b"}))
    with pytest.raises(FormError, match="2 patients"):
        form_from_fhir(connection, mixed, "x.json")


def test_an_observation_without_time_among_dated_ones_is_left_out_and_said(connection: sqlite3.Connection) -> None:
    sodium = observation(code={"text": "Sodium"}, valueQuantity={"value": 139, "unit": "mmol/L"})
    panel = read(connection, bundle(observation(effectiveDateTime="2026-03-02T08:15:00Z"), sodium))
    assert list(values(panel)) == ["potassium"]
    assert any("no time" in line for line in panel.unread)
    assert sorted(values(read(connection, bundle(observation(), sodium)))) == ["potassium", "sodium"]


def test_a_repeat_minutes_later_is_the_panel_and_the_first_value_an_earlier_result(connection: sqlite3.Connection) -> None:
    first = observation(effectiveDateTime="2026-03-02T08:00:00Z", valueQuantity={"value": 6.9, "unit": "mmol/L"})
    panel = read(connection, bundle(first, observation(effectiveDateTime="2026-03-02T08:06:00Z")))
    assert values(panel) == {"potassium": ("", 4.1)}
    assert panel.earlier[0].hours_before == pytest.approx(0.1)


@pytest.mark.parametrize(("resource", "what"), [
    ({"resourceType": "Patient"}, "resourceType is 'Patient'"), ({"resourceType": "Bundle"}, "no observation"),
    ({"resourceType": "Bundle", "entry": {}}, "not a list"), (bundle(observation(status="cancelled")), "status is cancelled"),
    (bundle(observation(effectiveDateTime="2026-03")), "2026-03"), (bundle(observation(valueQuantity={"value": "4.1"})), "not a number"),
    (bundle(observation(code={})), "no code and no text")])
def test_a_bundle_without_a_usable_result_is_refused_with_its_reasons(connection: sqlite3.Connection, resource: dict[str, Any], what: str) -> None:
    with pytest.raises(FormError) as caught:
        form_from_fhir(connection, resource, "x.json")
    assert what in str(caught.value) and "x.json" in str(caught.value)


JUNK = st.recursive(st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.integers(),
                    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(
                        ["coding", "code", "system", "text", "display", "value", "unit", "comparator", "reference", "type", "end"]), inner, max_size=4),
                    max_leaves=8)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=150)
@given(st.sampled_from(["status", "code", "valueQuantity", "valueInteger", "valueString", "effectiveDateTime", "effectivePeriod", "component",
                        "specimen", "subject", "contained", "dataAbsentReason", "hasMember", "resourceType"]), JUNK)
def test_any_rubbish_in_an_element_gives_a_panel_or_a_plain_message(connection: sqlite3.Connection, element: str, rubbish: Any) -> None:
    spoilt = copy.deepcopy(R4)
    spoilt["entry"][2]["resource"][element] = rubbish
    try:
        panel = read(connection, spoilt)
    except FormError as error:
        assert "x.json" in str(error) or "entry" in str(error)
    else:
        assert panel.results
