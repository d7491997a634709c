"""What a method reads: electrodes, dyes, enzymes. Sums without another source were done on paper for this test."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kg.chemistry import response
from kg.chemistry.constants import Constants
from kg.chemistry.equilibrium import solve
from kg.chemistry.parameters import Parameters
from tests.model_figures import figures
from tests.on_paper import FACTS

DYES = ("ocpc-calcium", "arsenazo-calcium", "nm-bapta-calcium")
EDTA_K = 10.2
"""log10 of the apparent constant of calcium and EDTA near pH 10.6, for tests of the dye alone."""


@pytest.fixture
def p() -> Parameters:
    return figures()


def test_usual_plasma_is_93_to_94_per_cent_water(p: Parameters) -> None:
    # waugh-1969, from memory: 99.1 - 0.1 x 6 - 0.07 x 70 = 93.6 %
    assert response.water_share(p, 70, 6) == pytest.approx(0.936)


def test_the_two_electrodes_agree_on_usual_plasma(p: Parameters) -> None:
    both = [response.electrode(p, 150, 70, 6, direct=direct) for direct in (True, False)]
    assert both == [pytest.approx(140.4), pytest.approx(140.4)]


def test_fat_lowers_sodium_of_the_indirect_electrode_only(p: Parameters) -> None:
    # waugh-1969, from memory (lipaemia-01): 10 g/L more of fat, about 1.5 mmol/L lower; fortgens-2011 (abstract): direct is blind to it
    usual, fat = (response.electrode(p, 150, 70, lipid, direct=False) for lipid in (6, 16))
    assert usual - fat == pytest.approx(1.5)
    assert response.electrode(p, 150, 70, 16, direct=True) == response.electrode(p, 150, 70, 6, direct=True)


def test_much_protein_lowers_sodium_of_the_indirect_electrode(p: Parameters) -> None:
    # chopra-2020 (abstract) for the sign; by hand: 50 g/L more protein, 3.5 % of 150 mmol per litre of water
    assert response.electrode(p, 150, 70, 6, direct=False) - response.electrode(p, 150, 120, 6, direct=False) == pytest.approx(5.25)


def test_two_partners_of_one_thing_share_it_as_worked_by_hand() -> None:
    # H = 1, one partner of 1 with K = 2: h (1 + 2/(1 + 2h)) = 1, so 2h^2 + h - 1 = 0 and h = 0.5; it holds 0.5
    held = response.compete(1.0, {"a": (1.0, 2.0)})
    assert held["a"] == pytest.approx(0.5)
    assert held[""] == pytest.approx(0.5)


@given(st.floats(0, 100), st.lists(st.tuples(st.floats(0, 50), st.floats(-6, 15)), min_size=1, max_size=4))
def test_what_partners_hold_and_what_is_free_is_all_there_was(hub: float, partners: list[tuple[float, float]]) -> None:
    held = response.compete(hub, {str(i): (total, 10**k) for i, (total, k) in enumerate(partners)})
    assert sum(float(amount) for amount in held.values()) == pytest.approx(hub, rel=1e-9, abs=1e-12)
    assert all(0 <= held[str(i)] <= total * (1 + 1e-12) for i, (total, _) in enumerate(partners))


@pytest.mark.parametrize("method", DYES)
def test_a_dye_reads_calcium_right_without_a_ligand(method: str, p: Parameters) -> None:
    assert response.dye_calcium(p, method, np.array([0.0, 1.0, 2.35]), {}) == pytest.approx(np.array([0, 1, 2.35]))


@pytest.mark.parametrize("method", DYES)
def test_every_dye_loses_about_as_much_calcium_as_there_is_edta(method: str, p: Parameters) -> None:
    # kalaria-edta (abstract): calcium beyond the reference change at 0.17 mmol/L EDTA, which is 7 % of 2.35 mmol/L
    read = response.dye_calcium(p, method, 2.35, {"edta": (0.17, EDTA_K)})
    assert 1 - read / 2.35 == pytest.approx(0.17 / 2.35, rel=0.3)


@pytest.mark.parametrize("method", DYES)
def test_calcium_in_neat_edta_plasma_is_next_to_nothing(method: str, p: Parameters) -> None:
    # who-99-1-rev2, from memory (ae-0550)
    assert response.dye_calcium(p, method, 2.35, {"edta": (8.1, EDTA_K)}) < 0.05


@pytest.mark.parametrize("method", DYES)
def test_a_dye_takes_most_calcium_back_from_citrate(method: str, p: Parameters) -> None:
    # recalled-general (rq-0003): dyes are strong enough for citrate; log10 K 3.5 at ionic strength 0.1 (bi-0006)
    assert 0.85 < response.dye_calcium(p, method, 2.0, {"citrate": (18.3, 3.5)}) / 2.0 <= 1


def test_a_stronger_dye_recovers_more(p: Parameters) -> None:
    figure = p.figure("arsenazo-calcium", "dye-log10-k")
    read = [response.dye_calcium(p.with_values(**{figure.id.replace("-", "_"): k}), "arsenazo-calcium", 2.35, {"edta": (0.2, 7.1)})
            for k in (5.0, 6.0, 7.0)]
    assert read == sorted(read)
    assert read[0] < read[-1]


def test_edta_halves_magnesium_by_xylidyl_blue_where_it_was_found_to(p: Parameters) -> None:
    # edta-mg-fe-assay-preprint (abstract): 0.78 to 1.18 mmol/L; this figure set the parameter
    assert response.chelator_loss(p, "xylidyl-blue-magnesium", 0.98) == pytest.approx(0.5)
    assert response.chelator_loss(p, "xylidyl-blue-magnesium", np.array([0.0, 8.1])) == pytest.approx(np.array([1, 0.06]), abs=0.01)


def test_enzymatic_magnesium_and_the_flame_read_what_edta_holds(p: Parameters) -> None:
    # edta-mg-fe-assay-preprint (abstract) for the enzymatic method; recalled-general (ae-0553) for the flame
    for method in ("enzymatic-magnesium", "atomic-absorption"):
        assert response.metal_read(p, method, 0.8, 0.7) == pytest.approx(0.8)
    assert response.metal_read(p, "free-zinc-colorimetry", 15, 14) == pytest.approx(1)


def test_edta_takes_zinc_first_and_alp_last() -> None:
    # chadwick-2018 (abstract): at 0.19 mmol/L EDTA zinc -71 %, ALP -4 %; kalaria-edta (abstract): ALP beyond the reference change
    # above 1.86 mmol/L; in neat EDTA plasma it is lost (who-99-1-rev2, from memory)
    p, constants = figures(), Constants.from_files(FACTS)

    def free(edta: float) -> dict[str, float]:
        totals = {"calcium-ion": 2.33e-3, "magnesium-ion": 0.83e-3, "zinc-ion": 14.5e-6, "albumin-protein": 0.63e-3, "edta-4minus": edta / 1000}
        return {name: 1000 * amount for name, amount in solve(totals, constants=constants, solids=()).free.items()}

    before = free(0.0)
    left = [float(response.alp_activity(p, now["zinc-ion"], now["magnesium-ion"], before["zinc-ion"], before["magnesium-ion"]))
            for now in map(free, (0.19, 1.86, 8.1))]
    assert free(0.19)["zinc-ion"] < 0.1 * before["zinc-ion"]
    assert 0.95 < left[0] < 1
    assert 0.7 < left[1] < 0.95
    assert left[2] < 0.01


def test_alp_needs_both_its_metals(p: Parameters) -> None:
    assert response.alp_activity(p, 0.0, 0.5, 2e-6, 0.5) == 0
    assert response.alp_activity(p, 2e-6, 0.0, 2e-6, 0.5) == 0
    assert response.alp_activity(p, 2e-6, 0.5, 2e-6, 0.5) == pytest.approx(1)


def test_oxalate_takes_the_share_of_ld_that_was_found(p: Parameters) -> None:
    # emerson-wilkinson-1965 (abstract): 55 to 68 % at 0.2 mmol/L in the reaction; this figure set the parameter
    assert 0.55 <= 1 - response.inhibited(p, "ld-lactate-to-pyruvate", 0.2 * 50) <= 0.68
    assert response.ld_read(p, 200, 0) == 200


def test_fluoride_hurts_a_rate_of_urease_more_than_an_end_point(p: Parameters) -> None:
    # principle of the two methods; todd-hausinger-2000 (abstract) for the inhibition, its size from memory
    rate, end = (response.urea_read(p, method, 5.0, 20.0) for method in ("urease-gldh", "urease-end-point"))
    assert rate < end < 5.0
    assert response.urea_read(p, "urease-end-point", 5.0, 0.0) == pytest.approx(5.0)


@given(st.floats(0, 10), st.floats(0, 10), st.sampled_from(DYES))
def test_more_edta_never_raises_calcium(first: float, second: float, method: str) -> None:
    low, high = sorted((first, second))
    read = response.dye_calcium(figures(), method, 2.35, {"edta": (np.array([low, high]), EDTA_K)})
    assert read[1] <= read[0] + 1e-12
    assert read[1] >= 0


BAD = [
    (lambda p: response.water_share(p, -1, 6), "total_protein"),
    (lambda p: response.water_share(p, 70, 5000), "lipid"),
    (lambda p: response.electrode(p, -140, 70, 6, direct=True), "concentration"),
    (lambda p: response.compete(-1, {}), "hub"),
    (lambda p: response.compete(1, {"dye": (-1, 1)}), "dye total"),
    (lambda p: response.dye_calcium(p, "ocpc-calcium", -2, {}), "calcium"),
    (lambda p: response.dye_calcium(p, "tea", 2, {}), "tea dilution"),
    (lambda p: response.metal_read(p, "enzymatic-magnesium", 0.8, 0.9), "held"),
    (lambda p: response.chelator_loss(p, "pdts-iron", -1), "chelator"),
    (lambda p: response.alp_activity(p, 1e-9, 0.5, 0.0, 0.5), "usual_zinc"),
    (lambda p: response.urea_read(p, "urease-gldh", 5, -1), "inhibitor"),
]


@pytest.mark.parametrize(("call", "field"), BAD)
def test_an_impossible_quantity_is_refused_with_the_name_of_its_field(call: object, field: str, p: Parameters) -> None:
    with pytest.raises(ValueError, match=rf"^{field}: "):
        call(p)  # type: ignore[operator]
