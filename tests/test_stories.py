"""Specimens as a technologist tells of them (``stories.yaml``): the decision for each test, and on what it rests."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest
import yaml

from kg.decisions.accept import accept

STORIES: list[dict[str, Any]] = yaml.safe_load((Path(__file__).parent / "stories.yaml").read_text(encoding="utf-8"))
GOOD = {"collection": "uneventful", "reception": "nothing-amiss", "indices": {"haemolysis": 0, "icterus": 0, "lipaemia": 0}}


def _told(story: dict[str, Any]) -> dict[str, Any]:
    form = dict(story["form"])
    good = form.pop("good", False)
    return {**(GOOD if good else {}), **form, "tests": list(story["expect"])}


def _cited(test: dict[str, Any]) -> set[str]:
    facts = [fact for reason in test["reasons"] for fact in reason["facts"]] + test["limits"]
    return {"common practice" if fact["source"] == "common-practice" else fact["source"] for fact in facts if fact["source"]}


def test_there_are_forty_stories_or_more_and_each_is_told_once() -> None:
    assert len({story["story"] for story in STORIES}) == len(STORIES) >= 40


@pytest.mark.parametrize("story", STORIES, ids=lambda story: story["story"][:60])
def test_the_story_ends_as_its_source_or_common_practice_says(connection: sqlite3.Connection, story: dict[str, Any]) -> None:
    answer = accept(connection, _told(story)).to_json()
    assert {test["test"]: test["decision"] for test in answer["tests"]} == story["expect"], answer["headline"]
    if "check" in story:
        for test in answer["tests"]:
            assert story["check"] in {reason["check"] for reason in test["reasons"] if reason["decision"] == test["decision"]}, test["test"]
    asked = {question["field"] for question in answer["missing"]}
    assert set(story.get("missing", ())) <= asked
    if not story.get("missing"):
        assert set(story["ground"]) <= set().union(*(_cited(test) for test in answer["tests"]))


def test_stories_that_hang_on_a_missing_fact_say_which_tests_hang_on_it(connection: sqlite3.Connection) -> None:
    story = next(s for s in STORIES if s.get("missing") == ["heparin_treatment"])
    answer = accept(connection, _told(story)).to_json()
    assert [(q["field"], q["tests"], q["all_else_in_order"]) for q in answer["missing"]] == [
        ("heparin_treatment", ["Activated partial thromboplastin time"], ["Activated partial thromboplastin time"])]
