"""Units of results: UCUM, what people write instead, and conversion by the tables.

Factors worked by hand from molar masses of IUPAC standard atomic weights (2021) where no other source is named.
"""

from __future__ import annotations

import csv
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kg.explain.naming import Analyte
from kg.explain.quantity import Quantity, in_unit, quantity_of
from kg.units import Conversion, Unit, alike, convert, parse, readings

FACTS = Path(__file__).parent.parent / "ontology" / "facts"
AMOUNT = st.floats(1e-3, 1e4)


def unit(code: str) -> Unit:
    found = parse(code)
    assert found is not None
    return found


def read_first(text: str, like: str) -> float:
    """How many of ``like`` one of the text's unit is, by the first reading that measures the same."""
    wanted = unit(like)
    found = next(one for one in readings(text) if alike(one, wanted))
    return found.factor / wanted.factor


@pytest.mark.parametrize(("start", "end", "factor"), [
    # SI prefixes (BIPM, SI brochure, 9th edition, table 7)
    ("umol/L", "mmol/L", 1e-3), ("nmol/L", "pmol/L", 1e3), ("mg/dL", "g/L", 1e-2), ("g/dL", "g/L", 10), ("ng/mL", "ug/L", 1),
    ("10*3/uL", "10*9/L", 1), ("10*6/uL", "10*12/L", 1), ("um3", "fL", 1), ("%", "1", 0.01), ("L/L", "%", 100),
    ("mmol/mol", "1", 1e-3), ("mosm/kg", "mmol/kg", 1),
    # conventional millimetre of mercury, 133.322 Pa (UCUM)
    ("mm[Hg]", "kPa", 0.133322),
    # one unit of enzyme is one micromole a minute (Nomenclature Committee of the IUB 1979)
    ("ukat/L", "U/L", 60), ("U/L", "nkat/L", 1000 / 60), ("m[IU]/L", "u[IU]/mL", 1)])
def test_units_of_one_kind_convert_by_their_size(start: str, end: str, factor: float) -> None:
    assert convert(1.0, unit(start), unit(end)) == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(("text", "like", "factor"), [
    # usual spellings: common practice
    ("MMOL/L", "mmol/L", 1), ("µmol/l", "umol/L", 1), ("μmol/L", "umol/L", 1), ("mcg/dL", "ug/dL", 1), ("gm/dL", "g/dL", 1),
    ("g%", "g/dL", 1), ("mg%", "mg/dL", 1), ("IU/L", "U/L", 1), ("IU/L", "[IU]/L", 1), ("mU/L", "m[IU]/L", 1),
    ("µIU/mL", "m[IU]/L", 1), ("x10^9/L", "10*9/L", 1), ("×10⁹/L", "10*9/L", 1), ("10e9/L", "10*9/L", 1), ("E12/L", "10*12/L", 1),
    ("G/L", "10*9/L", 1), ("G/L", "g/L", 1), ("T/L", "10*12/L", 1), ("K/uL", "10*9/L", 1), ("thou/mm3", "10*9/L", 1),
    ("M/uL", "10*12/L", 1), ("/nL", "10*9/L", 1), ("cells/µL", "10*6/L", 1), ("mmHg", "kPa", 0.133322), ("mm Hg", "mm[Hg]", 1),
    ("sec", "s", 1), ("mOsm/kg", "mmol/kg", 1), ("mEq/l", "meq/L", 1), ("mL/min/1.73m2", "mL/min/{1.73_m2}", 1),
    ("µkat/l", "U/L", 60), ("ratio", "{INR}", 1), ("pH", "[pH]", 1), ("mmol L-1", "mmol/L", 1)])
def test_usual_spellings_are_read_as_what_they_stand_for(text: str, like: str, factor: float) -> None:
    assert read_first(text, like) == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize("text", ["", "bananas", "mmol//L", "mg/", "Å", "10*999/L", "12/L", "mmol/L; DROP TABLE"])
def test_what_is_no_unit_has_no_reading(text: str) -> None:
    assert readings(text) == ()


@pytest.mark.parametrize("column", ["unit", "conventional_unit"])
def test_every_unit_of_the_table_of_analytes_is_understood(column: str) -> None:
    with (FACTS / "analytes.csv").open(encoding="utf-8", newline="") as file:
        codes = {row[column] for row in csv.DictReader(file)} - {""}
    assert [code for code in sorted(codes) if parse(code) is None] == []


@pytest.mark.parametrize(("analyte", "value", "start", "result", "mass_of"), [
    ("glucose", 95, "mg/dL", 95 * 10 / 180.156, ""),
    ("calcium-total", 10, "mg/dL", 100 / 40.078, ""),
    ("calcium-total", 5, "meq/L", 2.5, ""),
    ("magnesium-total", 2, "meq/L", 1, ""),
    ("sodium", 139, "meq/L", 139, ""),
    ("creatinine", 1, "mg/dL", 1e4 / 113.12, ""),
    ("urea", 14, "mg/dL", 140 / 28.014, "urea nitrogen"),
    ("urea", 30, "mg/dL", 300 / 60.056, "urea"),
    ("bilirubin-total", 1, "mg/dL", 1e4 / 584.67, ""),
    ("cholesterol", 200, "mg/dL", 2000 / 386.65, ""),
    ("phosphate", 3.1, "mg/dL", 31 / 30.974, ""),
    ("iron", 100, "ug/dL", 1000 / 55.845, ""),
    ("haemoglobin", 14, "g/dL", 140, ""),
    ("haemoglobin", 8.5, "mmol/L", 8.5 * 64458 / 4000, ""),
    ("haematocrit", 62, "%", 0.62, ""),
    ("alp", 1.4, "ukat/L", 84, ""),
    ("pco2", 40, "mmHg", 5.333, ""),
    ("troponin-t", 0.014, "ng/mL", 14, ""),
    ("haemolysis-index", 50, "mg/dL", 0.5, "")])
def test_analytes_convert_by_molar_mass_or_charge(
        connection: sqlite3.Connection, analyte: str, value: float, start: str, result: float, mass_of: str) -> None:
    choices = in_unit(quantity_of(connection, Analyte(analyte, analyte)), value, start, mass_of)
    assert len(choices) == 1
    assert choices[0].value == pytest.approx(result, rel=3e-3)


@pytest.mark.parametrize(("percent", "ifcc"), [(5.0, 31), (6.5, 48), (7.0, 53), (8.0, 64), (10.0, 86)])
def test_haemoglobin_a1c_in_per_cent_is_the_published_figure_in_ifcc_units(connection: sqlite3.Connection, percent: float, ifcc: int) -> None:
    # the pairs that the NGSP publishes side by side, whole numbers; from memory
    choices = in_unit(quantity_of(connection, Analyte("hba1c", "Haemoglobin A1c")), percent, "%")
    assert [round(choice.value) for choice in choices] == [ifcc]


def test_urea_in_mass_units_is_open_until_it_is_said_what_was_weighed(connection: sqlite3.Connection) -> None:
    # both are in use: nitrogen in the United States, urea elsewhere; common practice
    choices = in_unit(quantity_of(connection, Analyte("urea", "Urea")), 40, "mg/dL")
    assert {choice.mass_of: round(choice.value, 2) for choice in choices} == {"urea nitrogen": 14.28, "urea": 6.66}


def test_a_unit_of_another_kind_is_none_of_the_analyte(connection: sqlite3.Connection) -> None:
    for analyte, text in (("potassium", "U/L"), ("pt", "%"), ("lymphocyte-count", "%"), ("glucose", "meq/L"), ("sodium", "mg")):
        assert in_unit(quantity_of(connection, Analyte(analyte, analyte)), 5, text) == []


def _quantities(connection: sqlite3.Connection) -> list[Quantity]:
    ids = [row["analyte"] for row in connection.execute("SELECT analyte FROM population ORDER BY id")]
    return [quantity_of(connection, Analyte(analyte, analyte)) for analyte in ids]


def test_every_analyte_comes_back_from_each_of_its_units(connection: sqlite3.Connection) -> None:
    tried = 0
    for quantity in _quantities(connection):
        units = [*quantity.usual.values(), *(step.start for step in quantity.conversions), *(step.end for step in quantity.conversions)]
        for other in units:
            for mass_of in {step.mass_of for step in quantity.conversions} or {""}:
                steps = [step for step in quantity.conversions if step.mass_of == mass_of]
                there = convert(37.5, quantity.unit, other, steps)
                assert there is not None, (quantity.analyte, other.code)
                assert convert(there, other, quantity.unit, steps) == pytest.approx(37.5, rel=1e-12), (quantity.analyte, other.code)
                tried += 1
    assert tried > 200


@given(AMOUNT, AMOUNT, st.floats(-50, 50), st.sampled_from(["mmol/L", "umol/L", "mol/L"]), st.sampled_from(["mg/dL", "g/L", "ng/mL"]))
def test_conversion_there_and_back_changes_nothing(value: float, factor: float, offset: float, amount: str, mass: str) -> None:
    steps = [Conversion(unit("mg/dL"), unit("mmol/L"), factor, offset)]
    there = convert(value, unit(amount), unit(mass), steps)
    assert there is not None
    back = convert(there, unit(mass), unit(amount), steps)
    # the offset may be far greater than the value, and takes digits with it
    assert back == pytest.approx(value, rel=1e-9, abs=1e-11 * abs(offset) * unit("mmol/L").factor / unit(amount).factor)


@given(st.text(max_size=40))
def test_any_text_at_all_is_read_or_not_but_never_breaks(text: str) -> None:
    assert all(one.factor > 0 for one in readings(text))
