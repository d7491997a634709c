"""What every bench says, asked of the knowledge base. All statements are common practice unless a source stands beside them."""

from __future__ import annotations

import sqlite3

import pytest

from kg.answer import Answer, Item
from kg.questions.about import about
from kg.questions.handling import handling
from kg.questions.search import search
from kg.questions.suits import suits
from kg.questions.why import why


def _items(answer: Answer, *titles: str) -> list[Item]:
    """Return the lines of the sections whose title starts or ends with one of some words."""
    return [item for section in answer.sections for item in section.items
            if not titles or section.title.startswith(titles) or section.title.endswith(titles)]


def _unusable(connection: sqlite3.Connection, test: str) -> set[object]:
    return {item.data.get("material") for item in _items(suits(connection, test), "unsuitable", "not usable")}


def _usable(connection: sqlite3.Connection, test: str) -> set[object]:
    return {item.data.get("material") for item in _items(suits(connection, test), ": suitable", ": usable")}


def _rules(connection: sqlite3.Connection, test: str, requirement: str) -> list[Item]:
    return [item for item in _items(handling(connection, test)) if item.data.get("requirement") == requirement]


def _published(answer: Answer) -> set[object]:
    return {item.data.get("direction") for item in _items(answer, "Published")}


@pytest.mark.parametrize("cause", ["edta-carryover", "k2-edta-carryover", "k3-edta-carryover"])
def test_edta_carried_into_a_chemistry_tube_shows_high_potassium_with_low_calcium(connection: sqlite3.Connection, cause: str) -> None:
    # common practice; chadwick-2018 and lima-oliveira-2014 (abstracts)
    potassium, calcium = why(connection, "potassium", cause), why(connection, "calcium-total", cause)
    assert potassium.verdict == calcium.verdict == "changes"
    assert "increase" in _published(potassium)
    assert "decrease" not in _published(potassium)
    assert "decrease" in _published(calcium)
    assert "increase" not in _published(calcium)


def test_the_sign_of_edta_in_a_chemistry_tube_is_told_to_the_bench(connection: sqlite3.Connection) -> None:
    signs = [item.text.lower() for item in _items(why(connection, "potassium", "k2-edta-carryover"), "How to recognise it")]
    assert any("high potassium" in sign and "low calcium" in sign and "no haemolysis" in sign for sign in signs)


def test_sodium_edta_betrays_itself_by_calcium_alone(connection: sqlite3.Connection) -> None:
    # the salt holds no potassium, so potassium stays
    assert "increase" not in _published(why(connection, "potassium", "na2-edta-carryover"))
    assert "decrease" in _published(why(connection, "calcium-total", "na2-edta-carryover"))


@pytest.mark.parametrize("additive", ["sodium-citrate-3.2", "sodium-citrate-3.8"])
def test_citrate_tubes_take_nine_parts_of_blood_to_one(connection: sqlite3.Connection, additive: str) -> None:
    figures = [item.text for item in _items(about(connection, additive), "Tube figures") if "parts of blood to one part" in item.text]
    assert figures
    assert all(" 9 " in figure for figure in figures)


def test_a_short_filled_citrate_tube_is_refused(connection: sqlite3.Connection) -> None:
    # 90 % of the nominal volume: magnette-2016 and clsi-h21-2024 (read)
    figures = [item.text for item in _items(about(connection, "sodium-citrate-3.2"), "Tube figures") if "fill" in item.text]
    assert any("90 %" in figure for figure in figures)
    assert _rules(connection, "aptt", "full-fill")


def test_lactate_travels_on_ice(connection: sqlite3.Connection) -> None:
    rules = _rules(connection, "lactate", "keep-on-ice")
    assert rules
    assert any("heparin" in rule.text or "fluoride" in rule.text for rule in rules)


def test_ice_is_among_the_first_things_said_about_lactate(connection: sqlite3.Connection) -> None:
    # what is asked of this very analyte comes before what is asked of any test
    assert "on ice" in handling(connection, "lactate").headline


def test_potassium_does_not_travel_on_ice(connection: sqlite3.Connection) -> None:
    # the cold stops the pump of the red cell, and potassium leaks out
    assert _rules(connection, "potassium", "do-not-ice") or _rules(connection, "potassium", "do-not-refrigerate")


@pytest.mark.parametrize("test", ["full-blood-count", "abo-rhd-group", "factor-v-leiden", "antibody-screen", "reticulocyte-count", "hba1c"])
def test_edta_whole_blood_serves_counts_groups_and_genes(connection: sqlite3.Connection, test: str) -> None:
    assert _usable(connection, test) & {"edta-whole-blood", "k2-edta-whole-blood"}


def test_edta_blood_is_not_spun_for_a_count(connection: sqlite3.Connection) -> None:
    assert _rules(connection, "full-blood-count", "do-not-centrifuge")


def test_a_blood_count_is_not_made_from_clotted_or_heparin_blood(connection: sqlite3.Connection) -> None:
    # clotted: common practice; heparin: who-99-1-rev2, from memory
    assert {"clotted-blood", "heparin-whole-blood"} <= _unusable(connection, "full-blood-count")


@pytest.mark.parametrize("additive", ["sodium-fluoride-potassium-oxalate", "sodium-fluoride-na2-edta"])
def test_fluoride_halts_glycolysis(connection: sqlite3.Connection, additive: str) -> None:
    # enolase: strunecka-2020, abstract
    chain = why(connection, "glucose", additive).because
    assert any(link.kind == "conclusion" and link.id == f"{additive}.inhibits.enolase" for link in chain)
    assert any(link.kind == "conclusion" and "glycolysis inhibition" in link.text for link in chain)


def test_fluoride_does_not_halt_glycolysis_at_once(connection: sqlite3.Connection) -> None:
    # chan-1989, abstract: glucose falls for the first hour or more
    answer = why(connection, "glucose", "sodium-fluoride-unspecified")
    assert any(item.data.get("direction") == "decrease" and item.data.get("mechanism") == "glycolysis" for item in _items(answer, "Published"))


@pytest.mark.parametrize("additive", ["potassium-oxalate", "sodium-fluoride-potassium-oxalate"])
def test_oxalate_takes_calcium(connection: sqlite3.Connection, additive: str) -> None:
    answer = why(connection, "calcium-total", additive)
    assert answer.verdict == "changes"
    assert _published(answer) == {"decrease"}
    assert any(link.id == f"{additive}.binds-firmly.calcium-ion" for link in answer.because)


def test_oxalate_is_said_to_take_calcium_by_precipitation(connection: sqlite3.Connection) -> None:
    # calcium oxalate falls out: thermochimie-12a, read; a little stays dissolved as the complex
    proofs = [link for link in why(connection, "calcium-total", "potassium-oxalate").because
              if link.kind == "conclusion" and ".calcium-total." in link.id]
    assert any(".precipitation." in link.id for link in proofs)


STRIP = ["urine-ph", "urine-protein-strip", "urine-glucose", "urine-ketones", "urine-blood", "urine-bilirubin", "urine-urobilinogen",
         "urine-nitrite", "urine-leukocyte-esterase", "urine-specific-gravity"]


@pytest.mark.parametrize("field", ["urine-dipstick", *STRIP])
def test_a_boric_acid_urine_is_not_for_chemical_urinalysis(connection: sqlite3.Connection, field: str) -> None:
    assert "urine-boric-acid" in _unusable(connection, field)


def test_a_boric_acid_urine_is_for_culture(connection: sqlite3.Connection) -> None:
    # lum-meers-1989, abstract
    assert "urine-boric-acid" in _usable(connection, "urine-culture")


@pytest.mark.parametrize("test", ["urine-culture", "urine-culture-and-urinalysis"])
def test_a_urine_that_also_goes_for_culture_goes_there_before_it_is_poured_off(connection: sqlite3.Connection, test: str) -> None:
    rules = _rules(connection, test, "keep-free-of-contamination")
    assert rules
    assert any("before" in rule.text and "pour" in rule.text and "culture" in rule.text for rule in rules)


@pytest.mark.parametrize("test", ["urine-microscopy", "urine-sediment"])
def test_ten_to_twelve_millilitres_make_a_standard_sediment(connection: sqlite3.Connection, test: str) -> None:
    # 12 mL: clsi-gp16, from memory; 10 mL: urine-sediment-open-protocol, read
    rules = _rules(connection, test, "collect-complete-volume")
    assert [(rule.data["value"], rule.data["unit"]) for rule in rules] == [(10, "mL")]
    assert "10 to 12 mL" in rules[0].text


@pytest.mark.parametrize("test", ["urine-culture", "urine-dipstick", "urine-ph", "csf-culture", "faecal-culture", "sputum-culture"])
def test_no_specimen_but_blood_is_told_to_clot_or_to_do_without_a_tourniquet(connection: sqlite3.Connection, test: str) -> None:
    for requirement in ("allow-to-clot", "limit-tourniquet", "avoid-infusion-arm"):
        assert _rules(connection, test, requirement) == []


def test_the_anticoagulant_of_culture_broth_removes_calcium(connection: sqlite3.Connection) -> None:
    # the polyanion holds calcium loosely; from memory
    chain = why(connection, "calcium-ionised", "sodium-polyanethole-sulfonate").because
    assert any(link.id == "sodium-polyanethole-sulfonate.binds-loosely.calcium-ion" for link in chain)
    assert any(link.kind == "conclusion" and link.id.endswith("calcium-ionised.decrease") and link.rule for link in chain)


def test_the_anticoagulant_of_culture_broth_damps_complement(connection: sqlite3.Connection) -> None:
    # belding-klebanoff-1972, abstract, for serum killing; the derived chain from memory
    answer = why(connection, "complement-total-haemolytic", "sodium-polyanethole-sulfonate")
    assert answer.verdict == "changes"
    assert any(link.id == "sodium-polyanethole-sulfonate.inhibits.complement-proteins" for link in answer.because)


def test_the_anticoagulant_of_culture_broth_damps_phagocytosis(connection: sqlite3.Connection) -> None:
    # belding-klebanoff-1972, abstract
    answer = why(connection, "phagocytosis", "sodium-polyanethole-sulfonate")
    assert answer.verdict == "changes"
    assert "decrease" in _published(answer)
    assert "belding-klebanoff-1972" in {citation.id for citation in answer.citations}


def test_the_purpose_of_the_anticoagulant_of_culture_broth_is_found_by_its_words(connection: sqlite3.Connection) -> None:
    # belding-klebanoff-1972, abstract
    texts = [item.text for item in _items(search(connection, "anticoagulant phagocytosis"))]
    assert any("complement" in text and "phagocyt" in text for text in texts)


def test_a_culture_is_not_made_from_an_edta_tube(connection: sqlite3.Connection) -> None:
    assert "edta-whole-blood" in _unusable(connection, "blood-culture")
