"""The constants of the speciation against the databases that ship with PHREEQC, and what is refused."""

from __future__ import annotations

import re
import sqlite3

import pytest

from kg.chemistry.constants import ChemistryError, Constants
from kg.chemistry.equilibrium import solve, solve_many
from tests import geochemistry
from tests.on_paper import FACTS, by_id, equilibrium_counts, table

CONSTANTS = Constants.from_files(FACTS)
ROWS = table("equilibrium_constants")
COUNTS = equilibrium_counts()


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
    totals = dict.fromkeys(CONSTANTS.species, 1e-3)
    assert solve(totals, constants=built) == solve(totals, constants=CONSTANTS)
