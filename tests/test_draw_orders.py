"""Draw orders against the order as each published guideline gives it.

The expected lists were written by hand from the guidelines named beside them, position by position. Most of them are
``from memory``: the guideline's own text was not open when the list was written; the fact table has to say so too.
"""

from __future__ import annotations

import itertools
import re
import sqlite3

import pytest

from kg.questions.order import order
from tests.on_paper import by_id, listed, table

# Which family of tubes an additive belongs to. Common practice.
FAMILY = {
    "culture": ("sodium-polyanethole-sulfonate",),
    "citrate": ("sodium-citrate-3.2", "sodium-citrate-3.8", "sodium-citrate-unspecified", "ctad"),
    "sedimentation": ("sodium-citrate-westergren",),
    "plain": ("no-additive-serum",),
    "activator": ("silica-clot-activator", "thrombin-clot-activator", "glass-bead-clot-activator"),
    "serum gel": ("serum-separator-gel", "thrombin-separator-gel"),
    "heparin": ("lithium-heparin", "sodium-heparin", "heparin-unspecified-salt", "ammonium-heparin"),
    "heparin gel": ("plasma-separator-gel-lithium-heparin", "mechanical-separator-lithium-heparin"),
    "balanced heparin": ("electrolyte-balanced-heparin",),
    "edta": ("k2-edta", "k3-edta", "na2-edta", "k-edta-unspecified", "edta-any-salt", "aprotinin-edta", "edta-glutathione",
             "edta-dpp4-inhibitor"),
    "edta gel": ("edta-separator-gel",),
    "acd": ("acid-citrate-dextrose", "acid-citrate-dextrose-a", "acid-citrate-dextrose-b", "cpda"),
    "fluoride": ("sodium-fluoride-potassium-oxalate", "sodium-fluoride-na2-edta", "sodium-fluoride-heparin",
                 "sodium-fluoride-unspecified", "sodium-fluoride-k-edta", "fluoride-citrate-edta",
                 "fluoride-citrate-edta-liquid"),
    "trace element": ("trace-element-tube",),
    "cell stabiliser": ("cell-stabiliser",),
}
FAMILY_OF = {additive: family for family, additives in FAMILY.items() for additive in additives}

SERUM = {"plain", "activator", "serum gel"}
HEPARIN = {"heparin", "heparin gel"}
EDTA = {"edta", "edta gel"}
USUAL = [{"culture"}, {"citrate"}, SERUM, HEPARIN, {"edta"}, {"fluoride"}]
AFTER_THE_WOUND = [{"balanced heparin"}, {"edta"}, {"heparin", "fluoride"}, SERUM]

# guideline: source id, basis on which the list is known, the positions in their order
PUBLISHED = {
    # Simundic et al. 2018, joint EFLM-COLABIOCLI recommendation. From memory.
    "eflm-colabiocli-2018-venous": (
        "simundic-2018", "memory", [{"culture"}, {"citrate"}, SERUM, HEPARIN, EDTA, {"fluoride"}, {"trace element"}]),
    # Slovenian society, numbered list. Text read.
    "szkklm-order-venous": ("szkklm-order", "read", [*USUAL, {"trace element"}]),
    # CLSI GP41, 2017: six steps. From memory.
    "clsi-gp41-2017-venous": ("clsi-gp41", "memory", [{"culture"}, {"citrate"}, SERUM, HEPARIN, EDTA, {"fluoride"}]),
    # WHO 2010, table 2.3: the plain tube before citrate. From memory.
    "who-2010-venous": (
        "who-drawing-blood-2010", "memory",
        [{"culture"}, {"plain"}, {"citrate"}, {"activator"}, {"serum gel"}, {"heparin"}, {"heparin gel"}, {"edta"}, {"acd"},
         {"fluoride"}]),
    # Cornes et al. 2017, EFLM opinion: three steps in brief. Abstract.
    "cornes-2017-summary-venous": (
        "cornes-2017", "abstract", [{"culture"}, {"plain", "serum gel"}, {"citrate", "heparin", "edta", "fluoride"}]),
    # Magnette et al. 2016, table 1. Text read.
    "magnette-2016-venous": (
        "magnette-2016", "read", [{"culture"}, {"citrate"}, {"plain", "serum gel"}, {"heparin", "edta", "fluoride"}]),
    # Nikolac et al. 2013, built on CLSI H3-A6. From memory.
    "croatia-2013-venous": (
        "nikolac-2013", "memory", [{"culture"}, {"citrate"}, {"plain", "activator"}, {"heparin"}, {"edta"}, {"fluoride"}]),
    # CLSI GP42, 2020, as quoted in another text, which was read.
    "clsi-gp42-capillary": ("clsi-gp42", "read", AFTER_THE_WOUND),
    # Krleza et al. 2015. From memory.
    "croatia-2015-capillary": ("krleza-2015", "memory", AFTER_THE_WOUND),
    # WHO 2010, capillary chapter: blood count, chemistry, blood bank. From memory.
    "who-2010-capillary": (
        "who-drawing-blood-2010", "memory", [{"edta"}, {"heparin", *SERUM}, set()]),
    # Drawing from a line: waste volume first. Common practice.
    "line-draw-practice": ("common-practice", "practice", [set(), *USUAL]),
    # Filling from a syringe: the order of evacuated tubes. Common practice.
    "syringe-transfer-practice": ("common-practice", "practice", USUAL),
    # With the rarer tubes. Common practice.
    "bench-venous-practice": (
        "common-practice", "practice",
        [{"culture"}, {"citrate"}, {"sedimentation"}, {"plain"}, {"activator", "serum gel"}, HEPARIN, EDTA, {"acd"}, {"fluoride"},
         {"cell stabiliser"}]),
}


def _steps(guideline: str) -> list[dict[str, str]]:
    return sorted((row for row in table("draw_order") if row["guideline"] == guideline), key=lambda row: int(row["position"]))


def test_every_guideline_of_the_fact_table_is_compared_here() -> None:
    assert {row["guideline"] for row in table("draw_order")} == set(PUBLISHED) == set(by_id("guidelines"))


@pytest.mark.parametrize("guideline", PUBLISHED)
def test_the_positions_of_a_guideline_hold_the_tubes_its_publication_gives_them(guideline: str) -> None:
    _, _, expected = PUBLISHED[guideline]
    steps = _steps(guideline)
    assert [int(step["position"]) for step in steps] == list(range(1, len(expected) + 1))
    assert [{FAMILY_OF[additive] for additive in listed(step["additives"])} for step in steps] == expected


@pytest.mark.parametrize("guideline", PUBLISHED)
def test_each_position_names_the_publication_and_how_far_it_was_read(guideline: str) -> None:
    source, basis, _ = PUBLISHED[guideline]
    assert {(step["source"], step["basis"]) for step in _steps(guideline)} == {(source, basis)}


@pytest.mark.parametrize("guideline", PUBLISHED)
def test_the_containers_of_a_position_hold_additives_of_that_position(guideline: str) -> None:
    containers = by_id("containers")
    broth = {"aerobic-culture-broth", "anaerobic-culture-broth", "paediatric-culture-broth", "mycobacterial-culture-broth"}
    trace = {"trace-element-k2-edta", "trace-element-sodium-heparin", "trace-element-clot-activator", "trace-element-tube"}
    for step in _steps(guideline):
        families = {FAMILY_OF[additive] for additive in listed(step["additives"])}
        for container in listed(step["containers"]):
            held = set(listed(containers[container]["additives"])) - broth
            known = {FAMILY_OF[additive] for additive in held if additive in FAMILY_OF}
            if held & trace or container.startswith("tube-trace-element"):
                known = {"trace element"}
            if container == "capillary-lithium-heparin":
                known = {"balanced heparin"}  # the blood gas capillary holds balanced heparin
            assert known, f"{container} holds nothing that has a place"
            assert known <= families, f"{guideline} position {step['position']}: {container}"


def test_the_world_health_organization_fills_the_plain_tube_before_citrate_and_says_how_it_is_known() -> None:
    # who-drawing-blood-2010, table 2.3, from memory: unlike CLSI and EFLM
    place = {step["step"]: int(step["position"]) for step in _steps("who-2010-venous")}
    assert place["Plain tube without additive"] < place["Citrate tube"]


# Common practice: culture bottles, citrate, serum (activator, gel), heparin, EDTA, fluoride.
TRADE_ORDER = ("blood-culture-bottle", "tube-citrate-3.2", "tube-clot-activator-gel", "tube-lithium-heparin", "tube-k2-edta",
               "tube-fluoride-oxalate")


def _placed(connection: sqlite3.Connection, tubes: tuple[str, ...]) -> list[str]:
    return [str(item.data["tube"]) for item in order(connection, tubes).sections[0].items]


def test_six_tubes_come_in_the_order_of_the_trade_however_they_are_typed(connection: sqlite3.Connection) -> None:
    # common practice; the same order as simundic-2018
    wrong = [tubes for tubes in itertools.permutations(TRADE_ORDER) if _placed(connection, tubes) != list(TRADE_ORDER)]
    assert wrong == []


@pytest.mark.parametrize("typed", [
    ("lavender", "light blue", "gold", "blood cultures", "grey", "heparin tube"),
    ("glucose tube", "EDTA tube", "green top", "serum gel tube", "coagulation tube", "blood culture bottle"),
    ("fluoride oxalate", "K2EDTA", "lithium heparin", "silica clot activator", "sodium citrate 3.2 %", "SPS"),
])
def test_tubes_named_as_the_ward_names_them_come_in_the_order_of_the_trade(
        connection: sqlite3.Connection, typed: tuple[str, ...]) -> None:
    # common practice
    positions = [item.data["position"] for item in order(connection, typed).sections[0].items]
    assert positions == [1, 2, 3, 4, 5, 6]


def test_the_whole_order_of_the_default_guideline_is_that_of_the_trade(connection: sqlite3.Connection) -> None:
    # simundic-2018, from memory
    steps = [str(item.data["additives"]) for item in order(connection).sections[0].items]
    assert [next(iter({FAMILY_OF[a].removesuffix(" gel") for a in listed(step)} - {"activator", "serum"})) for step in steps] == [
        "culture", "citrate", "plain", "heparin", "edta", "fluoride", "trace element"]


@pytest.mark.parametrize("typed", [("tube-k2-edta", "tube-clot-activator-gel"), ("tube-clot-activator-gel", "tube-k2-edta")])
def test_edta_before_serum_is_reported_to_pass_on_high_potassium_and_low_calcium(
        connection: sqlite3.Connection, typed: tuple[str, str]) -> None:
    # lima-oliveira-2014 (abstract) and calam-1982 (from memory)
    answer = order(connection, typed)
    broken = next(s for s in answer.sections if s.title == "What is passed on when the order is broken")
    (item,) = broken.items
    assert item.data["tube"] == "tube-k2-edta"
    assert item.data["before"] == ["Clot activator tube with gel"]
    up = re.search(r"\bUp: ([^.]+)", item.text)
    down = re.search(r"\bDown: ([^.]+)", item.text)
    assert up and "potassium" in up[1].split("; ")
    assert down and "calcium, total" in down[1].split("; ")
    assert "potassium" not in down[1].split("; ")
    assert "lima-oliveira-2014" in {citation.id for citation in answer.citations}


def test_tubes_in_the_right_order_alone_break_nothing(connection: sqlite3.Connection) -> None:
    titles = [section.title for section in order(connection, ("tube-plain",)).sections]
    assert "What is passed on when the order is broken" not in titles


def test_the_order_of_the_world_health_organization_is_reported_as_a_disagreement(connection: sqlite3.Connection) -> None:
    # who-drawing-blood-2010 against simundic-2018, both from memory
    answer = order(connection, ("tube-plain", "tube-citrate-3.2"))
    assert any("WHO venous order, 2010" in text for text in answer.conflicts)


def test_a_capillary_order_fills_edta_before_serum(connection: sqlite3.Connection) -> None:
    # clsi-gp42, as quoted in another text
    answer = order(connection, ("microtube-serum", "microtube-k2-edta"), guideline="clsi-gp42-capillary")
    assert [item.data["tube"] for item in answer.sections[0].items] == ["microtube-k2-edta", "microtube-serum"]


def test_a_tube_no_guideline_names_is_left_as_not_known(connection: sqlite3.Connection) -> None:
    answer = order(connection, ("tube-perchloric-acid",))
    assert answer.verdict == "not-known"
    assert any("the guideline does not name it" in text for text in answer.unknowns)
