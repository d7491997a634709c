"""What every question promises: one structure, reasons with sources, and 'no effect' never mixed up with 'not known'."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable

import pytest

from kg.answer import Answer
from kg.ask import ask
from kg.questions.about import about
from kg.questions.affects import affects
from kg.questions.compare import compare
from kg.questions.handling import handling
from kg.questions.invalidates import invalidates
from kg.questions.order import order
from kg.questions.search import search
from kg.questions.sources import sources
from kg.questions.suits import suits
from kg.questions.why import why

ALL: dict[str, Callable[[sqlite3.Connection], Answer]] = {
    "invalidates": lambda c: invalidates(c, "sodium-fluoride-potassium-oxalate"),
    "why": lambda c: why(c, "potassium", "k2-edta"),
    "suits": lambda c: suits(c, "ammonia"),
    "suits-on": lambda c: suits(c, "lithium", "lithium-heparin"),
    "affects": lambda c: affects(c, "potassium"),
    "order": lambda c: order(c, ["k2-edta", "sodium-citrate-3.2"]),
    "handling": lambda c: handling(c, "lactate"),
    "compare": lambda c: compare(c, "k2-edta", "lithium-heparin"),
    "compare-test": lambda c: compare(c, "serum", "edta-plasma", "pth"),
    "about": lambda c: about(c, "k2-edta"),
    "search": lambda c: search(c, "boric acid"),
    "sources": lambda c: sources(c),
    "ask": lambda c: ask(c, "which tests does potassium oxalate spoil?"),
}
KEYS = ["question", "understood", "verdict", "headline", "sections", "because", "conflicts", "unknowns", "citations", "cautions", "versions"]


@pytest.fixture(params=ALL, ids=list(ALL))
def answer(request: pytest.FixtureRequest, connection: sqlite3.Connection) -> Answer:
    found: Answer = ALL[request.param](connection)
    return found


def test_an_answer_has_the_same_keys_whatever_was_asked(answer: Answer) -> None:
    assert list(answer.to_json()) == KEYS


def test_an_answer_survives_the_way_through_json(answer: Answer) -> None:
    assert json.loads(json.dumps(answer.to_json())) == json.loads(json.dumps(answer.to_json()))
    assert json.loads(json.dumps(answer.to_json()))["headline"] == answer.headline


def test_an_answer_leads_with_its_headline_and_ends_with_cautions_and_versions(answer: Answer) -> None:
    text = answer.to_text(width=10_000)
    assert text.startswith(answer.headline)
    assert "responsible laboratory professional decide" in text
    assert text.rstrip().endswith("data 2026.11.25.")


def test_every_source_that_a_line_names_is_cited_with_its_basis(answer: Answer) -> None:
    cited = {citation.id for citation in answer.citations}
    named = {s for section in answer.sections for item in section.items for s in item.sources} | {s for link in answer.because for s in link.sources}
    assert named <= cited
    assert all(c.basis in ("read", "abstract", "memory", "practice") for c in answer.citations if answer.question != "sources")


def test_a_cut_list_says_how_many_lines_are_missing(connection: sqlite3.Connection) -> None:
    whole = invalidates(connection, "k2-edta")
    longest = max(len(section.items) for section in whole.sections)
    assert f"and {longest - 5} more (--all prints them)" in whole.to_text(limit=5)
    assert "--all prints them" not in whole.to_text()


def test_not_known_and_no_known_effect_are_different_verdicts(connection: sqlite3.Connection) -> None:
    # Common practice: K2EDTA blood is the material of the blood count. Nothing at all is recorded on hirudin and copper.
    looked_at = why(connection, "abo-rhd-group", "k2-edta")
    unheard_of = why(connection, "copper", "hirudin")
    assert looked_at.verdict == "no-known-effect"
    assert unheard_of.verdict == "not-known"
    assert "not known" in unheard_of.headline
    assert unheard_of.unknowns


def test_what_only_practice_holds_harmless_is_not_said_to_have_been_looked_at(connection: sqlite3.Connection) -> None:
    # Common practice: the salt K2EDTA holds no sodium.
    found = why(connection, "sodium", "k2-edta-carryover")
    assert found.verdict == "no-known-effect"
    assert "Common practice holds it to be unaffected" in found.headline and "looked at, and" not in found.headline
    # mohri-2009, abstract: albumin was compared in EDTA plasma and serum.
    assert "It was looked at, and no change was found." in why(connection, "albumin", "edta-any-salt").headline


def test_what_is_recalled_only_is_not_said_to_have_been_looked_at(connection: sqlite3.Connection) -> None:
    # From memory: the pairs on which nothing but recalled statements of no effect is on record.
    headlines = [why(connection, row["analyte"], row["cause"]).headline for row in connection.execute(
        "SELECT analyte, cause FROM effect WHERE status = 'asserted' GROUP BY 1, 2 "
        "HAVING min(basis = 'memory' AND direction = 'no-effect') ORDER BY 1, 2")]
    alone = [headline for headline in headlines if "recalled" in headline]
    assert len(alone) > 5
    assert not [headline for headline in alone if "looked at, and" in headline]


def test_a_change_by_one_kind_of_a_cause_is_not_said_of_the_cause(connection: sqlite3.Connection) -> None:
    # Common practice: dry lithium heparin does not dilute, the liquid kind does; urea from heparin was compared with serum (abstracts).
    found = why(connection, "urea", "lithium-heparin")
    assert found.verdict == "no-known-effect"
    assert "with these kinds only: liquid lithium heparin (falls, dilution)" in found.headline
    assert "although by chemistry" not in found.headline


def test_a_material_without_any_fact_is_not_known_and_not_suitable(connection: sqlite3.Connection) -> None:
    assert suits(connection, "copper", "hirudin").verdict == "not-known"


def test_a_kind_that_dilutes_does_not_condemn_the_dry_additive_that_it_is_a_kind_of(connection: sqlite3.Connection) -> None:
    # Common practice: the heparin of a tube is dry; the liquid of a syringe dilutes. Nothing is published on 11-deoxycortisol in it.
    found = suits(connection, "11-deoxycortisol", "lithium-heparin")
    assert found.verdict == "not-known" and found.unknowns
    assert "expected to be unsuitable by chemistry with liquid lithium heparin" in found.headline
    assert suits(connection, "11-deoxycortisol", "liquid-lithium-heparin").verdict == "expected-unsuitable"


def test_a_published_judgement_on_one_kind_neither_condemns_nor_clears_the_others(connection: sqlite3.Connection) -> None:
    by_kind = {kind: suits(connection, "lithium", kind) for kind in ("lithium-heparin", "sodium-heparin", "heparin-unspecified-salt")}
    # wills-2006, abstract: lithium heparin brings lithium. Common practice: sodium heparin does not. A salt not told may be either.
    assert by_kind["lithium-heparin"].verdict == "unsuitable"
    assert by_kind["sodium-heparin"].verdict == "suitable"
    assert by_kind["heparin-unspecified-salt"].verdict == "limited"
    assert "unsuitable with" in by_kind["heparin-unspecified-salt"].headline
    # Common practice: separating gels take up tricyclic drugs; that says nothing of serum without a gel.
    assert suits(connection, "amitriptyline", "serum").verdict == "limited"
    assert "unsuitable with clot activator with separator gel" in suits(connection, "amitriptyline", "serum").headline


def test_no_material_is_condemned_by_its_kinds_alone(connection: sqlite3.Connection) -> None:
    above = [row["broader"] for row in connection.execute("SELECT broader FROM closure WHERE narrower = 'lithium-heparin'")]
    for (analyte,) in connection.execute("SELECT id FROM analytes ORDER BY id LIMIT 60"):
        if suits(connection, analyte, "lithium-heparin").verdict == "expected-unsuitable":
            spoken = connection.execute(
                "SELECT 1 FROM effect e JOIN closure c ON c.narrower = ? OR c.broader = ? "
                "WHERE e.status = 'derived' AND e.direction <> 'no-effect' AND e.analyte IN (c.broader, c.narrower) "
                "AND e.cause IN (SELECT value FROM json_each(?))", (analyte, analyte, json.dumps(above))).fetchone()
            assert spoken, analyte


def test_what_keeps_only_after_a_while_is_said_with_its_condition(connection: sqlite3.Connection) -> None:
    # From memory (recalled-general): iodoacetate stops a late step of glycolysis, so the earlier ones go on using glucose for some hours.
    found = why(connection, "glucose", "lithium-iodoacetate")
    assert found.verdict == "expected"
    assert "kept by chemistry (glycolysis inhibition), only after the first hours; until then it goes on falling" in found.headline


def test_the_chain_of_reasons_ends_in_a_conclusion_by_rule_and_starts_from_facts_with_sources(connection: sqlite3.Connection) -> None:
    chain = why(connection, "alp", "k2-edta").because
    assert chain[0].kind == "fact"
    assert chain[0].sources
    assert chain[-1].kind == "conclusion"
    assert chain[-1].rule


def test_disagreement_between_sources_is_shown(connection: sqlite3.Connection) -> None:
    # Published: atomic absorption reads the calcium that EDTA holds, dye methods do not [who-99-1-rev2, recalled-general].
    found = why(connection, "calcium-total", "k2-edta")
    assert any("no change found" in text for text in found.conflicts)


def test_no_answer_offers_a_corrected_result(connection: sqlite3.Connection) -> None:
    text = why(connection, "potassium", "haemolysis").to_text(width=10_000).casefold()
    assert "report the corrected" not in text
    assert "corrected result is" not in text


def test_nothing_but_the_asked_material_is_kept_when_one_is_named(connection: sqlite3.Connection) -> None:
    kept = invalidates(connection, "k2-edta", material="edta-plasma")
    materials = {e["material"] for s in kept.sections for item in s.items for e in item.data.get("effects", ())}
    below = {r[0] for r in connection.execute("SELECT narrower FROM closure WHERE broader = 'edta-plasma'")}
    assert materials <= below | {None}


def test_a_question_that_is_not_understood_says_so_and_offers_others(connection: sqlite3.Connection) -> None:
    found = ask(connection, "will it rain tomorrow?")
    assert found.verdict == "not-understood"
    assert found.sections[0].items


def test_the_catalogue_takes_part_in_the_answer(connection: sqlite3.Connection) -> None:
    # QV-CA is the calcium test of the invented demonstration laboratory, QV-BONE a panel that holds it.
    titles = {item.data.get("code") for section in invalidates(connection, "k2-edta").sections for item in section.items}
    assert {"QV-CA", "QV-BONE"} <= titles
