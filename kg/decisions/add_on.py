"""add-on TEST: can it still be added to a specimen with this history, until when, and what has to be done first?"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from kg.answer import Answer, Item, Section, cite, versions
from kg.decisions.accept import (
    SCHEMA,
    Case,
    because_of,
    case_data,
    judge_form,
    shortest,
    test_sections,
    verdict_of,
)
from kg.decisions.advice import questions
from kg.decisions.facts import PLASMA
from kg.decisions.findings import REPORTED, Judged, hours_text
from kg.decisions.words import story_from_words
from kg.forms import FormError, check_form
from kg.questions.common import note
from kg.wording import inside


def from_words(connection: sqlite3.Connection, test: str, story: Sequence[str] = (), file: str | None = None) -> Answer:
    """Answer for a test and the story of a specimen that was typed, or is in a file, or both.

    Args:
        connection: the database.
        test: a test, panel or analyte.
        story: facts as ``FIELD=VALUE``; see ``kg.decisions.words.story_from_words``.
        file: a JSON file of the form, or ``-`` for standard input.

    Raises:
        FormError: the story cannot be read or does not fit; the message names the field.
    """
    form = story_from_words(story, file, "add-on-input")
    if "tests" in form and file is None:
        raise FormError(f"{form['tests'][0]}: one test at a time; facts are typed as FIELD=VALUE")
    return add_on(connection, test, form)


def add_on(connection: sqlite3.Connection, test: str, form: dict[str, Any], where: str = "the specimen") -> Answer:
    """Decide whether a test can still be added to a specimen.

    Args:
        connection: the database.
        test: a test or panel of the catalogue, or an analyte.
        form: the story, as ``queries/schemas/accept-input.json`` describes it, with or without tests.
        where: what to call the form in messages.

    Returns:
        verdict: the decision for the test; for a panel the strictest, or ``partly``.

    Raises:
        FormError: the test or a tube is not known, or the form does not fit.
    """
    form = {**check_form(form, "add-on-input", where), "tests": [test]}
    case = judge_form(connection, check_form(form, SCHEMA, where), where)
    if not case.judged:
        raise FormError(f"test: {case.unclear[0].message}")
    used: dict[str, str] = {}
    asked = questions(case.judged, case.judge.questions)
    sections = test_sections(case.judged, used)
    steps = [step for judged in case.judged for step in first_steps(connection, case, judged, used)]
    if steps:
        sections.insert(0, Section("What has to be done first", tuple({step.text: step for step in steps}.values())))
    if asked:
        sections.append(Section("What is missing", tuple(Item(f"{q.question} [{q.field}]", {"field": q.field, "tests": list(q.tests)}) for q in asked)))
    return Answer("add-on", "; ".join(dict.fromkeys(case.understood)), verdict_of(case.judged), _headline(case), tuple(sections),
                  tuple(because_of(connection, case.judged, used)), (), (), cite(connection, used), versions=versions(connection),
                  data={**case_data(case), "first": [step.text for step in steps]})


def first_steps(connection: sqlite3.Connection, case: Case, judged: Judged, used: dict[str, str]) -> list[Item]:
    """Return what has to be done before the test is measured on this specimen."""
    if judged.decision not in (*REPORTED, "not-known") or judged.material is None:
        return []
    facts, clock = case.judge.facts, case.story.clock
    steps = []
    if facts.family(judged.material) == PLASMA and clock.separated is False:
        within = shortest(judged)
        limit = f" within {hours_text(within.hours)}" if within else ""
        steps.append(Item(f"{judged.label}: spin it and take the {inside(facts.materials[judged.material]['label'])} off the cells{limit}"))
    elif facts.family(judged.material) != PLASMA:
        steps.append(Item(f"{judged.label}: mix it well before it is measured"))
    if clock.temperature in ("frozen", "deep-frozen"):
        steps.append(Item(f"{judged.label}: thaw it fully and mix it"))
    test = next(t for t in case.tests if t.key == judged.key)
    if test.row is not None and test.row["minimum_volume_ml"] is not None and "volume_ml" not in case.story.said:
        steps.append(Item(f"{judged.label}: see that at least {test.row['minimum_volume_ml']:g} mL is left (local catalogue, {test.code})"))
    if not test.analytes:
        return steps
    for requirement, rows in facts.required(test, judged.material).items():
        if requirement in ("check-for-clot", "reject-clotted", "check-for-clumps", "spin-twice", "make-platelet-poor", "transfer-off-gel"):
            label = connection.execute("SELECT label FROM concept WHERE id = ?", (requirement,)).fetchone()["label"]
            for row in rows[:1]:
                note(used, row["source"], row["basis"])
            steps.append(Item(f"{judged.label}: {inside(label)}", {"requirement": requirement}, tuple(row["source"] for row in rows[:1])))
    return steps


def _headline(case: Case) -> str:
    judged = case.judged[0] if len(case.judged) == 1 else None
    on = inside(case.story.label)
    if judged is None:
        good = [test for test in case.judged if test.decision in REPORTED]
        return f"{len(good)} of {len(case.judged)} tests can still be added to the {on}."
    left = shortest(judged)
    if judged.decision in REPORTED:
        time = f"; {hours_text(left.hours)} left before {left.before}" if left and left.sure else ""
        comment = f", with a comment: {judged.deciding[0].words}" if judged.decision == "accept-with-comment" else ""
        return f"Yes. {judged.label} can still be added to the {on}{time}{comment}."
    words = "; ".join(dict.fromkeys(f.words.rstrip("?") for f in judged.deciding[:2]))
    if judged.decision == "not-known":
        missing = ", ".join(judged.missing)
        return f"Not known. {judged.label} on the {on}: {f'tell {missing}' if missing else words}."
    return f"No. {judged.label} cannot be added to the {on}: {words}."
