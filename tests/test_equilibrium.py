"""The speciation against PHREEQC, against textbooks, and against what must hold for any composition."""

from __future__ import annotations

import random
import re
import sqlite3
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from kg.chemistry.activity import debye_hueckel_slope
from kg.chemistry.constants import ChemistryError, Constants
from kg.chemistry.equilibrium import Speciation, solve, solve_many
from tests import geochemistry
from tests.on_paper import FACTS, ROOT, by_id, table

CONSTANTS = Constants.from_files(FACTS)
ROWS = table("equilibrium_constants")
COUNTS = {row["product"]: {name: int(sign + (count or "1")) for sign, count, name in
                           re.findall(r"(-?) ?(?:(\d) )?([a-z][\w.-]+)", row["reaction"].replace("+ ", ""))} for row in ROWS}
METALS = ("calcium-ion", "magnesium-ion", "zinc-ion", "copper-2-ion", "iron-2-ion", "iron-3-ion")
LIGANDS = ("edta-4minus", "citrate-3minus", "oxalate-2minus", "fluoride-ion")
SALTS = ("sodium-ion", "potassium-ion")
SPECIES = (*METALS, *LIGANDS, *SALTS, "albumin-protein")


# The constants, against the databases that ship with PHREEQC

DIFFERENCES = {
    # product: why neither database has it as the project does
    "zinc-oxalate": "in neither database; recalled",
    "copper-2-oxalate": "in neither database; recalled",
    "calcium-albumin": "no geochemical database has albumin; pedersen-1971 (abstract)",
    "magnesium-albumin": "no geochemical database has albumin; pedersen-1972-ionic (abstract)",
    "zinc-albumin": "no geochemical database has albumin; ohyoshi-1999 (abstract)",
    "hydrogen-albumin": "no geochemical database has albumin; ohyoshi-1999 (abstract)",
}


def _published() -> dict[frozenset[tuple[str, int]], tuple[float, float | None]]:
    """Every reaction of MINTEQ v4 among the species of this project, and every oxalate of ThermoChimie."""
    oxalates = [r for _, r in geochemistry.reactions("sit.dat") if "oxalate-2minus" in dict(r[0])]
    return {components: (k, heat or None) for components, k, heat in [*(r for _, r in geochemistry.reactions("minteq.v4.dat")), *oxalates]}


def test_every_dissolved_complex_of_the_databases_is_taken_in_with_its_constant_and_enthalpy() -> None:
    # minteq-v4 and thermochimie-12a, read from the files by this test; an enthalpy of 0 there means that none is known
    own = {frozenset(COUNTS[row["product"]].items()): (float(row["log10_k"]), float(row["enthalpy"]) if row["enthalpy"] else None)
           for row in ROWS if row["phase"] != "solid" and row["product"] not in DIFFERENCES}
    assert own == _published()


@pytest.mark.parametrize(("product", "name", "phase"), [
    ("calcium-fluoride-solid", "minteq.v4.dat", "Fluorite"),
    ("calcium-oxalate-monohydrate", "sit.dat", r"Ca\(Ox\):H2O\(s\)"),
])
def test_a_solubility_product_is_that_of_the_database_with_its_sign_turned(product: str, name: str, phase: str) -> None:
    found = re.search(rf"^{phase}\s*\n.*\n\s*log_k (\S+).*\n\s*delta_h (\S+)", geochemistry.shipped(name), re.MULTILINE)
    row = next(row for row in ROWS if row["product"] == product)
    assert found and (-float(found[1]), -float(found[2])) == (float(row["log10_k"]), float(row["enthalpy"]))


def test_what_no_database_has_is_named_with_its_reason() -> None:
    assert set(DIFFERENCES) == {row["product"] for row in ROWS if row["source"] not in ("minteq-v4", "thermochimie-12a")}
    assert all(row["basis"] in ("memory", "abstract") for row in ROWS if row["product"] in DIFFERENCES)


def test_each_product_stands_once_and_is_built_of_species_that_the_graph_knows() -> None:
    products = [row["product"] for row in ROWS]
    assert len(set(products)) == len(products)
    assert {name for counts in COUNTS.values() for name in counts} <= set(by_id("species"))


def test_a_constant_without_enthalpy_says_that_it_is_not_corrected_for_temperature() -> None:
    silent = [row["product"] for row in ROWS if not row["enthalpy"] and "not corrected" not in row["note"]]
    assert silent == []


# The solver, against PHREEQC

RECALLED = "SOLUTION_SPECIES\n" + "".join(  # the two oxalates that PHREEQC must be told of, see DIFFERENCES
    f"{ion} + Ox-2 = {name}\n    log_k {next(row['log10_k'] for row in ROWS if row['product'] == product)}\n"
    for ion, name, product in [("Zn+2", "Zn(Ox)", "zinc-oxalate"), ("Cu+2", "Cu(Ox)", "copper-2-oxalate")])
RANGES = {  # mol/L
    "calcium-ion": (0.5e-3, 3e-3), "magnesium-ion": (0.2e-3, 1.5e-3), "zinc-ion": (5e-6, 30e-6), "copper-2-ion": (5e-6, 30e-6),
    "iron-3-ion": (5e-6, 40e-6), "iron-2-ion": (0, 1e-6), "sodium-ion": (0.12, 0.16), "potassium-ion": (3e-3, 20e-3),
    "edta-4minus": (0, 10e-3), "citrate-3minus": (0, 15e-3), "oxalate-2minus": (0, 10e-3), "fluoride-ion": (0, 100e-3),
}


def _grid(size: int, seed: int) -> tuple[list[dict[str, float]], list[tuple[float, float]]]:
    """Compositions spread over the ranges; each ligand is absent from half of them, so that each metal is seen free.

    Ligands bring the sodium or potassium of their salt.
    """
    draw = random.Random(seed)
    compositions = []
    for _ in range(size):
        totals = {name: draw.uniform(low, high) for name, (low, high) in RANGES.items()}
        totals.update({name: 0.0 for name in LIGANDS if draw.random() < 0.5})
        totals["sodium-ion"] += 3 * totals["citrate-3minus"] + totals["fluoride-ion"]
        totals["potassium-ion"] += 2 * (totals["edta-4minus"] + totals["oxalate-2minus"])
        compositions.append(totals)
    return compositions, [(draw.uniform(6.8, 8.0), draw.choice([25.0, 37.0])) for _ in range(size)]


def _columns(compositions: list[dict[str, float]]) -> dict[str, list[float]]:
    return {name: [totals.get(name, 0.0) for totals in compositions] for name in compositions[0]}


@pytest.fixture(scope="module")
def differences() -> dict[str, np.ndarray]:
    """Relative differences of free concentrations from PHREEQC over 240 compositions without solids."""
    compositions, conditions = _grid(240, seed=20)
    reference = geochemistry.speciate(compositions, conditions, RECALLED)
    own = solve_many(_columns(compositions), [row["pH"] for row in reference], [temperature for _, temperature in conditions],
                     [row["ionic strength"] for row in reference], constants=CONSTANTS, solids=())
    return {name: np.array([mine / row[name] - 1.0 for mine, row in zip(own.free_of(name), reference, strict=True) if row[name]])
            for name in RANGES}


@pytest.mark.parametrize("metal", ["calcium-ion", "magnesium-ion", "zinc-ion"])
def test_the_free_metal_is_that_of_phreeqc_within_two_per_cent(metal: str, differences: dict[str, np.ndarray]) -> None:
    assert len(differences[metal]) == 240
    assert np.abs(differences[metal]).max() < 0.02


@pytest.mark.parametrize("species", ["copper-2-ion", "iron-2-ion", "iron-3-ion", *LIGANDS, *SALTS])
def test_every_other_free_ion_is_that_of_phreeqc_within_four_per_cent(species: str, differences: dict[str, np.ndarray]) -> None:
    # EDTA carries four charges, so that it shows the small difference of the Debye-Hueckel slopes sixteenfold
    assert len(differences[species]) >= 90
    assert np.abs(differences[species]).max() < 0.04


def test_the_solids_and_what_stays_free_are_those_of_phreeqc() -> None:
    # a metal that changes its valency is left out, because PHREEQC would let it react
    compositions, conditions = _grid(90, seed=21)
    for number, totals in enumerate(compositions):
        if number % 3:  # both solids together need much oxalate, little fluoride and no strong ligand
            totals.update({"edta-4minus": 0.0, "citrate-3minus": 0.0, "fluoride-ion": 1e-3 + totals["fluoride-ion"] / 30,
                           "oxalate-2minus": totals["calcium-ion"] * (number % 4)})
        for name in ("copper-2-ion", "iron-2-ion", "iron-3-ion"):
            del totals[name]
    whewellite = "PHASES\nWhewellite\nCa(Ox):H2O = Ca+2 + Ox-2 + H2O\n    log_k -8.73\n    delta_h 21.5 kJ\n"
    reference = geochemistry.speciate(compositions, conditions, RECALLED + whewellite, "Whewellite 0 0\nFluorite 0 0", ["Whewellite", "Fluorite"])
    own = solve_many(_columns(compositions), [row["pH"] for row in reference], [temperature for _, temperature in conditions],
                     [row["ionic strength"] for row in reference], constants=CONSTANTS)
    formed = {"both": 0, "one": 0, "none": 0}
    for mine, row in zip(own, reference, strict=True):
        oxalate, fluoride = mine.solids["calcium-oxalate-monohydrate"], mine.solids["calcium-fluoride-solid"]
        assert (oxalate > 0, fluoride > 0) == (row["Whewellite"] > 0, row["Fluorite"] > 0)
        assert (oxalate, fluoride) == pytest.approx((row["Whewellite"], row["Fluorite"]), rel=0.01, abs=5e-6)  # a hundredth of the least calcium
        assert mine.free["calcium-ion"] == pytest.approx(row["calcium-ion"], rel=0.02)
        assert mine.free["magnesium-ion"] == pytest.approx(row["magnesium-ion"], rel=0.02)
        formed[("none", "one", "both")[(oxalate > 0) + (fluoride > 0)]] += 1
    assert all(count >= 5 for count in formed.values()), formed


# Textbooks

def _alpha(species: str, ph: float) -> float:
    """The fraction of a ligand alone in solution that has lost all its hydrons, at 25 Cel and ionic strength 0.1 mol/L."""
    return solve({species: 1e-3}, ph, 25.0, 0.1, constants=CONSTANTS).free[species] / 1e-3


def test_a_third_of_edta_is_free_of_hydrons_at_ph_10() -> None:
    # Harris, Quantitative Chemical Analysis, and Skoog, Fundamentals of Analytical Chemistry: 0.30 to 0.36 by edition; from memory
    assert 0.29 < _alpha("edta-4minus", 10.0) < 0.40


@pytest.mark.parametrize(("ph", "alpha"), [(7.0, 5.0e-4), (8.0, 5.6e-3), (9.0, 5.4e-2)])
def test_the_textbook_ladder_of_edta_is_met_within_a_third(ph: float, alpha: float) -> None:
    # Harris, Quantitative Chemical Analysis, table of alpha(Y4-), older editions; from memory. Below pH 7 the second constant of
    # MINTEQ v4 (6.27 at ionic strength 0; ThermoChimie has 6.80) makes it up to twice the textbook's.
    assert _alpha("edta-4minus", ph) == pytest.approx(alpha, rel=0.34)


def test_the_conditional_constant_of_calcium_edta_at_ph_7_4_is_the_textbook_one() -> None:
    # log10 K 10.65, pKa 10.17 and 6.11 at ionic strength 0.1 mol/L (bi-0037, bi-0049, bi-0052; recalled) give log10 K' = 7.9
    done = solve_many({"calcium-ion": 1e-3, "edta-4minus": 1e-3}, 7.4, 25.0, 0.1, constants=CONSTANTS)
    bound = done.held("calcium-ion", by="edta-4minus")[0]
    unbound = 1e-3 - bound
    expected = 10.65 - np.log10(1 + 10 ** (10.17 - 7.4) + 10 ** (10.17 + 6.11 - 14.8))
    assert np.log10(bound / unbound**2) == pytest.approx(expected, abs=0.15)


def test_half_of_hydrogen_oxalate_is_ionised_at_its_pka_of_zero_ionic_strength() -> None:
    # thermochimie-12a: 4.25 at 25 Cel
    done = solve({"oxalate-2minus": 1e-6}, 4.25, 25.0, 0.0, constants=CONSTANTS)
    assert done.free["oxalate-2minus"] == pytest.approx(done.complexes["hydrogen-oxalate"], rel=1e-9)


def test_calcium_fluoride_dissolves_in_water_to_the_textbook_sixteen_milligrams_per_litre() -> None:
    # solubility 0.016 g/L at 20 to 25 Cel (handbook figure, from memory); 78.07 g/mol
    done = solve({"calcium-ion": 1e-2, "fluoride-ion": 2e-2}, 7.0, 25.0, 6e-4, constants=CONSTANTS)
    assert (1e-2 - done.solids["calcium-fluoride-solid"]) * 78.07 == pytest.approx(0.016, abs=0.003)


@pytest.mark.parametrize(("temperature", "slope"), [(25.0, 0.511), (37.0, 0.523)])
def test_the_debye_hueckel_slope_is_the_tabulated_one(temperature: float, slope: float) -> None:
    # Robinson and Stokes, Electrolyte Solutions, appendix 7.1: 0.5115 at 25, 0.5215 at 35, 0.5262 at 40 Cel; from memory
    assert float(debye_hueckel_slope(np.array(temperature))) == pytest.approx(slope, abs=0.002)


def test_about_two_fifths_of_calcium_and_a_third_of_magnesium_sit_on_protein_in_plasma() -> None:
    # 40 % and 25 to 33 % in clinical chemistry textbooks; from memory. Globulins and small anions are not in the model.
    plasma = {"calcium-ion": 2.4e-3, "magnesium-ion": 0.85e-3, "albumin-protein": 0.64e-3, "sodium-ion": 0.14, "citrate-3minus": 0.1e-3}
    done = solve(plasma, constants=CONSTANTS)
    assert 0.30 < done.complexes["calcium-albumin"] / 2.4e-3 < 0.45
    assert 0.25 < done.complexes["magnesium-albumin"] / 0.85e-3 < 0.45


def test_albumin_is_half_full_at_the_reciprocal_of_its_constant() -> None:
    # pedersen-1971 (abstract): 12 sites of 90 to 100 L/mol; 95 L/mol are half full at 10.5 mmol/L of free calcium
    done = solve({"calcium-ion": 1 / 95 + 6e-6, "albumin-protein": 1e-6}, constants=CONSTANTS, solids=())
    assert done.complexes["calcium-albumin"] == pytest.approx(6e-6, rel=0.01)


def test_albumin_holds_zinc_against_as_much_citrate_but_not_against_edta() -> None:
    # binding.csv bi-0030: albumin holds zinc better than citrate does (remark recalled)
    plasma = {"zinc-ion": 14e-6, "calcium-ion": 2.4e-3, "magnesium-ion": 0.85e-3, "albumin-protein": 0.6e-3, "sodium-ion": 0.14}
    citrate = solve({**plasma, "citrate-3minus": 0.6e-3}, constants=CONSTANTS)
    edta = solve({**plasma, "edta-4minus": 8e-3}, constants=CONSTANTS)
    assert citrate.complexes["zinc-albumin"] > 0.9 * 14e-6
    assert edta.complexes["zinc-albumin"] < 1e-3 * 14e-6


# What must hold for any composition

AMOUNT = st.one_of(st.just(0.0), st.floats(-12, 1).map(lambda power: 10.0**power))
PLASMA = st.fixed_dictionaries({name: AMOUNT for name in SPECIES})
PH = st.floats(2, 12)
TOLERANT = settings(max_examples=80, deadline=None, derandomize=True)


def _held(done: Speciation, component: str) -> float:
    """All of a component that a result accounts for, counted from the reactions on paper."""
    name, _, sites = component.partition("*")
    everything = {**done.complexes, **done.solids}
    of_class = {row["product"] for row in ROWS if not sites or row["sites"] == sites}
    return done.free[component] + sum(COUNTS[product].get(name, 0) * amount for product, amount in everything.items() if product in of_class)


@TOLERANT
@given(PLASMA, PH, st.floats(0, 60), st.floats(0, 0.5), st.sampled_from([1.0, 1e3]))
def test_mass_is_conserved_to_a_billionth(totals: dict[str, float], ph: float, temperature: float, strength: float, scale: float) -> None:
    totals = {name: amount * scale for name, amount in totals.items()}
    done = solve(totals, ph, temperature, strength, constants=CONSTANTS)
    for component in done.free:
        name, _, sites = component.partition("*")
        assert _held(done, component) == pytest.approx(totals[name] * int(sites or 1), rel=1e-9)
        assert 0 <= done.free[component] <= totals[name] * int(sites or 1) * (1 + 1e-9)
    assert min([*done.complexes.values(), *done.solids.values()]) >= 0


@TOLERANT
@given(PLASMA, PH)
def test_every_solid_is_either_absent_or_in_equilibrium(totals: dict[str, float], ph: float) -> None:
    one = {name: amount for name, amount in totals.items() if amount}
    done = solve(one, ph, constants=CONSTANTS)
    loose = solve(one, ph, constants=CONSTANTS, solids=())
    for product, amount in done.solids.items():
        ions = [n for n in COUNTS[product] for _ in range(COUNTS[product][n])]
        now, before = (float(np.prod([found.free[name] for name in ions])) for found in (done, loose))
        assert amount == 0 or now <= before * (1 + 1e-6)
        saturated = solve({**one, **{name: one[name] + 10.0 for name in ions}}, ph, constants=CONSTANTS, solids=[product])
        limit = float(np.prod([saturated.free[name] for name in ions]))
        assert now == pytest.approx(limit, rel=1e-6) if amount else now <= limit * (1 + 1e-6)


@TOLERANT
@given(PLASMA, PH, st.sampled_from(LIGANDS), st.sampled_from(METALS), st.floats(1.001, 100))
def test_a_free_metal_never_rises_as_a_ligand_rises(totals: dict[str, float], ph: float, ligand: str, metal: str, factor: float) -> None:
    assume(totals[metal] and totals[ligand])
    assume(not np.isclose(totals[metal], totals[ligand]))
    less, more = (solve({**totals, ligand: amount}, ph, constants=CONSTANTS, solids=()).free[metal]
                  for amount in (totals[ligand], totals[ligand] * factor))
    assert more <= less * (1 + 1e-6)


@TOLERANT
@given(PLASMA, PH, st.randoms(use_true_random=False))
def test_the_order_of_the_inputs_does_not_matter(totals: dict[str, float], ph: float, draw: random.Random) -> None:
    names = list(totals)
    draw.shuffle(names)
    shuffled = solve({name: totals[name] for name in names}, ph, constants=CONSTANTS)
    assert shuffled == solve(totals, ph, constants=CONSTANTS)


@TOLERANT
@given(st.lists(PLASMA, min_size=2, max_size=12), PH)
def test_a_specimen_is_solved_alike_alone_and_among_others(many: list[dict[str, float]], ph: float) -> None:
    together = solve_many({name: [totals[name] for totals in many] for name in SPECIES}, ph, constants=CONSTANTS)
    assert len(together) == len(many)
    for totals, done in zip(many, together, strict=True):
        _assert_alike(solve(totals, ph, constants=CONSTANTS), done)


@TOLERANT
@given(PLASMA, PH)
def test_a_total_of_zero_is_as_good_as_no_total(totals: dict[str, float], ph: float) -> None:
    done = solve(totals, ph, constants=CONSTANTS)
    without = solve({name: amount for name, amount in totals.items() if amount}, ph, constants=CONSTANTS)
    _assert_alike(without, done)
    assert all(amount == 0 for name, amount in done.free.items() if totals[name.split("*")[0]] == 0)
    assert all(amount == 0 for name, amount in done.complexes.items() if name not in without.complexes)


@TOLERANT
@given(PLASMA, PH, st.floats(-3, 3))
def test_another_unit_of_concentration_gives_the_same_speciation(totals: dict[str, float], ph: float, power: float) -> None:
    # a constant for n particles has the unit (L/mol)^(n-1), that of a solid (L/mol)^n
    dissolved, solids = CONSTANTS.dissolved, CONSTANTS.solids
    other = replace(CONSTANTS, dissolved=replace(dissolved, log10_k=dissolved.log10_k - power * (dissolved.counts.sum(axis=1) - 1)),
                    solids=replace(solids, log10_k=solids.log10_k - power * solids.counts.sum(axis=1)))
    done = solve({name: amount * 10**power for name, amount in totals.items()}, ph, constants=other)
    back = Speciation(*({name: amount / 10**power for name, amount in part.items()} for part in (done.free, done.complexes, done.solids)),
                      done.iterations, done.residual)
    _assert_alike(solve(totals, ph, constants=CONSTANTS), back)


def _assert_alike(one: Speciation, other: Speciation) -> None:
    for mine, its in ((one.free, other.free), (one.complexes, other.complexes), (one.solids, other.solids)):
        for name, amount in mine.items():
            assert its[name] == pytest.approx(amount, rel=1e-5, abs=1e-25)


def test_compositions_a_thousand_times_those_of_blood_and_spread_over_thirteen_decades_are_all_solved() -> None:
    draw = np.random.default_rng(7)
    size = 1500
    totals = {name: 10.0 ** draw.uniform(-12, 1.5, size) * (draw.random(size) > 0.2) for name in SPECIES}
    done = solve_many(totals, draw.uniform(0, 14, size), draw.uniform(0, 100, size), draw.uniform(0, 0.5, size), constants=CONSTANTS)
    assert done.residual.max() <= 1e-9
    assert (done.solids > 0).any(axis=0).all()


@pytest.mark.parametrize("metal", METALS)
def test_a_metal_and_exactly_as_much_edta_are_solved(metal: str) -> None:
    done = solve({metal: 1e-3, "edta-4minus": 1e-3}, constants=CONSTANTS)
    assert done.residual <= 1e-9
    assert done.free[metal] < 1e-5


def test_nothing_at_all_is_a_composition_too() -> None:
    assert solve({}, constants=CONSTANTS).free == {}
    assert solve({"calcium-ion": 0.0, "edta-4minus": 0.0}, constants=CONSTANTS).complexes["calcium-edta"] == 0


# Bad input, and the way to the constants

@pytest.mark.parametrize(("totals", "conditions", "message"), [
    ({"calcium-ion": -1e-3}, {}, "calcium-ion: -0.001 is not between 0 and"),
    ({"calcium-ion": float("nan")}, {}, "calcium-ion: nan is not between"),
    ({"calcium-ion": float("inf")}, {}, "calcium-ion: inf is not between"),
    ({"calcium-ion": "much"}, {}, "calcium-ion: not a number"),
    ({"calcium-ion": [1e-3, 2e-3], "edta-4minus": [1e-3] * 3}, {}, r"different lengths \(2, 3\)"),
    ({"calcium-ion": [[1e-3]]}, {}, "calcium-ion: one number, or a list"),
    ({"calcium-ion": []}, {}, "calcium-ion: one number, or a list"),
    ({"calcium": 1e-3}, {}, "calcium: no constant is known for it; known are albumin-protein, calcium-ion"),
    ({"hydron": 1e-3}, {}, "hydron: no constant is known"),
    ({"calcium-ion": 1e-3}, {"pH": 15.0}, "pH: 15 is not between 0 and 14"),
    ({"calcium-ion": 1e-3}, {"temperature_cel": 310.15}, "temperature: 310.15 is not between 0 and 100 Cel"),
    ({"calcium-ion": 1e-3}, {"ionic_strength": 0.6}, "ionic strength: 0.6 is not between 0 and 0.5 mol/L, where the Davies equation ends"),
    ({"calcium-ion": 1e-3}, {"solids": ["chalk"]}, "chalk: no such solid is known"),
])
def test_a_quantity_that_cannot_be_is_refused_by_name(totals: dict[str, object], conditions: dict[str, object], message: str) -> None:
    with pytest.raises(ChemistryError, match=message):
        solve_many(totals, constants=CONSTANTS, **conditions)  # type: ignore[arg-type]


ROW = {"product": "calcium-edta", "phase": "dissolved", "reaction": "calcium-ion + edta-4minus", "sites": "", "log10_k": "12.42",
       "ionic_strength": "0", "temperature": "25", "enthalpy": ""}


@pytest.mark.parametrize(("change", "message"), [
    ({"reaction": "calcium-ion edta-4minus"}, "calcium-edta: the reaction .* cannot be read at 'edta-4minus'"),
    ({"reaction": "calcium-ion + calcium-ion"}, "cannot be read at"),
    ({"reaction": "edta-4minus - calcium-ion"}, "must be written as formed"),
    ({"reaction": "2 hydron"}, "must be written as formed"),
    ({"reaction": "unobtainium-ion + edta-4minus"}, "unobtainium-ion: its charge is not known"),
    ({"phase": "gas"}, "the phase 'gas' is not one of dissolved, site, solid"),
    ({"sites": "12"}, "a site needs its number per molecule"),
    ({"phase": "site"}, "a site needs its number per molecule"),
])
def test_a_constant_that_cannot_be_used_is_refused_by_the_name_of_its_product(change: dict[str, str], message: str) -> None:
    with pytest.raises(ChemistryError, match=message):
        Constants.from_rows([{**ROW, **change}], {"calcium-ion": 2, "edta-4minus": -4})


def test_a_constant_measured_at_an_ionic_strength_holds_there_as_it_stands() -> None:
    # Davies cancels at the ionic strength of the measurement: 10.65 at 0.1 mol/L (bi-0037, recalled)
    constants = Constants.from_rows([{**ROW, "log10_k": "10.65", "ionic_strength": "0.1"}], {"calcium-ion": 2, "edta-4minus": -4})
    done = solve({"calcium-ion": 1e-6, "edta-4minus": 1e-6}, 7.0, 25.0, 0.1, constants=constants)
    assert done.complexes["calcium-edta"] / done.free["calcium-ion"] / done.free["edta-4minus"] == pytest.approx(10**10.65)


def test_the_built_database_gives_the_constants_of_the_tables(connection: sqlite3.Connection) -> None:
    built = Constants.from_database(connection)
    assert (built.components, built.dissolved.products, built.solids.products) == (
        CONSTANTS.components, CONSTANTS.dissolved.products, CONSTANTS.solids.products)
    totals = {name: 1e-3 for name in SPECIES}
    assert solve(totals, constants=built) == solve(totals, constants=CONSTANTS)


def test_neither_the_command_line_nor_a_question_imports_numpy() -> None:
    modules = ["kg.cli", *(f"kg.questions.{path.stem}" for path in sorted((ROOT / "kg" / "questions").glob("*.py")))]
    code = f"import importlib, sys\nfor name in {modules!r}: importlib.import_module(name)\nprint('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
