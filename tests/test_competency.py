"""The competency questions: what a technologist, an educator and a maintainer ask, and what must be in the answer.

Each entry of ``competency.yaml`` names its ground: a source of ``ontology/facts/sources.csv``, ``common
practice`` or ``recalled`` (from memory). Each is asked in plain words and as the function that it stands for.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest
import yaml

from kg.ask import ask, call
from kg.names import UnknownName

QUESTIONS: list[dict[str, Any]] = yaml.safe_load((Path(__file__).parent / "competency.yaml").read_text(encoding="utf-8"))
# Questions that are known to fail, with the reason. One that passes all the same fails the suite, so that
# the list stays true.
KNOWN_FAILURES: dict[str, str] = {}


def _missing(entry: dict[str, Any], text: str) -> list[str]:
    shown = " ".join(text.casefold().split())
    missing = [word for word in entry["expect"] if word.casefold() not in shown]
    any_of = entry.get("expect_any")
    if any_of and not any(word.casefold() in shown for word in any_of):
        missing.append(f"any of {any_of}")
    return missing + [f"not: {word}" for word in entry.get("not_expect") or [] if word.casefold() in shown]


def _asked(connection: sqlite3.Connection, entry: dict[str, Any]) -> str:
    return ask(connection, entry["ask"]).to_text(width=10_000)


def _called(connection: sqlite3.Connection, entry: dict[str, Any]) -> str:
    return call(connection, entry["question"], entry["arguments"]).to_text(width=10_000)


def test_there_are_at_least_sixty_questions_each_with_its_ground(connection: sqlite3.Connection) -> None:
    sources = {row["id"] for row in connection.execute("SELECT id FROM sources")}
    assert len(QUESTIONS) >= 60
    assert [q["ask"] for q in QUESTIONS if q["ground"] not in sources | {"common practice", "recalled"}] == []


@pytest.mark.parametrize("how", [_asked, _called], ids=["asked", "called"])
@pytest.mark.parametrize("entry", QUESTIONS, ids=[q["ask"] for q in QUESTIONS])
def test_question_is_answered(connection: sqlite3.Connection, entry: dict[str, Any], how: Any) -> None:
    if entry.get("unknown") and how is _called:
        with pytest.raises(UnknownName):
            how(connection, entry)
        return
    missing = _missing(entry, how(connection, entry))
    if entry["ask"] in KNOWN_FAILURES:
        assert missing, f"passes now: take it off the known failures ({KNOWN_FAILURES[entry['ask']]})"
    else:
        assert not missing
