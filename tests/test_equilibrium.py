"""The speciation against PHREEQC, against textbooks, and against what must hold for any composition."""

from __future__ import annotations

import random
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from kg.chemistry.activity import debye_hueckel_slope
from kg.chemistry.constants import Constants
from kg.chemistry.equilibrium import Speciation, solve, solve_many
from tests import geochemistry
from tests.on_paper import FACTS, ROOT, equilibrium_counts, table

CONSTANTS = Constants.from_files(FACTS)
ROWS = table("equilibrium_constants")
COUNTS = equilibrium_counts()
METALS = ("calcium-ion", "magnesium-ion", "zinc-ion", "copper-2-ion", "iron-2-ion", "iron-3-ion")
LIGANDS = ("edta-4minus", "citrate-3minus", "oxalate-2minus", "fluoride-ion")
SALTS = ("sodium-ion", "potassium-ion")
SPECIES = (*METALS, *LIGANDS, *SALTS, "albumin-protein")


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
    # A metal that changes its valency is left out, because PHREEQC would let it react. Its water has an activity of about 0.994,
    # ours of 1: two solids of which one holds water and which share calcium shift by up to half a per cent of it.
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
    for mine, row, calcium in zip(own, reference, _columns(compositions)["calcium-ion"], strict=True):
        oxalate, fluoride = mine.solids["calcium-oxalate-monohydrate"], mine.solids["calcium-fluoride-solid"]
        assert (oxalate > 0, fluoride > 0) == (row["Whewellite"] > 0, row["Fluorite"] > 0)
        assert (oxalate, fluoride) == pytest.approx((row["Whewellite"], row["Fluorite"]), rel=0.01, abs=0.01 * calcium)
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
PLASMA = st.fixed_dictionaries(dict.fromkeys(SPECIES, AMOUNT))
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
    assert done.free[metal] < 1e-4


def test_nothing_at_all_is_a_composition_too() -> None:
    assert solve({}, constants=CONSTANTS).free == {}
    assert solve({"calcium-ion": 0.0, "edta-4minus": 0.0}, constants=CONSTANTS).complexes["calcium-edta"] == 0


def test_neither_the_command_line_nor_a_question_imports_numpy() -> None:
    modules = ["kg.cli", *(f"kg.questions.{path.stem}" for path in sorted((ROOT / "kg" / "questions").glob("*.py")))]
    code = f"import importlib, sys\nfor name in {modules!r}: importlib.import_module(name)\nprint('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
