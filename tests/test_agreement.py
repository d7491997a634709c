"""When a published effect and a derived one confirm each other, go against each other, or speak past each other."""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from kg.problem import BuildError
from tests.kinship import kinship
from tests.miniature import Miniature


@pytest.fixture
def raw(database: Path) -> Iterator[sqlite3.Connection]:
    """The full database without the guard of questions, still read-only."""
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as opened:
        yield opened


def _mark(raw: sqlite3.Connection, effect: str) -> str:
    return str(raw.execute("SELECT agreement FROM effect WHERE id = ?", (effect,)).fetchone()[0])


def test_what_only_the_liquid_kind_does_is_nothing_against_a_finding_on_a_salt_not_told(raw: sqlite3.Connection) -> None:
    # mohri-2009, abstract: albumin alike in EDTA plasma and serum. That liquid K3EDTA dilutes is common practice.
    assert raw.execute("SELECT cause, direction FROM effect WHERE id = 'ae-0503'").fetchone() == ("k-edta-unspecified", "no-effect")
    assert raw.execute("SELECT 1 FROM effect WHERE cause = 'k3-edta' AND mechanism = 'dilution' AND status = 'derived'").fetchone()
    assert _mark(raw, "ae-0503") == "asserted-only"


def test_the_same_finding_on_the_liquid_kind_itself_goes_against_the_rule(raw: sqlite3.Connection) -> None:
    # who-99-1-rev2, from memory: urea from K3EDTA may be used. The rule says that its liquid dilutes.
    assert raw.execute("SELECT cause, direction FROM effect WHERE id = 'ae-0602'").fetchone() == ("k3-edta", "no-effect")
    assert _mark(raw, "ae-0602") == "contradicted"


def test_what_is_derived_for_a_broader_cause_goes_against_a_finding_on_a_narrower_one(raw: sqlite3.Connection) -> None:
    # al-kharusi-2014, abstract: glucose keeps on a separating gel; the rule speaks of serum tubes of any kind.
    assert _mark(raw, "ae-0371") == "contradicted"


def test_a_fall_that_is_derived_for_one_kind_only_holds_for_some_kinds(raw: sqlite3.Connection) -> None:
    # pth-edta-48h, abstract: in EDTA of a salt not told parathyroid hormone fell by 15 %; only K3EDTA is derived to lower it.
    assert _mark(raw, "ae-0107") == "some-kinds"


def test_what_cannot_be_measured_by_both_is_confirmed(raw: sqlite3.Connection) -> None:
    # Common practice: serum has no clotting time; the rule says the same in the same word.
    assert _mark(raw, "ae-0851") == "confirmed"


def test_a_published_fall_does_not_confirm_that_nothing_can_be_measured(raw: sqlite3.Connection) -> None:
    # From memory (recalled-general): blood of a patient on heparin clots late in a thrombin tube; the rule is about its serum.
    assert _mark(raw, "ae-0833") == "contradicted"


def test_a_derived_effect_that_may_go_either_way_neither_confirms_nor_contradicts(raw: sqlite3.Connection) -> None:
    marks = {row[0] for row in raw.execute("SELECT agreement FROM effect WHERE status = 'derived' AND direction = 'variable'")}
    assert marks == {"derived-only"}


def test_every_mark_of_a_published_effect_is_what_a_walk_over_all_pairs_finds(raw: sqlite3.Connection) -> None:
    above, related = kinship(raw)
    derived = defaultdict(set)
    for cause, analyte, direction in raw.execute("SELECT cause, analyte, direction FROM effect "
                                                 "WHERE status = 'derived' AND direction <> 'variable'"):
        derived[analyte].add((cause, direction))

    def expected(cause: str, analyte: str, direction: str) -> str:
        if direction == "variable":
            return "asserted-only"
        same = {direction, "decrease"} if direction == "unmeasurable" else {direction}
        spoken = {(c, d) for a in related[analyte] for c, d in derived[a] if c in related[cause]}
        of_the_whole = {d for c, d in spoken if c in above[cause]}
        if of_the_whole:
            return "confirmed" if of_the_whole & same else "contradicted"
        return "some-kinds" if {d for _, d in spoken} & same else "asserted-only"

    rows = raw.execute("SELECT id, cause, analyte, direction, agreement FROM effect WHERE status = 'asserted'").fetchall()
    assert len(rows) > 1300
    assert [(i, mark) for i, cause, analyte, way, mark in rows if mark != expected(cause, analyte, way)] == []


def test_an_explanation_that_explains_no_contradiction_stops_the_build_and_is_named(small_sources: Miniature, tmp_path: Path) -> None:
    small_sources.add_row("contradictions", id="xc-0002", cause="k2-edta", analyte="potassium", explanation="Nobody says so.")
    with pytest.raises(BuildError) as refused:
        small_sources.build(tmp_path / "tubelore.sqlite")
    assert [(p.where, p.row, p.field) for p in refused.value.problems] == [("contradictions.csv", 3, "id")]
    assert "'xc-0002' explains no contradiction" in refused.value.problems[0].what and refused.value.problems[0].fix
    assert not list(tmp_path.glob("tubelore*"))
