"""share TESTS: the order in which one specimen serves several benches, and which demands cannot both be met."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from kg.answer import Answer, cite, versions
from kg.forms import check_form, schema_of
from kg.plans.clashes import Clash, circle_clashes, container_clashes, keeping_clashes, portions_of
from kg.plans.precedence import LOCAL, Edge, Step, applying_steps, solve
from kg.plans.share_answer import Shared, tell
from kg.plans.share_volumes import Use, walk
from kg.plans.specimen import check_specimen, resolve_specimen
from kg.plans.stretch_problem import yield_of
from kg.plans.typed import form_typed
from kg.plans.wanted import Wanted, WantedTest, wanted_tests

SCHEMA = "share-input"


def share(connection: sqlite3.Connection, form: Mapping[str, Any], where: str = "the input") -> Answer:
    """Put the steps of a specimen that several benches want in order.

    Args:
        connection: the database.
        form: what ``queries/schemas/share-input.json`` describes.
        where: what to call the form in messages.

    Returns:
        verdict ``ordered``, ``cannot-both`` (some demands cannot be met together in this specimen),
        ``none-fits``, ``not-known`` or ``not-understood``; the order as data, described in ``share-output.json``.

    Raises:
        FormError: a field cannot be used.
        UnknownName, AmbiguousName: the container or material is not understood.
    """
    check_specimen(form, where, "volume_ml")
    checked = check_form(dict(form), SCHEMA, where)
    specimen = resolve_specimen(connection, checked.get("material"), checked.get("container"))
    wanted = wanted_tests(connection, specimen, [(test, Fraction(1)) for test in checked["tests"]])
    fitting = [test for test in wanted.tests if test.fit.status == "fits"]
    divisible = bool(checked.get("divisible", schema_of(SCHEMA)["properties"]["divisible"]["default"]))
    portions = portions_of(connection, specimen, fitting, divisible)
    steps = applying_steps(connection, specimen, portions) if fitting else []
    local, strangers = _local(checked.get("local_rules", ()), steps)
    order = solve(connection, steps, local)
    output = yield_of(connection, specimen, checked.get("haematocrit"))
    uses = walk(order.steps, checked.get("volume_ml"), specimen.kind, float(output.share))
    clashes = keeping_clashes(connection, steps) + circle_clashes(order, {step.id: step for step in steps})
    if not specimen.drawn:
        clashes = container_clashes(connection, portions) + clashes
    told = tell(connection, wanted, Shared(specimen, portions, order, uses, clashes, checked.get("volume_ml"), output, strangers))
    understood = "; ".join(part for part in (specimen.said, *wanted.understood) if part)
    return Answer("share", understood, _verdict(wanted, fitting, clashes, uses), told.headline, told.sections, told.because, told.conflicts,
                  told.unknowns, cite(connection, told.used), versions=versions(connection), data=told.data)


def from_words(connection: sqlite3.Connection, tests: Sequence[str] = (), material: str | None = None, volume_ml: str | None = None,
               container: str | None = None, haematocrit: str | None = None, file: str | None = None) -> Answer:
    """Answer the command line; what is typed beside a file takes the place of what the file says.

    Args:
        connection: the database.
        tests: tests as typed.
        material: a specimen material.
        volume_ml: volume of the specimen, mL.
        container: a container or additive.
        haematocrit: as a share, such as 0.45.
        file: a JSON file of the form, or ``-`` for standard input.

    Raises:
        FormError: a word cannot be used.
    """
    form = form_typed(file, SCHEMA, tests, {"material": material, "container": container}, {"volume_ml": volume_ml, "haematocrit": haematocrit})
    return share(connection, form, file or "the command line")


def _local(rules: Sequence[Mapping[str, str]], steps: Sequence[Step]) -> tuple[list[Edge], list[str]]:
    """Return the laboratory's own rules as edges between the steps that serve their tests, and those that could not be used."""
    edges, strangers = [], []
    for rule in rules:
        first, second = _serving(rule["first"], steps), _serving(rule["second"], steps)
        if not first or not second or first.id == second.id:
            why = "both are served by one step" if first and second else "one of them is not among the tests that fit"
            strangers.append(f"Local rule '{rule['first']} before {rule['second']}' is not used: {why}.")
            continue
        edges.append(Edge(first.id, second.id, f"local rule: {rule['first']} before {rule['second']}", rule["reason"], LOCAL))
    return edges, strangers


def _serving(typed: str, steps: Sequence[Step]) -> Step | None:
    return next((step for step in steps if step.rule["role"] == "serve"
                 and any(typed == test.code or typed in test.asked_as for test in step.tests)), None)


def _verdict(wanted: Wanted, fitting: Sequence[WantedTest], clashes: Sequence[Clash], uses: Sequence[Use]) -> str:
    if not wanted.tests:
        return "not-understood"
    if not fitting:
        return "not-known" if all(test.fit.status == "not-known" for test in wanted.tests) else "none-fits"
    return "cannot-both" if any(not clash.met for clash in clashes) or any(use.short_ml for use in uses) else "ordered"
