"""How the best use of a small specimen reads: the order of measurement, what is left out, and what more would bring."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from kg.answer import Item, Link, Section
from kg.plans.clashes import clash_data, clash_item, keeping_clashes, tests_text
from kg.plans.keeping import Keeping, keeping
from kg.plans.misfits import conflicts_of, misfit_data, misfit_section, misfits, named, typed_data, typed_section
from kg.plans.precedence import HOLD, SERVE, Order, applying_steps, solve
from kg.plans.precedence import Step as ShareStep
from kg.plans.solve_stretch import cost_of
from kg.plans.specimen import AS_IS, BLOOD, SPUN, WHOLE
from kg.plans.stretch_problem import Problem, Wish
from kg.plans.told import Told
from kg.plans.wanted import Wanted
from kg.questions.common import join, note
from kg.wording import inside

_FORMS = {WHOLE: "whole blood", SPUN: "plasma or serum", AS_IS: "fluid"}


class Step(NamedTuple):
    """One measurement in its place: a test, or the results of one run."""

    wishes: tuple[Wish, ...]
    takes_ul: float
    dead_ul: float
    """Dead volume of the cup, told at its first measurement."""
    factor: float
    kept: Keeping
    level: int
    """Level of the share step that serves it: what must come first has the lower one."""
    how: str
    """What the share step says to do."""


def tell(connection: sqlite3.Connection, wanted: Wanted, problem: Problem, extra: Sequence[float]) -> Told:
    """Return the answer's parts.

    Args:
        connection: the database.
        wanted: what was wanted.
        problem: the solved problem.
        extra: volumes of which to say what they would gain, uL.
    """
    used: dict[str, str] = {}
    chosen = [problem.wishes[number].test for number in problem.plan.chosen]
    rules = applying_steps(connection, problem.specimen, [chosen]) if chosen else []
    shared = solve(connection, rules)
    steps = _order(connection, problem, shared)
    clashes = keeping_clashes(connection, rules)
    because = tuple(_reasons(problem, used))
    plan_data = [_step_data(number, step) for number, step in enumerate(steps, 1)]
    missing = _missing(problem)
    gains = [_gain(problem, volume) for volume in extra]
    outside = misfits(wanted)
    sections = [_measured(problem, steps, used), Section("Cannot both be kept as they ask", tuple(clash_item(clash, used) for clash in clashes)),
                _kept(rules, used), _short(problem, missing), misfit_section(outside, used), _gained(gains, _next_gain(problem)), typed_section(wanted)]
    data: dict[str, Any] = {
        "specimen": {**_specimen_data(problem), **_left(problem, steps)}, "plan": plan_data,
        "priority_served": _priority(problem, problem.plan.chosen), "priority_wanted": float(sum(t.weight for t in wanted.tests)),
        "not_measured": missing, "not_in_this_specimen": [misfit_data(test) for test in outside], "more": gains, "next_gain_ul": _next_gain(problem),
        "cannot_both": [clash_data(clash) for clash in clashes], "everything_ul": _everything(problem), **typed_data(wanted)}
    return Told(_headline(wanted, problem, steps, missing), tuple(s for s in sections if s.items), because, conflicts_of(wanted),
                tuple(_unknowns(wanted, problem)), used, data)


def _order(connection: sqlite3.Connection, problem: Problem, shared: Order) -> list[Step]:
    """Whole blood before the spin; then by the rules of precedence, then the least stable first, each cup at one go."""
    plan = problem.plan
    serving = {test.code: step for step in shared.steps if step.rule["role"] == SERVE for test in step.tests}
    groups: dict[tuple[str, str, str], list[tuple[int, Wish]]] = {}
    for number in plan.chosen:
        wish = problem.wishes[number]
        groups.setdefault((wish.test.fit.form, wish.choice.cup, wish.test.run or wish.test.code), []).append((number, wish))
    cups: dict[tuple[str, str], list[tuple[tuple[int, float, int], Step]]] = {}
    for (form, cup, _), members in groups.items():
        kept = min((keeping(connection, wish.test) for _, wish in members), key=lambda k: k.rank)
        factor = max(wish.factor if number in plan.diluted else 1.0 for number, wish in members)
        takes = max(wish.need_ul / (wish.factor if number in plan.diluted else 1.0) for number, wish in members)
        rules = [serving[wish.test.code] for _, wish in members if wish.test.code in serving]
        level = min((shared.levels[rule.id] for rule in rules), default=0)
        how = rules[0].rule["statement"] or "" if rules else ""
        cups.setdefault((form, cup), []).append(((level, kept.rank, members[0][0]), Step(tuple(w for _, w in members), takes, 0.0, factor, kept, level, how)))
    ordered: list[Step] = []
    for (_, _), listed in sorted(cups.items(), key=lambda pair: (pair[0][0] != WHOLE, min(key for key, _ in pair[1]))):
        first, *rest = [step for _, step in sorted(listed, key=lambda entry: entry[0])]
        dead = max(wish.dead_ul for step in (first, *rest) for wish in step.wishes)
        ordered += [first._replace(dead_ul=dead), *rest]
    return ordered


def _left(problem: Problem, steps: Sequence[Step]) -> dict[str, float]:
    """Return what whole blood takes, what is spun, what comes off and what is left of it, uL."""
    whole = sum(step.takes_ul + step.dead_ul for step in steps if _form(step) == WHOLE)
    rest = sum(step.takes_ul + step.dead_ul for step in steps if _form(step) != WHOLE)
    spun = problem.volume_ul - whole
    off = spun * float(problem.output.share) if rest or problem.specimen.kind != BLOOD else spun
    return {"whole_blood_used_ul": round(whole, 1), "left_to_spin_ul": round(spun, 1) if problem.specimen.kind == BLOOD else 0.0,
            "available_ul": round(off, 1), "used_ul": round(rest, 1), "left_over_ul": round(max(0.0, off - rest), 1)}


def _form(step: Step) -> str:
    return step.wishes[0].test.fit.form


def _specimen_data(problem: Problem) -> dict[str, Any]:
    specimen, output = problem.specimen, problem.output
    return {"material": specimen.material, "label": specimen.label, "kind": specimen.kind, "container": specimen.container,
            "additives": list(specimen.additives), "volume_ul": problem.volume_ul, "haematocrit": output.haematocrit,
            "haematocrit_assumed": output.assumed, "recoverable_share": output.recoverable}


def _name(wishes: Iterable[Wish]) -> str:
    tests = [wish.test for wish in wishes]
    if len(tests) == 1:
        return named(tests[0])
    return f"{', '.join(test.name for test in tests)} (one measurement)"


def _step_data(number: int, step: Step) -> dict[str, Any]:
    return {"order": number, "tests": [wish.test.code for wish in step.wishes], "names": [wish.test.name for wish in step.wishes],
            "form": _form(step), "bench": step.wishes[0].test.bench.id, "cup": step.wishes[0].cup, "takes_ul": round(step.takes_ul, 1),
            "dead_volume_ul": round(step.dead_ul, 1), "dilution": step.factor, "keeps_hours": step.kept.hours, "keeps": step.kept.said}


def _measured(problem: Problem, steps: Sequence[Step], used: dict[str, str]) -> Section:
    items: list[Item] = []
    spun_said = False
    left = _left(problem, steps)
    how = ""
    for number, step in enumerate(steps, 1):
        if problem.specimen.kind == BLOOD and _form(step) == SPUN and not spun_said:
            items.append(Item(f"Spin: {left['left_to_spin_ul']:g} uL blood give {left['available_ul']:g} uL plasma or serum that can be taken off"))
            spun_said = True
        dead = f", dead volume {step.dead_ul:g} uL once" if step.dead_ul else ""
        thin = f", diluted 1 in {step.factor:g}" if step.factor > 1 else ""
        for source, basis in step.kept.sources:
            note(used, source, basis)
        said = (*((f"{step.how[0].upper()}{step.how[1:]}",) if step.how and step.how != how else ()),
                *dict.fromkeys(wish.test.fit.reason for wish in step.wishes if wish.test.fit.reason))
        how = step.how
        decided = tuple(wish.dilution for wish in step.wishes if wish.dilution)
        items.append(Item(f"{number}. {_name(step.wishes)}: {step.takes_ul:g} uL {_FORMS[_form(step)]}{thin}; {step.wishes[0].cup}{dead}; {step.kept.said}",
                          _step_data(number, step), tuple(source for source, _ in step.kept.sources), (*said, *decided)))
    whole = "Whole blood before the spin; then what" if problem.specimen.kind == BLOOD else "What"
    if steps:
        rest = left["left_over_ul"]
        items.append(Item(f"Left over: {rest:g} uL {'plasma or serum' if spun_said else _FORMS[_form(steps[-1])]}; stopper, label and keep it"))
    note_text = f"{whole} must come first by the rules of sharing, then what keeps shortest, each cup at one go." if len(steps) > 1 else ""
    if any(len([w for w in problem.wishes if name in w.test.asked_as]) > 1 for wish in problem.wishes for name in wish.test.asked_as):
        note_text += " The priority of a panel is shared equally by its tests."
    return Section("Measure in this order", tuple(items), note_text.strip())


def _kept(rules: Sequence[ShareStep], used: dict[str, str]) -> Section:
    """Say how the specimen has to be kept for what is measured."""
    items = []
    for rule in rules:
        if rule.rule["role"] == HOLD:
            note(used, rule.rule["source"], rule.rule["basis"])
            items.append(Item(f"{rule.name}, {rule.rule['statement']}; for {tests_text(rule.tests)}", {"step": rule.id}, (rule.rule["source"],)))
    return Section("Keep it so meanwhile", tuple(items))


def _missing(problem: Problem) -> list[dict[str, Any]]:
    """Return what fits but is not measured, each run as one, with the least extra volume that would serve it besides the plan."""
    plan, listed = problem.plan, []
    groups: dict[tuple[str, str], list[int]] = {}
    for number, wish in enumerate(problem.wishes):
        if number not in plan.chosen:
            groups.setdefault((wish.choice.cup, wish.test.run or wish.test.code), []).append(number)
    for numbers in groups.values():
        extra = problem.extra_ul([*plan.chosen, *numbers], plan.diluted)
        alone = problem.specimen_ul(cost_of([wish.choice for wish in problem.wishes], numbers))
        wishes = [problem.wishes[number] for number in numbers]
        listed.append({"tests": [wish.test.code for wish in wishes], "name": _name(wishes), "priority": _priority(problem, numbers),
                       "extra_ul": extra, "alone_ul": _up(alone), "instead": alone <= problem.volume_ul,
                       "dilution": "; ".join(wish.dilution for wish in wishes if wish.dilution)})
    return sorted(listed, key=lambda entry: (entry["extra_ul"], entry["name"]))


def _up(volume: float) -> float:
    return float(-(-round(volume, 3) // 1))


def _short(problem: Problem, missing: Sequence[dict[str, Any]]) -> Section:
    what = " blood" if problem.specimen.kind == BLOOD else ""
    alike: dict[tuple[float, float, str], list[dict[str, Any]]] = {}
    for entry in missing:
        alike.setdefault((entry["extra_ul"], entry["alone_ul"], entry["dilution"]), []).append(entry)
    items = []
    for (extra, alone, dilution), entries in alike.items():
        name = entries[0]["name"] if len(entries) == 1 else f"Any one of {', '.join(entry['name'] for entry in entries)}"
        instead = ", so it could be had instead of the plan" if entries[0]["instead"] else ""
        items.append(Item(f"{name}: {extra:g} uL more{what} would serve it besides the plan; alone it needs {alone:g} uL{instead}",
                          {"tests": [code for entry in entries for code in entry["tests"]], "extra_ul": extra}, (), (dilution,) if dilution else ()))
    note_text = "Keep what is left: the smallest addition comes first. Ask the ward which of these would change what they do." if items else ""
    return Section("Not enough for", tuple(items), note_text)


def _gain(problem: Problem, volume: float) -> dict[str, Any]:
    now, then = problem.plan, problem.plan_with(volume)
    gained = [number for number in then.chosen if number not in now.chosen]
    lost = [number for number in now.chosen if number not in then.chosen]
    return {"extra_ul": volume, "served": len(then.chosen), "priority": _priority(problem, then.chosen),
            "gained": [problem.wishes[n].test.code for n in gained], "given_up": [problem.wishes[n].test.code for n in lost],
            "gained_names": [problem.wishes[n].test.name for n in gained], "given_up_names": [problem.wishes[n].test.name for n in lost]}


def _next_gain(problem: Problem) -> float | None:
    """Return the least addition, in uL, that raises what is served, as far as was solved for."""
    better = next((plan for plan in problem.plans if plan.worth > problem.plan.worth), None)
    return None if better is None else float(problem.extra_ul(better.chosen, better.diluted))


def _gained(gains: Sequence[dict[str, Any]], least: float | None) -> Section:
    items = [] if least is None else [Item(f"The next gain comes with {least:g} uL more", {"next_gain_ul": least})]
    for gain in gains:
        text = f"{gain['extra_ul']:g} uL more: " + (f"{join(gain['gained_names'])} as well" if gain["gained"] else "nothing more")
        text += f", giving up {join(gain['given_up_names'])}" if gain["given_up"] else ""
        items.append(Item(text, gain))
    return Section("What more would bring", tuple(items))


def _priority(problem: Problem, numbers: Iterable[int]) -> float:
    return round(float(sum(problem.wishes[number].test.weight for number in numbers)), 6)


def _everything(problem: Problem) -> float:
    return _up(problem.specimen_ul(cost_of([wish.choice for wish in problem.wishes], range(len(problem.wishes)))))


def _reasons(problem: Problem, used: dict[str, str]) -> list[Link]:
    """Return why: the yield with its facts, and the benches that share a cup."""
    links: list[Link] = []
    output = problem.output
    if problem.specimen.kind == BLOOD:
        for fact in output.facts:
            note(used, fact["source"], fact["basis"])
        kind = f"{problem.specimen.container_kind}"
        links.append(Link(f"Of {problem.volume_ul:g} uL blood at haematocrit {output.haematocrit:g} the plasma is "
                          f"{problem.volume_ul * (1 - (output.haematocrit or 0)):g} uL, of which {output.recoverable * 100:g} % can be taken off a {kind}: "
                          f"{problem.volume_ul * float(output.share):.4g} uL if nothing is used as whole blood.", "fact", output.facts[0]["id"], "",
                          (output.facts[0]["source"],)))
    runs: dict[str, sqlite3.Row] = {}
    for number in problem.plan.chosen:
        row = problem.wishes[number].test.run_row
        if row is not None:
            runs[row["run"]] = row
    shared = {problem.wishes[n].test.bench.id: problem.wishes[n].test.bench.row for n in problem.plan.chosen}
    for row in [*shared.values(), *runs.values()]:
        if row is not None:
            note(used, row["source"], row["basis"])
            links.append(Link(f"{row['sentence']}.", "fact", row["id"], "", (row["source"],)))
    for number in range(len(problem.wishes)):
        row = problem.wishes[number].test.priority_row
        if row is not None:
            note(used, row["source"], row["basis"])
            links.append(Link(f"{row['sentence']}.", "fact", row["id"], "", (row["source"],)))
    return list({link.id: link for link in links}.values())


def _headline(wanted: Wanted, problem: Problem, steps: Sequence[Step], missing: Sequence[dict[str, Any]]) -> str:
    specimen = f"{problem.volume_ul:g} uL ({inside(problem.specimen.label)})"
    total, served = len(wanted.tests), len(problem.plan.chosen)
    if not wanted.tests:
        return "None of the tests is known."
    if served == total:
        return f"{specimen}: enough for {'all of it' if total > 1 else wanted.tests[0].name}."
    if served:
        names = dict.fromkeys(name for test in wanted.tests for name in test.asked_as)
        codes = {problem.wishes[number].test.code for number in problem.plan.chosen}
        full = sum(all(test.code in codes for test in wanted.tests if name in test.asked_as) for name in names)
        return f"{specimen}: measure {join(_short_name(step) for step in steps)}; that is {full} of {len(names)} wanted. Do not reject it."
    if missing:
        return f"{specimen}: not enough for anything that is wanted. Keep it: {missing[0]['extra_ul']:g} uL more would serve {missing[0]['name']}."
    return f"{specimen}: nothing that is wanted can be measured in it. Keep it, and ask what else it could serve."


def _short_name(step: Step) -> str:
    asked = list(dict.fromkeys(name for wish in step.wishes for name in wish.test.asked_labels))
    return f"{join(asked)} ({len(step.wishes)} results)" if len(step.wishes) > 1 else step.wishes[0].test.name


def _unknowns(wanted: Wanted, problem: Problem) -> list[str]:
    texts = []
    if problem.output.assumed:
        texts.append(f"The haematocrit is not stated; {problem.output.haematocrit:g} is assumed. A newborn's is often higher and leaves less plasma.")
    assumed = [wish.test.name for wish in problem.wishes if wish.test.volumes.assumed]
    if assumed:
        texts.append(f"The volumes of {join(assumed)} are not stated; usual ones are assumed.")
    usual = [test for test in wanted.tests if test.priority_row is not None]
    if usual:
        texts.append(f"No priority is stated; the usual ones are taken: {', '.join(f'{test.name} {float(test.weight):g}' for test in usual)}, others 1.")
    if wanted.not_in_catalogue:
        texts.append(f"The local catalogue has no test for {join(wanted.not_in_catalogue)}.")
    return texts
