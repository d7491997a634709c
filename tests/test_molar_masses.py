"""Molar masses and conversion factors against the molmass library, which computes them from standard atomic weights.

The library stands outside the project: it carries the atomic weights of IUPAC/CIAAW. Formulas of proteins, mixtures and polymers
are left empty in the fact tables and have nothing to be compared with.
"""

from __future__ import annotations

import re

import pytest
from molmass import Formula, FormulaError

from tests.on_paper import by_id, table

ELECTRON = 5.48579909e-4  # g/mol; CODATA, from memory
_PREFIX = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12}
_PER = {"L": 1.0, "dL": 0.1, "mL": 1e-3, "d": 1.0}

# Formulas that molmass cannot read. There are none; one that is added has to be named here with the reason.
UNREADABLE: set[str] = set()


def _written_charge(row: dict[str, str]) -> re.Match[str] | None:
    """Find the charge of the column at the end of the formula: ``Ca2+``, ``HCO3-``, ``SO4 2-``."""
    charge = int(row["charge"])
    count = str(abs(charge)) if abs(charge) > 1 else ""
    return re.search(rf"\s?{count}\{'+' if charge > 0 else '-'}$", row["formula"])


def _mass(row: dict[str, str]) -> float:
    """Return the mass of a species from its formula, the charge cut off and its electrons counted."""
    if not row.get("charge"):
        return float(Formula(row["formula"]).mass)
    written = _written_charge(row)
    body = row["formula"][:written.start()] if written else row["formula"]
    return float(Formula(body).mass) - int(row["charge"]) * ELECTRON


def _with_formula(name: str) -> list[dict[str, str]]:
    return [row for row in table(name) if row["formula"]]


def test_molmass_reads_every_formula_but_the_named_ones() -> None:
    unread = set()
    for row in [*_with_formula("species"), *_with_formula("analytes")]:
        try:
            _mass(row)
        except FormulaError:
            unread.add(row["id"])
    assert unread == UNREADABLE


def test_the_formula_of_an_ion_is_written_with_the_charge_of_its_column() -> None:
    bare = [row["id"] for row in _with_formula("species") if row["charge"] and not _written_charge(row)]
    assert bare == []


def test_a_species_without_a_charge_is_not_written_as_an_ion() -> None:
    assert [row["id"] for row in _with_formula("species") if not row["charge"] and row["formula"][-1] in "+-"] == []


@pytest.mark.parametrize("row", [row for row in _with_formula("species") if row["molar_mass"]], ids=lambda row: row["id"])
def test_the_molar_mass_of_a_species_is_that_of_its_formula_within_a_tenth_of_a_per_cent(row: dict[str, str]) -> None:
    assert float(row["molar_mass"]) == pytest.approx(_mass(row), rel=1e-3)


def test_molar_masses_stand_beside_a_formula_wherever_the_species_has_one() -> None:
    # a figure without a formula can be a protein only: aprotinin 6511.5 g/mol, haemoglobin, albumin ...
    alone = {row["id"]: float(row["molar_mass"]) for row in table("species") if row["molar_mass"] and not row["formula"]}
    assert {name: mass for name, mass in alone.items() if mass < 1000} == {}


HYDRATES = [
    # hydrate, water-free salt, moles of water in the name
    ("edetate-dipotassium-dihydrate", "edetate-dipotassium", 2),
    ("edetate-tripotassium-dihydrate", "edetate-tripotassium", 2),
    ("edetate-disodium-dihydrate", "edetate-disodium", 2),
    ("trisodium-citrate-dihydrate", "trisodium-citrate", 2),
    ("potassium-oxalate-monohydrate", "potassium-oxalate-salt", 1),
    ("citric-acid-monohydrate", "citric-acid", 1),
    ("d-glucose-monohydrate", "d-glucose", 1),
    ("calcium-chloride-dihydrate", "calcium-chloride", 2),
    ("magnesium-sulfate-heptahydrate", "magnesium-sulfate", 7),
]


@pytest.mark.parametrize(("hydrate", "salt", "waters"), HYDRATES)
def test_a_hydrate_weighs_its_salt_and_the_water_of_its_name(hydrate: str, salt: str, waters: int) -> None:
    species = by_id("species")
    difference = float(species[hydrate]["molar_mass"]) - float(species[salt]["molar_mass"])
    assert difference == pytest.approx(waters * Formula("H2O").mass, abs=0.005)


def test_every_hydrate_of_the_fact_table_is_weighed() -> None:
    hydrates = {row["id"] for row in table("species")
                if re.search("hydrate", row["id"]) and row["kind"] in ("salt", "ligand", "molecule")}
    assert hydrates == {hydrate for hydrate, _, _ in HYDRATES} | {"sodium-tetraborate-decahydrate"}
    tetraborate = by_id("species")["sodium-tetraborate-decahydrate"]
    assert float(tetraborate["molar_mass"]) == pytest.approx(Formula("Na2B4O7").mass + 10 * Formula("H2O").mass, rel=1e-4)


def test_the_dose_of_a_usual_edta_tube_refers_to_the_dihydrate() -> None:
    # icsh-1993 (abstract): 1.5 to 2.2 mg/mL is 3.7 to 5.4 umol/mL, which fits 404.45 g/mol and not 368.42 g/mol
    mass = float(by_id("species")["edetate-dipotassium-dihydrate"]["molar_mass"])
    assert 1.5 / mass * 1000 == pytest.approx(3.7, abs=0.05)
    assert 1.5 / Formula("C10H14K2N2O8").mass * 1000 != pytest.approx(3.7, abs=0.05)


def _grams_or_moles(unit: str) -> tuple[str, float]:
    """Return whether a UCUM unit counts grams or moles, and how many per litre (or per day) one of it is."""
    top, per = unit.split("/")
    found = re.fullmatch(r"([kmunp]?)(g|mol)", top)
    assert found, unit
    return found[2], _PREFIX[found[1]] / _PER[per]


@pytest.mark.parametrize("row", _with_formula("analytes"), ids=lambda row: row["id"])
def test_a_conversion_factor_follows_from_the_molar_mass_within_half_a_per_cent(row: dict[str, str]) -> None:
    conventional, grams = _grams_or_moles(row["conventional_unit"])
    si, moles = _grams_or_moles(row["unit"])
    assert (conventional, si) == ("g", "mol")
    assert row["unit"].endswith("/d") == row["conventional_unit"].endswith("/d")
    assert float(row["factor_to_si"]) == pytest.approx(grams / Formula(row["formula"]).mass / moles, rel=5e-3)


@pytest.mark.parametrize(("analyte", "factor"), [
    # factors every laboratory knows; common practice, rounded as printed in textbooks
    ("glucose", 0.0555), ("creatinine", 88.4), ("calcium-total", 0.2495), ("bilirubin-total", 17.1), ("cholesterol", 0.0259),
    ("triglyceride", 0.0113), ("urate", 59.48), ("urea", 0.357), ("magnesium-total", 0.4114), ("phosphate", 0.3229),
    ("iron", 0.179), ("cortisol", 27.6), ("total-t4", 12.87), ("lactate", 0.111), ("zinc", 0.153),
])
def test_the_factors_every_laboratory_knows_are_the_shipped_ones(analyte: str, factor: float) -> None:
    assert float(by_id("analytes")[analyte]["factor_to_si"]) == pytest.approx(factor, rel=5e-3)


def test_urea_is_converted_as_urea_nitrogen_and_phosphate_as_phosphorus() -> None:
    # common practice: urea nitrogen in mg/dL, phosphate in mg/dL of phosphorus
    analytes = by_id("analytes")
    assert analytes["urea"]["formula"] == "N2"
    assert analytes["phosphate"]["formula"] == "P"


def test_triiodothyronine_and_its_reverse_share_one_formula_but_are_two_analytes() -> None:
    # ChEBI 28774 is reverse triiodothyronine, easily taken for the hormone (standards, read)
    analytes = by_id("analytes")
    masses = [Formula(analytes[analyte]["formula"]).mass for analyte in ("reverse-t3", "total-triiodothyronine")]
    assert masses[0] == pytest.approx(masses[1])
