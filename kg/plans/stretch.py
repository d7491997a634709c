"""stretch TESTS: the subset and order of measurement that yields most from a specimen of known small volume."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from kg.answer import Answer, cite, versions
from kg.forms import FormError, check_form, number_typed, schema_of
from kg.plans.specimen import check_specimen, resolve_specimen
from kg.plans.stretch_answer import tell
from kg.plans.stretch_problem import Problem, state_problem
from kg.plans.told import Told
from kg.plans.typed import LIKE, form_typed
from kg.plans.wanted import Wanted, wanted_tests, with_usual_priorities
from kg.wording import fold

SCHEMA = "stretch-input"


def stretch(connection: sqlite3.Connection, form: Mapping[str, Any], where: str = "the input") -> Answer:
    """Choose what to measure in a small specimen, and in which order.

    The choice has the greatest sum of priorities that the volume allows; of equal ones the one with fewest
    dilutions, then the least volume, then the tests named first. See ``kg.plans.solve_stretch``.

    Args:
        connection: the database.
        form: what ``queries/schemas/stretch-input.json`` describes.
        where: what to call the form in messages.

    Returns:
        verdict ``all-served``, ``some-served``, ``none-served``, ``not-known`` (no test can be judged) or
        ``not-understood`` (no test is known); the plan as data, described in ``stretch-output.json``.

    Raises:
        FormError: a field cannot be used.
        UnknownName, AmbiguousName: the container or material is not understood.
    """
    check_specimen(form, where, "volume_ul")
    checked = check_form(dict(form), SCHEMA, where)
    specimen = resolve_specimen(connection, checked.get("material"), checked.get("container"))
    if not specimen.drawn:
        raise FormError(f"{where}: container: {specimen.label} alone does not say which additive the blood met; name the container, such as 'K2EDTA microtube'")
    defaults = schema_of(SCHEMA)["properties"]
    extra = sorted(set(checked.get("extra_ul", defaults["extra_ul"]["default"])))
    asked = [_item(item) for item in checked["tests"]]
    default = defaults["default_priority"]["default"]
    usual = "default_priority" not in checked
    weights = [(item["test"], _weight(item.get("priority", checked.get("default_priority", default)))) for item in asked]
    wanted = wanted_tests(connection, specimen, weights)
    if usual:
        wanted = with_usual_priorities(connection, specimen, wanted, {item["test"] for item in asked if "priority" in item})
    fitting = [test for test in wanted.tests if test.fit.status == "fits"]
    problem = state_problem(connection, specimen, float(checked["volume_ul"]), checked.get("haematocrit"), fitting,
                            _own_words(wanted, asked), max(extra, default=0))
    return _answer(connection, wanted, problem, tell(connection, wanted, problem, extra))


def from_words(connection: sqlite3.Connection, tests: Sequence[str] = (), volume_ul: str | None = None, haematocrit: str | None = None,
               material: str | None = None, container: str | None = None, priority: str | None = None, file: str | None = None) -> Answer:
    """Answer the command line; what is typed beside a file takes the place of what the file says.

    Args:
        connection: the database.
        tests: tests as typed.
        volume_ul: volume of the specimen, uL.
        haematocrit: as a share, such as 0.55.
        material: a specimen material.
        container: a container or additive.
        priority: such as ``K=3,CRP=2``; tests that are not named have the default priority.
        file: a JSON file of the form, or ``-`` for standard input.

    Raises:
        FormError: a word cannot be used.
    """
    form = form_typed(file, SCHEMA, tests, {"material": material, "container": container}, {"volume_ul": volume_ul, "haematocrit": haematocrit})
    if "volume_ul" not in form:
        raise FormError("volume_ul: missing; say how much there is in uL, such as 300")
    return stretch(connection, _with_priorities(form, priority), file or "the command line")


def _with_priorities(form: dict[str, Any], priority: str | None) -> dict[str, Any]:
    if not priority:
        return form
    weights: dict[str, float] = {}
    for part in priority.split(","):
        name, equals, figure = part.rpartition("=")
        if not equals or not name.strip():
            raise FormError(f"priority: '{part.strip()}' is not TEST=NUMBER; write such as K=3,CRP=2")
        weights[fold(name)] = number_typed("priority", figure, LIKE["priority"])
    items = [_item(item) for item in form["tests"]]
    known = {fold(item["test"]) for item in items}
    strangers = sorted(set(weights) - known)
    if strangers:
        raise FormError(f"priority: {', '.join(strangers)} is not among the tests; write it as in the list of tests")
    return {**form, "tests": [{**item, "priority": weights[fold(item["test"])]}
                              if fold(item["test"]) in weights else item for item in items]}


def _item(item: str | dict[str, Any]) -> dict[str, Any]:
    return {"test": item} if isinstance(item, str) else item


def _weight(priority: float) -> Fraction:
    return Fraction(str(priority))


def _own_words(wanted: Wanted, asked: Sequence[Mapping[str, Any]]) -> dict[str, Mapping[str, Any]]:
    """Return what the form says of each test by its code."""
    by_name: dict[str, dict[str, Any]] = {}
    for item in asked:
        by_name.setdefault(item["test"], {}).update(item)
    own: dict[str, Mapping[str, Any]] = {}
    for test in wanted.tests:
        merged: dict[str, Any] = {}
        for name in test.asked_as:
            merged.update(by_name.get(name, {}))
        own[test.code] = merged
    return own


def _answer(connection: sqlite3.Connection, wanted: Wanted, problem: Problem, told: Told) -> Answer:
    served, total = len(problem.plan.chosen), len(wanted.tests)
    if not wanted.tests:
        verdict = "not-understood"
    elif total and served == total:
        verdict = "all-served"
    elif served:
        verdict = "some-served"
    else:
        verdict = "not-known" if all(test.fit.status == "not-known" for test in wanted.tests) else "none-served"
    understood = "; ".join(part for part in (problem.specimen.said, *wanted.understood) if part)
    return Answer("stretch", understood, verdict, told.headline, told.sections, told.because, told.conflicts, told.unknowns,
                  cite(connection, told.used), versions=versions(connection), data=told.data)
