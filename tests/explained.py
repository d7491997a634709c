"""What the tests of an explained panel share: asking, and looking at what came back."""

from __future__ import annotations

import json
import sqlite3
from functools import cache
from typing import Any

from jsonschema import Draft7Validator

from kg.answer import Answer
from kg.explain.explain import explain
from kg.explain.reading import form_from_words
from kg.forms import schema_of
from tests.on_paper import table

ORDINARY = ("Na=140 K=4.2 Cl=103 HCO3=25 urea=5.2 creatinine=78umol/L glucose=5.4mmol/L Ca=2.30mmol/L albumin=40 total-protein=70g/L ALP=80 ALT=24 "
            "AST=25 Mg=0.82mmol/L PO4=1.1mmol/L")
"""An invented panel with nothing odd in it."""


@cache
def output_schema() -> Draft7Validator:
    return Draft7Validator(schema_of("explain-output"))


def ask(connection: sqlite3.Connection, words: str, **more: Any) -> Answer:
    """Explain results typed on a line; whatever comes back must fit the schema of the output."""
    answer = explain(connection, {**form_from_words(words.split()), **more})
    assert faults(answer) == []
    return answer


def faults(answer: Answer) -> list[str]:
    """Return where an answer, as JSON gives it, does not fit the schema of the output."""
    return [f"{'/'.join(map(str, error.path))}: {error.message[:200]}" for error in output_schema().iter_errors(json.loads(json.dumps(answer.to_json())))]


def told(answer: Answer) -> dict[str, Any]:
    """Return what programs read of the answer, as JSON gives it."""
    found: dict[str, Any] = json.loads(json.dumps(answer.data))
    return found


def ids(answer: Answer) -> list[str]:
    """Return the causes, the likeliest first; two together are joined by +."""
    return [cause["id"] for cause in answer.data["causes"]]


def rank(answer: Answer, *causes: str) -> int:
    """Return the place of the first explanation that one of the causes is part of, from 1; 99 where there is none."""
    return next((place for place, name in enumerate(ids(answer), 1) if set(causes) & set(name.split("+"))), 99)


def share(answer: Answer, *causes: str) -> float:
    """Return the probability of the explanations listed that one of the causes is part of."""
    return sum(cause["probability"] for cause in answer.data["causes"] if set(causes) & set(cause["id"].split("+")))


def kinds() -> dict[str, str]:
    """Return the kind of each candidate."""
    return {row["cause"]: row["kind"] for row in table("candidate_causes")}


def cause(answer: Answer, name: str) -> dict[str, Any]:
    """Return what is told of a cause."""
    return next(found for found in told(answer)["causes"] if found["id"] == name)


def earlier(hours: float, words: str) -> list[dict[str, Any]]:
    """Return earlier results, typed on a line, as a form lists them."""
    return [{**result, "hours_before": hours} for result in form_from_words(words.split())["results"]]
