"""What the tests of draws share: patients, plans checked against their schema, and what a plan and the catalogue hold."""

from __future__ import annotations

import json
import sqlite3
from typing import Any

import jsonschema

from kg.forms import schema_of
from kg.plans.draw import draw

ADULT = {"weight_kg": 70, "age_years": 50}
NEWBORN = {"weight_kg": 3.2, "age_days": 3}


def planned(connection: sqlite3.Connection, tests: list[Any], **form: Any) -> dict[str, Any]:
    """Return the plan as JSON says it, after a check against its schema."""
    plain: dict[str, Any] = json.loads(json.dumps(draw(connection, {"tests": tests, **form}).to_json()))
    jsonschema.validate(plain, schema_of("draw-output"))
    return plain


def containers_of(plan: dict[str, Any], test: str) -> list[str]:
    return [tube["container"] for tube in plan["containers"] if test in tube["tests"]]


def blood_at(plan: dict[str, Any], economy: str) -> float:
    return float(next(step["blood_ml"] for step in plan["steps"] if step["economy"] == economy))


def codes(connection: sqlite3.Connection) -> list[str]:
    return [row["code"] for row in connection.execute("SELECT code FROM test WHERE status = 'active' ORDER BY code")]


def members(connection: sqlite3.Connection, code: str) -> set[str]:
    inner = [row["member"] for row in connection.execute("SELECT member FROM test_member WHERE panel = ?", (code,))]
    return set().union(*(members(connection, one) for one in inner)) if inner else {code}
