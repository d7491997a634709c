"""The chemistry of the graph against textbooks: stability constants, what binds what, and the effects every technologist is taught.

Each effect is asked for through ``why``: the verdict, a derived link that names its rule and the direction, and the sources.
Constants of the textbook at ionic strength 0.1 mol/L are ``from memory``; those at zero ionic strength are read from the MINTEQ and
ThermoChimie databases. The Davies equation that carries one to the other is from memory.
"""

from __future__ import annotations

import math
import sqlite3

import pytest
from molmass import Formula

from kg.questions.why import why
from tests.on_paper import table


def _constants(ligand: str, metal: str, ionic_strength: float) -> dict[str, float]:
    """Return log10 K of the first complex by source."""
    return {row["source"]: float(row["log10_k"]) for row in table("binding")
            if row["ligand"] == ligand and row["metal"] == metal and row["log10_k"] and row["ionic_strength"]
            and float(row["ionic_strength"]) == ionic_strength and row["precipitates"] == "no" and "cumulative" not in row["note"]}


def test_both_constants_of_calcium_with_edta_are_kept() -> None:
    # textbook at I = 0.1: 10.65, from memory; minteq-v4 at I = 0: 12.42, read; thermochimie-12a: 12.69, read
    assert _constants("edta-4minus", "calcium-ion", 0.1) == {"recalled-general": 10.65}
    assert _constants("edta-4minus", "calcium-ion", 0) == {"minteq-v4": 12.42, "thermochimie-12a": 12.69}


def _davies(log_k: float, metal: int, ligand: int) -> float:
    """Carry log10 K from zero ionic strength to 0.1 mol/L at 25 Cel by the Davies equation (from memory)."""
    root = math.sqrt(0.1)
    activity = 0.509 * (root / (1 + root) - 0.3 * 0.1)
    return log_k + ((metal - ligand) ** 2 - metal**2 - ligand**2) * activity


@pytest.mark.parametrize(("ligand", "charge", "metal", "metal_charge"), [
    # minteq-v4 (read) at I = 0 against the textbook (from memory) at I = 0.1
    ("edta-4minus", 4, "calcium-ion", 2), ("edta-4minus", 4, "magnesium-ion", 2), ("edta-4minus", 4, "zinc-ion", 2),
    ("edta-4minus", 4, "copper-2-ion", 2), ("edta-4minus", 4, "iron-2-ion", 2), ("edta-4minus", 4, "iron-3-ion", 3),
    ("citrate-3minus", 3, "calcium-ion", 2), ("citrate-3minus", 3, "magnesium-ion", 2),
])
def test_the_two_sets_of_constants_are_one_chemistry_at_two_ionic_strengths(
        ligand: str, charge: int, metal: str, metal_charge: int) -> None:
    infinite = _constants(ligand, metal, 0)["minteq-v4"]
    textbook = _constants(ligand, metal, 0.1)["recalled-general"]
    assert _davies(infinite, metal_charge, charge) == pytest.approx(textbook, abs=0.3)


def test_edta_prefers_metals_in_the_order_of_the_textbook() -> None:
    # from memory: iron(III) > copper > zinc > iron(II) > calcium > magnesium
    order = ["iron-3-ion", "copper-2-ion", "zinc-ion", "iron-2-ion", "calcium-ion", "magnesium-ion"]
    for strength, source in ((0.0, "minteq-v4"), (0.1, "recalled-general")):
        found = [_constants("edta-4minus", metal, strength)[source] for metal in order]
        assert found == sorted(found, reverse=True)


@pytest.mark.parametrize("metal", ["calcium-ion", "magnesium-ion"])
def test_citrate_binds_less_firmly_than_edta(metal: str) -> None:
    # minteq-v4, thermochimie-12a (read) and the textbook (from memory): every constant of citrate lies below every one of EDTA
    citrate = [k for strength in (0.0, 0.1) for k in _constants("citrate-3minus", metal, strength).values()]
    edta = [k for strength in (0.0, 0.1) for k in _constants("edta-4minus", metal, strength).values()]
    assert citrate
    assert max(citrate) + 3 < min(edta)


def _interactions(connection: sqlite3.Connection, agent: str) -> set[tuple[str, str]]:
    return set(map(tuple, connection.execute("SELECT verb, target FROM interaction WHERE agent = ?", (agent,)).fetchall()))


@pytest.mark.parametrize("additive", ["k2-edta", "k3-edta", "na2-edta"])
@pytest.mark.parametrize("metal", ["calcium-ion", "magnesium-ion", "zinc-ion", "iron-2-ion", "iron-3-ion"])
def test_an_edta_salt_binds_the_metals_of_the_textbook_firmly(connection: sqlite3.Connection, additive: str, metal: str) -> None:
    # minteq-v4, read
    assert ("binds-firmly", metal) in _interactions(connection, additive)


def test_a_citrate_tube_binds_calcium_but_not_as_firmly_as_an_edta_tube(connection: sqlite3.Connection) -> None:
    # minteq-v4, read
    citrate = _interactions(connection, "sodium-citrate-3.2")
    assert ("binds", "calcium-ion") in citrate
    assert ("binds-firmly", "calcium-ion") not in citrate


def test_oxalate_takes_calcium_out_of_solution() -> None:
    # thermochimie-12a, read: -log10 of the solubility product 8.73 (monohydrate). With 1.2 mmol/L of free calcium and the 5.4 mmol/L
    # oxalate of the least filled tube (iso-6710-2017, from memory) the product of ions is far above it, activities (Davies) included.
    products = [float(row["log10_k"]) for row in table("binding")
                if (row["ligand"], row["metal"], row["precipitates"]) == ("oxalate-2minus", "calcium-ion", "yes")]
    assert 8.73 in products
    root = math.sqrt(0.16)
    coefficient = 10 ** (-0.509 * 4 * (root / (1 + root) - 0.3 * 0.16))
    ions = (1.2e-3 * coefficient) * (5.4e-3 * coefficient)
    assert all(ions > 10 * 10**-product for product in products)


@pytest.mark.parametrize(("target", "source"), [
    ("urease", "todd-hausinger-2000"),  # abstract
    ("enolase", "strunecka-2020"),  # abstract
])
@pytest.mark.parametrize("additive", ["sodium-fluoride-potassium-oxalate", "sodium-fluoride-na2-edta", "sodium-fluoride-heparin"])
def test_every_fluoride_tube_inhibits_urease_and_enolase(
        connection: sqlite3.Connection, additive: str, target: str, source: str) -> None:
    assert ("inhibits", target) in _interactions(connection, additive)
    assert source in {row["source"] for row in table("inhibition") if (row["agent"], row["target"]) == ("fluoride-ion", target)}


def test_a_usual_k2edta_tube_holds_4_45_mmol_per_litre_of_blood_and_twice_that_of_potassium() -> None:
    # 1.8 mg/mL of the dihydrate; molar mass by molmass. In plasma at haematocrit 0.45: 8.1 mmol/L.
    blood = 1.8 / Formula("C10H14K2N2O8.2H2O").mass * 1000
    assert blood == pytest.approx(4.45, abs=0.005)
    assert blood / (1 - 0.45) == pytest.approx(8.1, abs=0.05)
    shipped = [row for row in table("tube_specifications") if row["additive"] == "k2-edta" and row["source"] == "own-arithmetic"]
    assert [float(row["low"]) for row in shipped] == [pytest.approx(blood, abs=0.005)]
    released = {row["species"]: row["per_mole"] for row in table("composition")
                if row["additive"] == "k2-edta" and row["relation"] == "releases"}
    assert (released["edta-4minus"], released["potassium-ion"]) == ("1", "2")


TEXTBOOK = [
    # analyte, cause, direction, mechanism of the proof, a source the answer has to cite. Directions: common practice where no source.
    ("potassium", "k2-edta", "increase", "cation-contamination", "lima-oliveira-2014"),
    ("calcium-total", "k2-edta", "decrease", "chelation", "lima-oliveira-2014"),
    ("calcium-ionised", "k2-edta", "decrease", "chelation", ""),
    ("magnesium-total", "k2-edta", "decrease", "chelation", "lima-oliveira-2014"),
    ("alp", "k2-edta", "decrease", "cofactor-removal", "alp-apoenzyme-zinc"),
    ("urea", "sodium-fluoride-potassium-oxalate", "decrease", "enzyme-inhibition", "todd-hausinger-2000"),
    ("ammonia", "ammonium-heparin", "increase", "cation-contamination", ""),
    ("lithium", "lithium-heparin", "increase", "cation-contamination", ""),
    ("sodium", "sodium-citrate-3.2", "increase", "cation-contamination", ""),
    ("sodium", "sodium-heparin", "increase", "cation-contamination", ""),
    ("potassium", "potassium-oxalate", "increase", "cation-contamination", ""),
    ("calcium-total", "potassium-oxalate", "decrease", "", "thermochimie-12a"),
    ("ld", "potassium-oxalate", "decrease", "enzyme-inhibition", "emerson-wilkinson-1965"),
    ("pcr-amplification", "sodium-polyanethole-sulfonate", "decrease", "enzyme-inhibition", "fredricks-relman-1998"),
    ("pcr-amplification", "lithium-heparin", "decrease", "enzyme-inhibition", "holodniy-1991"),
    ("pcr-amplification", "heparin-unspecified-salt", "decrease", "enzyme-inhibition", "holodniy-1991"),
    ("glucose", "delayed-separation", "decrease", "glycolysis", ""),
    ("lactate", "delayed-separation", "increase", "glycolysis", ""),
    ("potassium", "delayed-separation", "increase", "cell-leakage", ""),
    ("potassium", "haemolysis", "increase", "haemolysis-release", "frank-1978"),
    ("ld", "haemolysis", "increase", "haemolysis-release", "sonntag-1986"),
    ("ast", "haemolysis", "increase", "haemolysis-release", "koseoglu-2011"),
    ("chloride", "iv-saline-0.9", "increase", "analyte-contamination", "spies-2024"),
    ("glucose", "iv-dextrose-5", "increase", "analyte-contamination", "spies-2024"),
    ("sodium", "iv-dextrose-5", "decrease", "dilution", "spies-2024"),
    ("potassium", "k2-edta-carryover", "increase", "cation-contamination", ""),
    ("calcium-total", "k2-edta-carryover", "decrease", "chelation", ""),
    ("alp", "k2-edta-carryover", "decrease", "cofactor-removal", ""),
]


@pytest.mark.parametrize(("analyte", "cause", "direction", "mechanism", "source"), TEXTBOOK,
                         ids=[f"{analyte}-{cause}" for analyte, cause, *_ in TEXTBOOK])
def test_a_textbook_effect_is_published_and_proved(
        connection: sqlite3.Connection, analyte: str, cause: str, direction: str, mechanism: str, source: str) -> None:
    answer = why(connection, analyte, cause)
    assert answer.verdict == "changes"
    proofs = [link for link in answer.because if link.kind == "conclusion" and link.id.endswith(f".{direction}")
              and link.id.startswith(f"{cause}.{mechanism}") and f".{analyte}." in link.id]
    assert proofs, [link.id for link in answer.because]
    assert all(link.rule for link in proofs)
    facts = [link for link in answer.because if link.kind == "fact" and link.sources]
    assert facts
    cited = {citation.id for citation in answer.citations}
    assert cited
    assert {one for link in facts for one in link.sources} <= cited
    assert not source or source in cited


@pytest.mark.parametrize(("analyte", "cause", "source"), [
    # the source of the premise itself: emerson-wilkinson-1965, fredricks-relman-1998, holodniy-1991, todd-hausinger-2000 (abstracts)
    ("ld", "potassium-oxalate", "emerson-wilkinson-1965"),
    ("pcr-amplification", "sodium-polyanethole-sulfonate", "fredricks-relman-1998"),
    ("pcr-amplification", "lithium-heparin", "holodniy-1991"),
    ("urea", "sodium-fluoride-potassium-oxalate", "todd-hausinger-2000"),
])
def test_the_step_that_matters_rests_on_its_own_paper(
        connection: sqlite3.Connection, analyte: str, cause: str, source: str) -> None:
    answer = why(connection, analyte, cause)
    assert any(link.kind == "fact" and link.sources == (source,) and "inhibits" in link.text for link in answer.because)


def test_a_proof_rests_on_the_best_founded_inhibition_there_is(connection: sqlite3.Connection) -> None:
    # holodniy-1991 (abstract): heparin stops the polymerase; that it stops reverse transcriptase is only recalled
    answer = why(connection, "pcr-amplification", "heparin-unspecified-salt")
    assert any("holodniy-1991" in link.sources for link in answer.because if link.kind == "fact")


def _derived(connection: sqlite3.Connection, cause: str) -> set[tuple[str, str, str, str | None]]:
    passed_on = ("cation-contamination", "chelation", "cofactor-removal", "enzyme-inhibition")
    return {tuple(row) for row in connection.execute(
        "SELECT analyte, mechanism, direction, method FROM effect WHERE cause = ? AND status = 'derived'", (cause,))
        if row["mechanism"] in passed_on}


@pytest.mark.parametrize("additive", ["k2-edta", "k3-edta", "sodium-fluoride-potassium-oxalate", "lithium-heparin"])
def test_carry_over_does_what_its_additive_does(connection: sqlite3.Connection, additive: str) -> None:
    # common practice: a little of the tube before acts as that tube does
    assert _derived(connection, additive)
    assert _derived(connection, f"{additive}-carryover") == _derived(connection, additive)


def test_no_additive_is_proved_to_raise_what_it_only_binds(connection: sqlite3.Connection) -> None:
    # a chelator without calcium cannot raise calcium (textbook, from memory)
    wrong = connection.execute(
        "SELECT id FROM effect WHERE status = 'derived' AND mechanism = 'chelation' AND direction = 'increase' "
        "AND analyte IN ('calcium-total', 'calcium-ionised', 'magnesium-total', 'iron', 'zinc', 'copper')").fetchall()
    assert [row["id"] for row in wrong] == []


# Ranges and lags

def _concluded(connection: sqlite3.Connection, cause: str, analyte: str, mechanism: str) -> list[tuple[str, str | None]]:
    """Return direction and condition of what is derived for one cause and one analyte through one mechanism."""
    return [(row["direction"], row["condition"]) for row in connection.execute(
        "SELECT direction, condition FROM effect WHERE status = 'derived' AND cause = ? AND analyte = ? AND mechanism = ?",
        (cause, analyte, mechanism))]


def test_an_infusion_dilutes_only_where_the_whole_range_lies_below_the_reference_limits(connection: sqlite3.Connection) -> None:
    # fluid-table-pmc6532631, read: sodium of 20 % albumin 48 to 100 mmol/L; fluid-table-pmc4568103, read: of 5 % albumin 130 to 160
    assert _concluded(connection, "iv-albumin-20", "sodium", "dilution") == [("decrease", None)]
    assert _concluded(connection, "iv-albumin-5", "sodium", "dilution") == []
    # what an albumin infusion is made of is not told, so nothing is derived for all of them
    assert _concluded(connection, "iv-albumin", "sodium", "dilution") == []


def test_a_range_about_the_reference_limits_says_neither_that_an_infusion_brings_nor_that_it_dilutes(connection: sqlite3.Connection) -> None:
    # bnf-fluids, from memory: calcium of central parenteral nutrition 2 to 5 mmol/L, about the reference limits of plasma
    assert _concluded(connection, "tpn", "calcium-total", "dilution") == []
    assert _concluded(connection, "tpn", "calcium-total", "cation-contamination") == []
    # bnf-fluids, from memory: its potassium, 20 to 60 mmol/L, is far above
    assert _concluded(connection, "tpn", "potassium", "cation-contamination") == [("increase", None)]


def test_every_figure_of_a_fluid_lies_beyond_the_limit_that_its_derived_effect_names(connection: sqlite3.Connection) -> None:
    # the figures are those of fluid_composition.csv and reference_limits.csv, each with its own source
    found = connection.execute(
        "SELECT p.rule, f.value, l.low, l.high FROM proof p JOIN premise c ON c.proof = p.id AND c.position = 1 "
        "JOIN premise r ON r.proof = p.id AND r.position = 3 JOIN fluid_composition f0 ON f0.id = c.fact "
        "JOIN fluid_composition f ON f.fluid = f0.fluid AND f.species = f0.species AND f.unit = f0.unit "
        "JOIN reference_limits l ON l.id = r.fact WHERE p.rule IN ('infusion-brings', 'infusion-dilutes')").fetchall()
    assert len(found) > 100
    assert all(row["value"] > row["high"] if row["rule"] == "infusion-brings" else row["value"] < row["low"] for row in found)


@pytest.mark.parametrize("additive", ["sodium-fluoride-potassium-oxalate", "sodium-fluoride-heparin", "sodium-fluoride-k-edta"])
def test_fluoride_keeps_glucose_only_after_the_first_hours_and_the_derived_statement_says_so(
        additive: str, connection: sqlite3.Connection) -> None:
    # From memory (recalled-general): enolase comes late in glycolysis. mannose-1987, abstract: glucose falls for 2 h, then stays.
    [(direction, condition)] = _concluded(connection, additive, "glucose", "glycolysis-inhibition")
    assert direction == "no-effect" and condition and "only after the first one to two hours" in condition
    sentence = connection.execute("SELECT sentence FROM fact WHERE id = ?", (f"{additive}.glycolysis-inhibition.glucose.no-effect",)).fetchone()[0]
    assert "only after the first one to two hours" in sentence


def test_acid_with_fluoride_keeps_glucose_at_once(connection: sqlite3.Connection) -> None:
    # bonetti-2016, abstract: 5.48, 5.46 and 5.46 mmol/L after 1, 2 and 4 h at room temperature
    assert _concluded(connection, "fluoride-citrate-edta", "glucose", "glycolysis-inhibition") == [("no-effect", None)]
