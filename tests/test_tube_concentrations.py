"""What tubes hold, against ISO 6710, ICSH 1993 and WHO/DIL/LAB/99.1, and by arithmetic with molar masses.

The figures of ISO 6710 and of the WHO document are ``from memory``: neither text was open when they were written down. Molar
masses are computed here by the molmass library from standard atomic weights, not taken from the project.
"""

from __future__ import annotations

import pytest
from molmass import Formula

from tests.on_paper import by_id, table

# Formulas from the names of the salts (IUPAC names; CAS numbers stand in species.csv).
EDTA_ACID = Formula("C10H16N2O8").mass
K2EDTA_DIHYDRATE = Formula("C10H14K2N2O8.2H2O").mass
SODIUM_FLUORIDE = Formula("NaF").mass
POTASSIUM_OXALATE_MONOHYDRATE = Formula("K2C2O4.H2O").mass
TRISODIUM_CITRATE_DIHYDRATE = Formula("Na3C6H5O7.2H2O").mass
CITRIC_ACID = Formula("C6H8O7").mass
CITRIC_ACID_MONOHYDRATE = Formula("C6H8O7.H2O").mass
GLUCOSE_MONOHYDRATE = Formula("C6H12O6.H2O").mass


def _figures(source: str, additive: str, quantity: str, unit: str, words: str = "") -> set[tuple[float, float]]:
    """Return the ranges a source gives; a missing end counts as not a number and so equals nothing."""
    return {
        (float(row["low"] or "nan"), float(row["high"] or "nan"))
        for row in table("tube_specifications")
        if (row["source"], row["additive"], row["quantity"], row["unit"]) == (source, additive, quantity, unit)
        and words in row["condition"]
    }


ISO_6710 = [
    # additive, quantity, unit, words of the condition, low, high. All iso-6710-2017, from memory.
    ("k2-edta", "concentration", "mg/mL", "anhydrous EDTA", 1.2, 2.0),
    ("k3-edta", "concentration", "mg/mL", "anhydrous EDTA", 1.2, 2.0),
    ("na2-edta", "concentration", "mg/mL", "anhydrous EDTA", 1.2, 2.0),
    ("k2-edta", "concentration", "mmol/L", "blood", 4.1, 6.8),
    ("sodium-citrate-unspecified", "concentration", "mmol/L", "additive solution", 100, 136),
    ("sodium-citrate-unspecified", "blood-to-additive", "1", "parts of blood to one part", 9, 9),
    ("sodium-citrate-westergren", "concentration", "mmol/L", "additive solution", 100, 136),
    ("sodium-citrate-westergren", "blood-to-additive", "1", "parts of blood to one part", 4, 4),
    ("lithium-heparin", "concentration", "[IU]/mL", "blood", 12, 30),
    ("sodium-heparin", "concentration", "[IU]/mL", "blood", 12, 30),
    ("sodium-fluoride-potassium-oxalate", "concentration", "mg/mL", "fluoride", 2, 4),
    ("sodium-fluoride-potassium-oxalate", "concentration", "mg/mL", "oxalate", 1, 3),
    ("sodium-fluoride-na2-edta", "concentration", "mg/mL", "fluoride", 2, 4),
    ("sodium-fluoride-na2-edta", "concentration", "mg/mL", "EDTA", 1.2, 2.0),
    ("sodium-fluoride-heparin", "concentration", "mg/mL", "fluoride", 2, 4),
    ("sodium-fluoride-heparin", "concentration", "[IU]/mL", "heparin", 12, 30),
    ("evacuated-tube-unspecified", "draw-volume", "%", "nominal", 90, 110),
]


@pytest.mark.parametrize(("additive", "quantity", "unit", "words", "low", "high"), ISO_6710)
def test_a_figure_of_iso_6710_stands_as_the_standard_gives_it(
        additive: str, quantity: str, unit: str, words: str, low: float, high: float) -> None:
    # iso-6710-2017, from memory
    assert _figures("iso-6710-2017", additive, quantity, unit, words) == {(low, high)}


def test_figures_of_iso_6710_are_marked_as_recalled() -> None:
    # iso-6710-2017: only its list of contents was seen
    assert {row["basis"] for row in table("tube_specifications") if row["source"] == "iso-6710-2017"} == {"memory"}


def test_citrate_for_clotting_tests_is_0_109_mol_per_litre_nine_to_one() -> None:
    # reneke-1998 (abstract), who-99-1-rev2 (from memory)
    for source in ("reneke-1998", "who-99-1-rev2"):
        assert _figures(source, "sodium-citrate-3.2", "concentration", "mmol/L") == {(109, 109)}
        assert _figures(source, "sodium-citrate-3.2", "blood-to-additive", "1") == {(9, 9)}


def test_magnette_gives_citrate_as_0_105_to_0_109_mol_per_litre() -> None:
    # magnette-2016, table 1, read
    assert _figures("magnette-2016", "sodium-citrate-3.2", "concentration", "mmol/L") == {(105, 109)}


def test_every_recorded_citrate_ratio_for_clotting_is_nine_to_one() -> None:
    # magnette-2016, reneke-1998, clsi-h21-2024: all nine volumes of blood to one of citrate
    ratios = {(row["low"], row["high"]) for row in table("tube_specifications")
              if row["additive"] in ("sodium-citrate-3.2", "sodium-citrate-3.8", "sodium-citrate-unspecified", "ctad")
              and row["quantity"] == "blood-to-additive"}
    assert ratios == {("9", "9")}


def test_heparin_for_ionised_calcium_stays_below_the_limit_of_boink() -> None:
    # boink-1991, abstract: 15 IU/mL for plain salts, 50 IU/mL for calcium-balanced heparin
    for additive, limit in (("lithium-heparin", "15"), ("sodium-heparin", "15"), ("electrolyte-balanced-heparin", "50")):
        found = [row for row in table("tube_specifications") if row["source"] == "boink-1991" and row["additive"] == additive]
        assert [(row["low"], row["high"]) for row in found] == [("", limit)], additive


CONVERSIONS = [
    # what, figure in mg/mL or g/L, molar mass in g/mol, figure in mmol/L as the source prints it
    # iso-6710-2017 and who-99-1-rev2, from memory: both figures are of one limit
    ("edta, lower limit", 1.2, EDTA_ACID, 4.1),
    ("edta, upper limit", 2.0, EDTA_ACID, 6.8),
    # icsh-1993, abstract: 1.5 to 2.2 mg/mL of the salt is 3.7 to 5.4 umol/mL
    ("k2-edta, lower limit", 1.5, K2EDTA_DIHYDRATE, 3.7),
    ("k2-edta, upper limit", 2.2, K2EDTA_DIHYDRATE, 5.4),
    # usual dose, 1.8 mg/mL of the dihydrate; common practice
    ("k2-edta, usual", 1.8, K2EDTA_DIHYDRATE, 4.45),
    # 3.2 % and 3.8 % trisodium citrate dihydrate: 109 and 129 mmol/L (reneke-1998, abstract)
    ("citrate 3.2 %", 32.0, TRISODIUM_CITRATE_DIHYDRATE, 109),
    ("citrate 3.8 %", 38.0, TRISODIUM_CITRATE_DIHYDRATE, 129),
    # iso-6710-2017, from memory: fluoride and oxalate limits in mol
    ("fluoride, lower limit", 2.0, SODIUM_FLUORIDE, 47.633),
    ("fluoride, upper limit", 4.0, SODIUM_FLUORIDE, 95.265),
    ("oxalate, lower limit", 1.0, POTASSIUM_OXALATE_MONOHYDRATE, 5.428),
    ("oxalate, upper limit", 3.0, POTASSIUM_OXALATE_MONOHYDRATE, 16.284),
    # usp-acd, read: formula A and B in g/L
    ("acd a, citrate", 22.0, TRISODIUM_CITRATE_DIHYDRATE, 74.8),
    ("acd a, glucose", 24.5, GLUCOSE_MONOHYDRATE, 123.6),
    ("acd a, citric acid", 7.3, CITRIC_ACID, 38.0),
    ("acd a, citric acid as monohydrate", 8.0, CITRIC_ACID_MONOHYDRATE, 38.0),
    ("acd b, citrate", 13.2, TRISODIUM_CITRATE_DIHYDRATE, 44.9),
    ("acd b, glucose", 14.7, GLUCOSE_MONOHYDRATE, 74.2),
    ("acd b, citric acid", 4.4, CITRIC_ACID, 22.9),
]
_BOTH_STAND = {
    # what: (additive, end of the range) under which tube_specifications.csv has both figures
    "edta, lower limit": ("k2-edta", "low"), "edta, upper limit": ("k2-edta", "high"),
    "k2-edta, lower limit": ("k2-edta", "low"), "k2-edta, upper limit": ("k2-edta", "high"),
    "fluoride, lower limit": ("sodium-fluoride-potassium-oxalate", "low"),
    "fluoride, upper limit": ("sodium-fluoride-potassium-oxalate", "high"),
    "oxalate, lower limit": ("sodium-fluoride-potassium-oxalate", "low"),
    "oxalate, upper limit": ("sodium-fluoride-potassium-oxalate", "high"),
}


@pytest.mark.parametrize(("what", "mass", "molar_mass", "amount"), CONVERSIONS)
def test_a_published_mass_and_its_published_amount_agree_within_two_per_cent(
        what: str, mass: float, molar_mass: float, amount: float) -> None:
    assert mass / molar_mass * 1000 == pytest.approx(amount, rel=0.02), what


@pytest.mark.parametrize("what", _BOTH_STAND)
def test_both_figures_of_a_conversion_stand_in_the_fact_table(what: str) -> None:
    additive, end = _BOTH_STAND[what]
    _, mass, _, amount = next(row for row in CONVERSIONS if row[0] == what)
    for unit, figure in (("mg/mL", mass), ("mmol/L", amount)):
        found = {float(row[end]) for row in table("tube_specifications")
                 if row["additive"] == additive and row["quantity"] == "concentration" and row["unit"] == unit and row[end]}
        assert any(one == pytest.approx(figure, rel=1e-3) for one in found), f"{what}: {figure} {unit}"


def test_every_molar_figure_of_the_projects_own_arithmetic_follows_from_a_mass_of_another_row() -> None:
    # own-arithmetic rows of tube_specifications.csv against the masses of iso-6710-2017, usp-acd and 3.2 % and 3.8 % solutions
    computed = {round(mass / molar_mass * 1000, 3) for _, mass, molar_mass, _ in CONVERSIONS}
    own = [row for row in table("tube_specifications") if row["source"] == "own-arithmetic"]
    assert own
    for row in own:
        for end in (row["low"], row["high"]):
            assert any(float(end) == pytest.approx(figure, rel=0.002) for figure in computed), f"{row['id']}: {end}"


def test_citrate_after_mixing_is_a_tenth_of_the_solution() -> None:
    # reneke-1998, introduction, read: 10.9 to 12.9 mmol/L in the whole specimen
    ((low, high),) = _figures("reneke-1998", "sodium-citrate-unspecified", "concentration", "mmol/L", "whole specimen")
    assert low == pytest.approx(109 / 10, rel=0.02)
    assert high == pytest.approx(129 / 10, rel=0.02)


def test_composition_gives_the_same_concentrations_as_the_tube_figures() -> None:
    # reneke-1998 (abstract), icsh-1993 (abstract), who-99-1-rev2 (from memory)
    held = {(row["additive"], row["species"], row["unit"], row["source"]): (float(row["low"]), float(row["high"]))
            for row in table("composition") if row["low"] and row["high"]}
    assert held["sodium-citrate-3.2", "citrate-3minus", "mmol/L", "reneke-1998"] == (109, 109)
    assert held["sodium-citrate-3.8", "citrate-3minus", "mmol/L", "reneke-1998"] == (129, 129)
    assert held["k2-edta", "edta-4minus", "mmol/L", "icsh-1993"] == (3.7, 5.4)
    assert held["edta-any-salt", "edta-4minus", "mmol/L", "who-99-1-rev2"] == (4.1, 6.8)
    assert held["heparin-unspecified-salt", "heparin-polyanion", "[IU]/mL", "who-99-1-rev2"] == (12, 30)


def test_the_pharmacopoeial_citrate_dextrose_solutions_are_as_printed() -> None:
    # usp-acd, read: A = citric acid 7.3, citrate 22.0, glucose 24.5 g/L; B = 4.4, 13.2, 14.7 g/L
    held = {(row["additive"], row["species"]): row["low"] for row in table("composition")
            if row["source"] == "usp-acd" and row["unit"] == "g/L"}
    parts = ("citric-acid", "trisodium-citrate-dihydrate", "d-glucose-monohydrate")
    assert [float(held["acid-citrate-dextrose-a", part]) for part in parts] == [7.3, 22.0, 24.5]
    assert [float(held["acid-citrate-dextrose-b", part]) for part in parts] == [4.4, 13.2, 14.7]


def test_a_report_that_prints_another_citric_acid_for_solution_b_is_kept_beside_the_pharmacopoeia() -> None:
    # hcy-anticoagulant-letter, read: 5.25 g/L; usp-acd, read: 4.4 g/L. Sources that disagree are both kept.
    found = {row["source"]: float(row["low"]) for row in table("composition")
             if row["additive"] == "acid-citrate-dextrose-b" and row["species"] == "citric-acid"}
    assert found == {"hcy-anticoagulant-letter": 5.25, "usp-acd": 4.4}


def test_counts_of_cations_per_mole_follow_from_the_formula_of_the_salt() -> None:
    # stoichiometry of the salts: formula of each species read by molmass
    species = by_id("species")
    per_mole = {(row["additive"], row["species"]): row["per_mole"] for row in table("composition")
                if row["relation"] == "releases"}
    for additive, salt, element, ion in (
            ("k2-edta", "edetate-dipotassium-dihydrate", "K", "potassium-ion"),
            ("k3-edta", "edetate-tripotassium-dihydrate", "K", "potassium-ion"),
            ("na2-edta", "edetate-disodium-dihydrate", "Na", "sodium-ion"),
            ("sodium-citrate-3.2", "trisodium-citrate-dihydrate", "Na", "sodium-ion"),
            ("sodium-citrate-3.8", "trisodium-citrate-dihydrate", "Na", "sodium-ion"),
            ("potassium-oxalate", "potassium-oxalate-monohydrate", "K", "potassium-ion")):
        count = Formula(species[salt]["formula"]).composition()[element].count
        assert int(per_mole[additive, ion]) == count, additive


@pytest.mark.parametrize(("additive", "low", "high"), [
    ("sodium-citrate-3.2", 3, 6), ("k2-edta", 8, 10), ("lithium-heparin", 8, 10)])
def test_inversions_lie_where_the_trade_has_them(additive: str, low: int, high: int) -> None:
    # common practice: citrate 3 to 4 (clsi-h21, from memory: to 6), other additives 8 to 10
    figures = [row for row in table("tube_specifications") if row["additive"] == additive and row["quantity"] == "inversions"
               and not row["container"] and row["source"] in ("common-practice", "clsi-h21", "who-drawing-blood-2010")]
    assert figures
    for row in figures:
        assert low <= float(row["low"]) <= float(row["high"]) <= high, row["id"]
