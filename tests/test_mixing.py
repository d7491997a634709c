"""Mixing in the plasma phase: worked by hand, on published worked examples, and for any amounts at all.

Sums without another source were done on paper for this test (conservation of mass and volume).
"""

from __future__ import annotations

import math
import sqlite3

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kg.chemistry import mixing
from kg.chemistry.mixing import Dose
from tests.model_figures import figures
from tests.on_paper import by_id, table

FRACTION = st.floats(0, 1)
SOME = st.floats(0.001, 0.999)
HAEMATOCRIT = st.floats(0, 0.9)
AMOUNT = st.floats(0, 2000)


def test_twelve_per_cent_of_blood_of_the_same_haematocrit_is_twelve_per_cent_of_the_plasma() -> None:
    assert mixing.blood_share(0.12, 0.45, 0.45) == pytest.approx(0.12, rel=1e-12)


def test_anaemic_blood_brings_more_plasma_than_its_share_of_the_blood() -> None:
    # by hand: 0.12 x 0.70 / (0.12 x 0.70 + 0.88 x 0.55) = 0.084 / 0.568
    assert mixing.blood_share(0.12, 0.45, 0.30) == pytest.approx(0.084 / 0.568, rel=1e-12)


def test_twelve_per_cent_of_k2_edta_blood_gives_the_potassium_worked_by_hand() -> None:
    # design of the tube: 4.45 mmol EDTA per litre of blood, 8.9 mmol potassium; plasma 0.55 L per litre, so +16.1818 in the tube;
    # 12 % of that is 1.9418 mmol/L, on top of 4.2
    mixed = mixing.carry_over({"potassium-ion": 4.2}, Dose("k2-edta", {"edta-4minus": 4.45, "potassium-ion": 8.9}), 0.12, 0.45)
    assert mixed["potassium-ion"] == pytest.approx(4.2 + 0.12 * 8.9 / 0.55, rel=1e-12)
    assert mixed["potassium-ion"] == pytest.approx(6.142, abs=5e-4)
    assert mixed["edta-4minus"] == pytest.approx(0.971, abs=5e-4)


def test_a_full_k2_edta_tube_holds_eight_millimoles_of_edta_per_litre_of_plasma_and_twice_that_of_potassium() -> None:
    # icsh-1993 (abstract) for the dose by mass; 1.8 mg/mL of the dihydrate
    plasma = mixing.in_tube({}, mixing.dose_of(figures(), "k2-edta"), 0.45)
    assert plasma["edta-4minus"] == pytest.approx(8.09, abs=0.01)
    assert plasma["potassium-ion"] == pytest.approx(2 * plasma["edta-4minus"], rel=1e-9)


@pytest.mark.parametrize(("fluid", "share"), [(0.05, 0.087), (0.1, 0.168), (0.2, 0.312)])
def test_a_fluid_takes_the_share_of_the_plasma_that_the_worked_mixtures_state(fluid: float, share: float) -> None:
    # computed-mixing (im-045 to im-125), at haematocrit 0.45
    assert mixing.fluid_share(fluid, 0.45) == pytest.approx(share, abs=5e-4)


def test_a_tenth_of_saline_moves_sodium_and_potassium_as_worked_by_hand() -> None:
    # share 0.1/0.595; sodium 140 to 142.353, potassium 4.2 to 3.494 (im-050, im-051)
    mixed = mixing.infuse({"sodium-ion": 140.0, "potassium-ion": 4.2}, {"sodium-ion": 154.0}, 0.1, 0.45)
    assert mixed["sodium-ion"] - 140 == pytest.approx(2.35, abs=0.005)
    assert mixed["potassium-ion"] - 4.2 == pytest.approx(-0.71, abs=0.005)


def test_citrated_blood_brings_its_solution_along() -> None:
    # by hand: 1 L of it is 0.9 L blood (0.495 L plasma at haematocrit 0.45) and 0.1 L of 109 mmol/L: 10.9 mmol in 0.595 L, 18.3193
    # mmol/L; 10 % of it with 90 % of plain blood: 0.0595 L in 0.5545 L of plasma phase, so 1.9657 mmol/L
    dose = Dose("citrate", {"citrate-3minus": 109.0}, 9.0)
    assert mixing.in_tube({}, dose, 0.45)["citrate-3minus"] == pytest.approx(10.9 / 0.595, rel=1e-12)
    assert mixing.carry_over({}, dose, 0.1, 0.45)["citrate-3minus"] == pytest.approx(1.09 / 0.5545, rel=1e-12)


def test_a_few_microlitres_of_neat_k3_edta_equal_a_far_larger_volume_of_edta_blood() -> None:
    # by hand: 10 uL of 1017 mmol/L potassium in 4 mL of blood: share 0.01 / (0.01 + 4 x 0.55), +4.60 mmol/L less thinning
    solution = mixing.dose_of(figures(), "k3-edta", neat=True).concentrations
    mixed = mixing.neat_additive({"potassium-ion": 0.0}, solution, 0.010, 4.0, 0.45)
    assert mixed["potassium-ion"] == pytest.approx(1017 * 0.010 / 2.210, rel=1e-12)


def test_half_a_tube_of_blood_has_twice_the_dry_additive_and_an_overfilled_one_less() -> None:
    assert mixing.concentration_after_filling(4.45, 0.5) == pytest.approx(8.9)
    assert mixing.concentration_after_filling(4.45, 1.1) == pytest.approx(4.45 / 1.1)


def test_citrate_thins_plasma_of_haematocrit_45_to_five_sixths() -> None:
    # own-arithmetic (ci-0067): plasma keeps 0.832 of its concentration
    assert mixing.plasma_kept(9, 0.45) == pytest.approx(0.832, abs=5e-4)


def test_salt_that_stays_outside_draws_water_from_cells_as_worked_by_hand() -> None:
    # 29 mosm/L of blood, haematocrit 0.5, half of the cell volume active: x = 29 x 0.25 / (290 x 0.75 + 29) = 7.25 / 246.5
    drawn = 7.25 / 246.5
    assert mixing.drawn_from_cells(29, 0.5, 290, 0.5) == pytest.approx(drawn / (0.5 + drawn), rel=1e-12)


def test_water_drawn_by_fluoride_and_oxalate_is_more_than_lipids_show() -> None:
    # naf-kox-lipids-2023 (abstract): cholesterol 5.83 % lower. The model is off by a factor of two to three because it keeps all salt
    # outside, whereas fluoride enters the cells.
    dose = mixing.dose_of(figures(), "sodium-fluoride-potassium-oxalate")
    p = figures()
    thinned = mixing.drawn_from_cells(sum(dose.concentrations.values()), 0.45, p.value("blood", "osmolality"), p.value("blood", "osmotic-cell-water"))
    assert 0.0583 < thinned < 3 * 0.0583


WORKED = [
    # haematocrit %, blood mL, citrate mL, source
    (65, 5.0, 0.323875, "clinicaldiagnotics-citrate (read), ci-0016"),
    (55, 5.0, 0.416, "clinicaldiagnotics-citrate (read), ci-0018"),
    (60, 5.0, 0.37, "clinicaldiagnotics-citrate (read), ci-0019"),
    (65, 5.0, 0.324, "clinicaldiagnotics-citrate (read), ci-0020"),
    (70, 5.0, 0.277, "clinicaldiagnotics-citrate (read), ci-0021"),
    (75, 5.0, 0.231, "clinicaldiagnotics-citrate (read), ci-0022"),
    (65, 4.5, 0.29, "haematology-textbook-memory, ci-0027"),
    (60, 4.5, 0.333, "haematology-textbook-memory, ci-0028"),
]


@pytest.mark.parametrize(("percent", "blood", "citrate", "source"), WORKED)
def test_citrate_for_a_high_haematocrit_meets_a_published_worked_example(percent: float, blood: float, citrate: float, source: str) -> None:
    assert mixing.citrate_for_blood(blood, percent / 100) == pytest.approx(citrate, abs=0.0015), source


def test_the_quick_chart_that_leaves_a_tube_of_haematocrit_45_alone_differs_from_its_own_formula() -> None:
    # clinicaldiagnotics-citrate (read), ci-0017: 0.5 mL left as it is; the formula gives 0.509
    assert mixing.citrate_for_blood(5, 0.45) == pytest.approx(0.509, abs=5e-4)


def test_the_other_formula_meets_its_published_example_with_blood_put_in_for_the_volume() -> None:
    # fritsma-siniard-citrate (read), ci-0013: 2.7 mL of blood, haematocrit 60 %, 0.202 mL; as total volume 0.224 mL
    assert mixing.citrate_for_total(2.7, 0.60) == pytest.approx(0.202, abs=5e-4)
    assert mixing.citrate_for_total(3.0, 0.60) == pytest.approx(0.224, abs=5e-4)


@pytest.mark.parametrize(("percent", "citrate"), [(70, 0.06), (60, 0.075), (50, 0.09), (40, 0.1)])
def test_the_straight_line_runs_through_the_handbook_table_it_was_fitted_to(percent: float, citrate: float) -> None:
    # hathaway-goodnight (read second-hand), ci-0007 to ci-0010, mL per mL of anticoagulated blood
    assert mixing.citrate_by_line(1, percent / 100) == pytest.approx(citrate, abs=0.0025)


def test_every_worked_row_of_the_table_follows_from_its_formula() -> None:
    # own-arithmetic, ci-0029 to ci-0065
    functions = {
        "C = 0.00185 x (100 - Hct) x V": lambda row, hct: mixing.citrate_for_blood(float(row["blood_volume"]), hct),
        "C = total x (100 - Hct) / (595 - Hct)": lambda row, hct: mixing.citrate_for_total(float(row["total_volume"]), hct),
        "C = blood x (100 - Hct) / (595 - Hct)": lambda row, hct: mixing.citrate_for_total(float(row["blood_volume"]), hct),
        "C = blood x (100 - Hct) / 495": lambda row, hct: mixing.citrate_as_at(float(row["blood_volume"]), hct, 0.45),
        "C = blood x (100 - Hct) / 540": lambda row, hct: mixing.citrate_as_at(float(row["blood_volume"]), hct, 0.40),
    }
    checked = [row for row in table("citrate_rules") if row["kind"] == "derived-check" and row["formula"] in functions]
    assert len(checked) == 37
    for row in checked:
        citrate = functions[row["formula"]](row, float(row["haematocrit"]) / 100)
        assert citrate == pytest.approx(float(row["citrate_result"]), abs=6e-5), row["id"]


def test_plasma_citrate_of_short_and_of_thick_blood_is_that_of_the_table() -> None:
    # own-arithmetic, ci-0067 to ci-0089; reneke-1998 (abstract) for 109 and 129 mmol/L
    checked = [row for row in table("citrate_rules") if row["kind"] == "derived-check" and row["effect_unit"] == "mmol/L"]
    assert len(checked) == 23
    for row in checked:
        solution = 129 if "129" in row["statement"] else 109
        found = mixing.plasma_citrate(solution, float(row["haematocrit"]) / 100, float(row["fill"]) / 100)
        assert found == pytest.approx(float(row["effect"]), abs=0.06), row["id"]


@given(AMOUNT, AMOUNT, FRACTION, HAEMATOCRIT, HAEMATOCRIT)
def test_no_amount_is_lost_or_made_when_blood_mixes(own: float, other: float, f: float, h: float, hc: float) -> None:
    share = mixing.blood_share(f, h, hc)
    volume_own, volume_other = (1 - f) * (1 - h), f * (1 - hc)
    mixed = mixing.mix({"x": own}, {"x": other}, share)["x"]
    assert mixed * (volume_own + volume_other) == pytest.approx(own * volume_own + other * volume_other, rel=1e-9, abs=1e-9)


@given(AMOUNT, st.floats(0.1, 2), st.floats(1, 20), SOME, HAEMATOCRIT)
def test_no_additive_is_lost_when_citrated_blood_is_carried_over(solution: float, fill: float, ratio: float, f: float, h: float) -> None:
    dose = Dose("citrate", {"x": solution}, ratio)
    mixed = mixing.carry_over({"x": 0.0}, dose, f, h, fill=fill)["x"]
    parts = 1 + ratio * fill
    plasma = (1 - f) * (1 - h) + f * (1 + ratio * fill * (1 - h)) / parts
    assert mixed * plasma == pytest.approx(f * solution / parts, rel=1e-9, abs=1e-9)


@given(FRACTION, FRACTION, HAEMATOCRIT, HAEMATOCRIT)
def test_more_contaminating_blood_is_never_a_smaller_share_of_the_plasma(f: float, g: float, h: float, hc: float) -> None:
    low, high = sorted((f, g))
    assert mixing.blood_share(low, h, hc) <= mixing.blood_share(high, h, hc) + 1e-15


@given(FRACTION, HAEMATOCRIT, HAEMATOCRIT)
def test_a_share_lies_between_nothing_and_everything(f: float, h: float, hc: float) -> None:
    assert 0 <= mixing.blood_share(f, h, hc) <= 1


@given(SOME, HAEMATOCRIT, HAEMATOCRIT)
def test_the_fraction_of_blood_is_found_again_from_the_share_of_plasma(f: float, h: float, hc: float) -> None:
    assert mixing.blood_fraction(mixing.blood_share(f, h, hc), h, hc) == pytest.approx(f, rel=1e-9)


@given(st.lists(SOME, min_size=2, max_size=5), HAEMATOCRIT)
def test_many_specimens_at_once_give_what_each_gives_alone(fractions: list[float], h: float) -> None:
    together = mixing.fluid_share(np.array(fractions), h)
    assert together.tolist() == [float(mixing.fluid_share(f, h)) for f in fractions]


BAD = [
    (lambda: mixing.blood_share(-0.1, 0.45, 0.45), "blood_fraction"),
    (lambda: mixing.blood_share(1.1, 0.45, 0.45), "blood_fraction"),
    (lambda: mixing.fluid_share(float("nan"), 0.45), "fluid_fraction"),
    (lambda: mixing.blood_share(0.1, 1.2, 0.45), "haematocrit"),
    (lambda: mixing.blood_share(0.1, 45, 0.45), "haematocrit"),
    (lambda: mixing.blood_share(0.1, 0.45, 1.0), "contaminant_haematocrit"),
    (lambda: mixing.mix({"sodium": 140}, {}, 2), "share"),
    (lambda: mixing.mix({"sodium": -1}, {}, 0.1), "sodium"),
    (lambda: mixing.concentration_after_filling(4.45, 0), "fill"),
    (lambda: mixing.plasma_kept(-9, 0.45), "blood_to_additive"),
    (lambda: mixing.neat_additive({}, {}, -1, 4, 0.45), "volume"),
    (lambda: mixing.neat_additive({}, {}, 1, 0, 0.45), "blood_volume"),
    (lambda: mixing.citrate_for_blood(-5, 0.6), "blood_volume"),
    (lambda: mixing.citrate_for_total(5, 60), "haematocrit"),
    (lambda: mixing.fluid_share("much", 0.45), "fluid_fraction"),
    (lambda: mixing.dose_of(figures(), "tea"), "additive"),
]


@pytest.mark.parametrize(("call", "field"), BAD)
def test_an_impossible_quantity_is_refused_with_the_name_of_its_field(call: object, field: str) -> None:
    with pytest.raises(ValueError, match=rf"^{field}: "):
        call()  # type: ignore[operator]


def test_every_dose_names_an_additive_and_every_method_figure_a_method_of_the_knowledge_base() -> None:
    known = by_id("additives").keys()
    doses = [row for row in table("model_parameters") if row["model"] == "tube"]
    assert {row["condition"] for row in doses} <= known
    parts = {"blood", "plasma-water", "tube", "fluid", "glycolysis", "potassium-leak", "platelet-release", "phosphate-leak", "ld-leak",
             "ammonia-release", "ionised-calcium", "carbon-dioxide", "oxygen", "recovering-calcium-method", "explanation", "validation"}
    assert {row["model"] for row in table("model_parameters")} - parts <= by_id("methods").keys()


def test_every_figure_of_the_model_lies_within_its_own_range() -> None:
    for figure in figures().figures:
        assert math.isfinite(figure.value)
        assert (figure.low is None or figure.low <= figure.value) and (figure.high is None or figure.value <= figure.high), figure.id


def test_cations_of_each_dose_balance_its_anions_as_the_salt_does() -> None:
    # stoichiometry: K2EDTA 2, K3EDTA 3, Na2EDTA 2, citrate 3, oxalate 2, fluoride 1
    def of(additive: str) -> dict[str, float]:
        return mixing.dose_of(figures(), additive).concentrations

    for additive, cation, count in (("k2-edta", "potassium-ion", 2), ("k3-edta", "potassium-ion", 3), ("na2-edta", "sodium-ion", 2)):
        assert of(additive)[cation] == pytest.approx(count * of(additive)["edta-4minus"], rel=0.01)
    for additive in ("sodium-citrate-3.2", "sodium-citrate-3.8", "sodium-citrate-westergren", "ctad"):
        assert of(additive)["sodium-ion"] == pytest.approx(3 * of(additive)["citrate-3minus"])
    grey = of("sodium-fluoride-potassium-oxalate")
    assert grey["potassium-ion"] == pytest.approx(2 * grey["oxalate-2minus"], rel=0.01)
    assert grey["sodium-ion"] == grey["fluoride-ion"]


def test_a_fluid_of_the_graph_is_read_with_the_middle_of_what_sources_say(connection: sqlite3.Connection) -> None:
    # fluid-table-pmc4568103 (read) for saline; lobo-2013-book and fluid-table-pmc6532631 (read) for the potassium of compound lactate
    assert mixing.fluid_of(connection, "sodium-chloride-0.9") == {"chloride-ion": 154, "potassium-ion": 0, "sodium-ion": 154}
    assert mixing.fluid_of(connection, "compound-sodium-lactate")["potassium-ion"] == pytest.approx(5.2)
    with pytest.raises(ValueError, match=r"^fluid: "):
        mixing.fluid_of(connection, "tea")
