"""accept FORM: for one specimen with its history, test by test: report, comment, refuse, collect again, or ask."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Sequence
from datetime import timedelta
from typing import Any, NamedTuple

from kg.answer import Answer, Item, Link, Section, cite, versions
from kg.decisions.advice import Again, Question, Touched, again_data, call, collect_again, in_order, questions, touched
from kg.decisions.facts import OTHER
from kg.decisions.findings import DECISIONS, REJECTED, REPORTED, Finding, Judged, Remaining, hours_text
from kg.decisions.judge import Judge
from kg.decisions.specimen import Story, read_story
from kg.decisions.wanted import Unclear, Wanted, read_wanted
from kg.decisions.words import story_from_words
from kg.forms import FormError, check_form
from kg.questions.common import chain, join, note
from kg.wording import inside

Row = sqlite3.Row
SCHEMA = "accept-input"
TITLES = {"recollect": "Collect again", "do-not-report": "Do not report", "not-known": "Not known yet", "accept-with-comment": "Report with a comment",
          "accept": "Report"}
_CHAINS = 3
_MANY = 3
_SUMMARIES = "Where they hold, the statements 'collection: uneventful' and 'reception: nothing-amiss' answer several at once."
_FACTS = 2
_NAMED = 6


class Case(NamedTuple):
    """A specimen with its tests, judged."""

    story: Story
    tests: tuple[Wanted, ...]
    judged: tuple[Judged, ...]
    unclear: tuple[Unclear, ...]
    understood: tuple[str, ...]
    judge: Judge


def from_words(connection: sqlite3.Connection, story: Sequence[str] = (), file: str | None = None) -> Answer:
    """Answer for tests and facts that were typed, or for a form in a file, or both.

    Args:
        connection: the database.
        story: see ``kg.decisions.words.story_from_words``.
        file: a JSON file of the form, or ``-`` for standard input.

    Raises:
        FormError: the story cannot be read or does not fit; the message names the field.
    """
    form = story_from_words(story, file, SCHEMA)
    if not form.get("tests"):
        raise FormError("no tests; name those that are wanted, as in accept K aPTT container=citrate hours=3")
    return accept(connection, form)


def accept(connection: sqlite3.Connection, form: dict[str, Any], where: str = "the specimen") -> Answer:
    """Decide for each test wanted what can be done with a specimen.

    Args:
        connection: the database.
        form: the story, as ``queries/schemas/accept-input.json`` describes it; hours, millilitres, per cent.
        where: what to call the form in messages.

    Returns:
        verdict ``accept``, ``accept-with-comment``, ``partly``, ``not-known``, ``do-not-report`` or
        ``recollect``. A test is accepted only when every rule that touches it could be applied and none objects.

    Raises:
        FormError: the form does not fit, a tube is not known, or times contradict each other.
    """
    case = judge_form(connection, check_form(form, SCHEMA, where), where)
    return _answer(connection, case)


def judge_form(connection: sqlite3.Connection, form: dict[str, Any], where: str) -> Case:
    """Judge a checked form.

    Raises:
        FormError: a tube is not known, or times contradict each other.
    """
    story = read_story(connection, form, where)
    tests, unclear, understood = read_wanted(connection, form["tests"])
    judge = Judge(connection, story, tests)
    return Case(story, tuple(tests), tuple(judge.judge(test) for test in tests), tuple(unclear), (*story.understood, *understood), judge)


def _answer(connection: sqlite3.Connection, case: Case) -> Answer:
    story, judged = case.story, case.judged
    used: dict[str, str] = {}
    asked = questions(judged, case.judge.questions)
    again = collect_again(connection, case.judge.facts, case.tests, judged)
    others = touched(connection, case.judge.facts, story, judged)
    said = call(story, judged, again, asked, _when(story))
    because = because_of(connection, judged, used)
    sections = _sections(judged, asked, again, others, said, used)
    return Answer("accept", "; ".join(dict.fromkeys(case.understood)), verdict_of(judged), headline(case, asked), tuple(sections), tuple(because),
                  tuple(_conflicts(judged)), tuple(_unknowns(case, asked)), cite(connection, used), versions=versions(connection),
                  data=_full_data(case, asked, again, others, said))


def verdict_of(judged: Sequence[Judged]) -> str:
    """Return one word for all tests: the strictest decision, or ``partly`` when only some can be reported."""
    decisions = {test.decision for test in judged}
    if not decisions:
        return "not-known"
    if decisions <= set(REPORTED):
        return max(decisions, key=DECISIONS.index)
    return "partly" if decisions & set(REPORTED) else max(decisions, key=DECISIONS.index)


def headline(case: Case, asked: Sequence[Question]) -> str:
    """Return the answer in one or two sentences, what has to be done first."""
    judged = case.judged
    counts = Counter(test.decision for test in judged)
    good = counts["accept"] + counts["accept-with-comment"]
    if not judged:
        return "None of the tests is known; see below."
    total = f"{good} of {len(judged)}" if good < len(judged) else "Both" if good == 2 else f"All {good}" if good > 1 else judged[0].label
    start = f"{total} can be reported" if good else "Nothing can be reported yet" if counts["not-known"] else "Nothing can be reported"
    if counts["accept-with-comment"] and good:
        start += f", {counts['accept-with-comment'] if counts['accept'] else 'all'} with a comment" if good > 1 else " with a comment"
    parts = [start]
    for decision, words in (("recollect", "collect again for"), ("do-not-report", "do not report"), ("not-known", "not known yet:")):
        listed = [inside(test.label) for test in judged if test.decision == decision]
        if listed:
            parts.append(f"{words} {join(listed) if len(listed) <= 5 else f'{len(listed)} tests'}")
    text = "; ".join(parts) + "."
    reasons = Counter(test.deciding[0].words for test in judged if test.decision == "recollect")
    if reasons:
        first = reasons.most_common(1)[0][0]
        text += f" {first[0].upper()}{first[1:]}."
    if asked:
        text += f" {len(asked)} {'fact is' if len(asked) == 1 else 'facts are'} missing."
    return text


def _when(story: Story) -> str:
    clock = story.clock
    if clock.now is not None and clock.elapsed is not None:
        return f" collected at {clock.now - timedelta(hours=clock.elapsed):%H:%M}"
    return f" collected {hours_text(clock.elapsed)} ago" if clock.elapsed is not None else ""


def shortest(test: Judged) -> Remaining | None:
    """Return the shorter of the published and the local time left."""
    left = [remaining for remaining in (test.published, test.local) if remaining is not None]
    return min(left, key=lambda remaining: (remaining.hours, not remaining.sure)) if left else None


def because_of(connection: sqlite3.Connection, judged: Sequence[Judged], used: dict[str, str]) -> list[Link]:
    """Prove one effect for each mechanism and direction that led to a refusal, those of the most tests first."""
    effects: Counter[tuple[str | None, str]] = Counter()
    first: dict[tuple[str | None, str], Row] = {}
    for test in judged:
        if test.decision in REJECTED:
            for effect in (effect for finding in test.deciding for effect in finding.effects):
                key = (effect["mechanism"], effect["direction"])
                effects[key] += 1
                if key not in first or (effect["status"] == "derived" and first[key]["status"] != "derived"):
                    first[key] = effect
    links: list[Link] = []
    done = 0
    for key, _ in effects.most_common():
        effect = first[key]
        proof = chain(connection, effect["id"], used) if effect["status"] == "derived" else []
        if not proof and effect["mechanism_definition"]:
            note(used, effect["source"], effect["basis"])
            proof = [Link(f"{effect['sentence']}. {effect['mechanism_label']}: {effect['mechanism_definition'].rstrip('.')}.", "published", effect["id"], "",
                          (effect["source"],))]
        if proof and done < _CHAINS:
            links += proof
            done += 1
    return links


def test_sections(judged: Sequence[Judged], used: dict[str, str]) -> list[Section]:
    """Return the tests grouped by decision, what has to be acted on first."""
    sections = []
    for decision in reversed(DECISIONS):
        of_decision = [test for test in judged if test.decision == decision]
        if of_decision:
            items = _waiting(of_decision, used) if decision == "not-known" else _items(of_decision, used)
            sections.append(Section(f"{TITLES[decision]} ({len(of_decision)})", tuple(items)))
    return sections


def _sections(judged: Sequence[Judged], asked: Sequence[Question], again: Sequence[Again], others: Sequence[Touched], said: Sequence[str],
              used: dict[str, str]) -> list[Section]:
    sections = test_sections(judged, used)
    if asked:
        sections.append(Section("What is missing, and what hangs on it", tuple(
            Item(f"{q.question} [{q.field}] Decides {_labels(q.tests)}" + ("" if not q.alone else f"; all else is in order for {_labels(q.alone)}" if
                 q.alone != q.tests else "; all else is in order") + ".", q._asdict()) for q in asked), _SUMMARIES if len(asked) > _MANY else ""))
    if again:
        sections.append(Section("What to collect again, in the order of draw" if in_order(again) else "What to collect again", tuple(
            Item(f"{a.label}: {_labels(a.tests)}" + (f" - {'; '.join(a.handling)}" if a.handling else ""), again_data(a)) for a in again)))
    if others:
        sections.append(Section("Other tubes of the same draw", tuple(Item(_other(t), t._asdict()) for t in others)))
    if said:
        sections.append(Section("Words for the telephone", tuple(Item(sentence) for sentence in said)))
    return sections


def _labels(labels: Sequence[str], shown: int = 8) -> str:
    names = [inside(label) for label in labels[:shown]]
    return join(names) if len(labels) <= shown else f"{', '.join(names)} and {len(labels) - shown} more"


def _other(t: Touched) -> str:
    parts = [f"{t.label}: {t.why}"]
    if t.published:
        parts.append(f"at risk: {_labels(t.published, 12)}")
    if t.by_chemistry:
        parts.append(f"by chemistry {t.by_chemistry} more")
    return "; ".join(parts)


def _items(tests: Sequence[Judged], used: dict[str, str]) -> list[Item]:
    """Return one item for tests that share their reasons, so that a reason is read once."""
    groups: dict[tuple[str, ...], list[Judged]] = {}
    for test in sorted(tests, key=_urgency):
        words = tuple(f.words for f in test.deciding if f.check != "material" or f.decision != "accept")
        groups.setdefault(words or (test.key,), []).append(test)
    items = []
    for words, listed in groups.items():
        plain = not any(f.words in words for f in listed[0].deciding)
        text = _labels([test.label for test in listed], 20) if len(listed) > 1 else listed[0].label
        text = text[:1].upper() + text[1:]
        detail: list[str] = []
        sources: dict[str, None] = {}
        if not plain:
            text += f": {'; '.join(words)}"
            shown: dict[str, list[str]] = {}
            for test in listed[:_NAMED]:
                for fact, source, basis in _facts(test.deciding):
                    note(used, source, basis)
                    sources[source] = None
                    if fact:
                        shown.setdefault(fact, []).append(test.label)
            detail = [f"{names[0]}: {fact}" if len(names) == 1 < len(listed) and not fact.casefold().startswith(names[0].casefold()) else fact
                      for fact, names in shown.items()]
        if listed[0].decision in REPORTED:
            detail += _times(listed, used, sources, single=plain and len(listed) == 1)
            if plain and len(listed) == 1 and detail:
                text, detail = f"{text}: {detail[0]}", detail[1:]
        items.append(Item(text, {"tests": [test.key for test in listed], "decision": listed[0].decision}, tuple(s for s in sources if s),
                          tuple(dict.fromkeys(detail))))
    return items


def _urgency(test: Judged) -> tuple[float, str]:
    left = shortest(test)
    return (left.hours if left and test.decision in REPORTED else float("inf"), test.label)


def _facts(findings: Sequence[Finding]) -> list[tuple[str, str, str]]:
    """Return the sentences, sources and bases of the first facts behind findings; the rule itself when there is no fact."""
    found = []
    for finding in findings:
        facts = [r for r in finding.reasons if r.kind != "rule" and r.source]
        rules = [r for r in finding.reasons if r.kind == "rule"]
        shown = facts[:_FACTS] or [r._replace(text="") for r in rules]
        found += [(r.text, r.source or "", r.basis or "") for r in shown]
    return [reason for reason in dict.fromkeys(found) if reason[0] or reason[1]]


def _times(tests: Sequence[Judged], used: dict[str, str], sources: dict[str, None], *, single: bool) -> list[str]:
    lines = []
    for test in tests:
        left = shortest(test)
        if left is None:
            continue
        parts = []
        for remaining, whose in ((test.published, "published"), (test.local, "")):
            if remaining is None:
                continue
            if remaining.source:
                note(used, remaining.source, remaining.basis)
                sources[remaining.source] = None
            other = "" if remaining is left else f", {hours_text(remaining.hours)} left"
            parts.append(f"{whose}{': ' if whose else ''}{remaining.text}{other}")
        line = f"{hours_text(left.hours)} {'left' if left.sure else 'more shown to hold'} before {left.before} ({'; '.join(parts)})"
        lines.append(line if single else f"{test.label}: {line}")
    return lines


def _waiting(tests: Sequence[Judged], used: dict[str, str]) -> list[Item]:
    groups: dict[tuple[str, ...], list[Judged]] = {}
    for test in tests:
        stated = tuple(f.words for f in test.deciding if not f.missing)
        missing = tuple(sorted(test.missing))
        groups.setdefault((*stated, *([f"missing: {', '.join(missing)}"] if missing else [])), []).append(test)
    items = []
    for words, listed in groups.items():
        text = _labels([test.label for test in listed], 20)
        sources: dict[str, None] = {}
        for test in listed:
            for finding in test.deciding:
                for reason in finding.reasons[:_FACTS]:
                    note(used, reason.source, reason.basis)
                    if reason.source and reason.kind != "rule":
                        sources[reason.source] = None
        items.append(Item(f"{text[:1].upper()}{text[1:]}: {'; '.join(words)}", {"tests": [test.key for test in listed]}, tuple(sources)))
    return items


def _conflicts(judged: Sequence[Judged]) -> list[str]:
    texts = []
    for test in judged:
        for finding in test.findings:
            if finding.check == "material" and "local catalogue takes it" in finding.words and finding.decision != "accept":
                texts.append(f"{test.label}: the local catalogue takes this specimen, but {finding.words.split(' (')[0]}.")
    return list(dict.fromkeys(texts))


def _unknowns(case: Case, asked: Sequence[Question]) -> list[str]:
    texts = [f"tests: {unclear.message.replace('a known name', 'a known test').rstrip('?')}{'?' if unclear.suggestions else '.'}" for unclear in case.unclear]
    spread = {rule["check"] for rule in case.judge.facts.rules if rule["spreads"]}
    blood = any(case.judge.facts.family(form) != OTHER for form in case.judge.facts.forms)
    if blood and not case.story.draw and any(f.check in spread and not f.missing for test in case.judged for f in test.findings):
        texts.append("What else of the same draw is touched: the other tubes and their order were not said (draw, position).")
    return texts


def _full_data(case: Case, asked: Sequence[Question], again: Sequence[Again], others: Sequence[Touched], said: Sequence[str]) -> dict[str, Any]:
    return {**case_data(case),
            "missing": [{"field": q.field, "question": q.question, "whom": q.whom, "tests": list(q.tests), "all_else_in_order": list(q.alone)} for q in asked],
            "also_affected": [{"tube": t.tube, "label": t.label, "why": t.why, "at_risk": list(t.published), "more_by_chemistry": t.by_chemistry} for t in others],
            "collect_again": [again_data(a) for a in again], "call": list(said)}


def case_data(case: Case) -> dict[str, Any]:
    """Return the specimen and the judgement of each test for programs."""
    story = case.story
    clock = story.clock
    return {"specimen": {"label": story.label, "container": story.container.id if story.container else None, "additives": list(story.additives),
                         "material": story.form or story.container_material, "hours_since_collection": clock.elapsed,
                         "hours_on_cells": dict(clock.on_cells), "hours_off_cells": dict(clock.off_cells), "separated": clock.separated},
            "counts": {decision: sum(test.decision == decision for test in case.judged) for decision in DECISIONS},
            "tests": [_test_data(test, story) for test in case.judged],
            "not_understood": [{"typed": u.typed, "message": u.message, "suggestions": list(u.suggestions)} for u in case.unclear]}


def _test_data(test: Judged, story: Story) -> dict[str, Any]:
    left = shortest(test)
    now = story.clock.now
    return {"test": test.key, "name": test.label, "code": test.code, "panel": test.panel or None, "decision": test.decision, "material": test.material,
            "reasons": [{"check": f.check, "decision": f.decision, "words": f.words, "remedy": f.remedy or None,
                         "facts": [{"id": r.id, "text": r.text, "source": r.source, "basis": r.basis} for r in f.reasons]}
                        for f in test.findings if not f.missing],
            "missing": list(test.missing),
            "hours_left": left.hours if left else None,
            "measure_before": (now + timedelta(hours=left.hours)).isoformat(timespec="minutes") if left and now and left.hours < 80000 else None,
            "published_left": _left_data(test.published), "local_left": _left_data(test.local),
            "limits": [limit.to_data() for limit in test.limits]}


def _left_data(left: Remaining | None) -> dict[str, Any] | None:
    if left is None:
        return None
    return {"hours": left.hours, "before": left.before, "text": left.text, "source": left.source, "basis": left.basis, "sure": left.sure}
