"""How the sharing of a specimen reads: the order, the picture, the reasons, and what cannot both be met."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any, NamedTuple

from kg.answer import Item, Link, Section
from kg.database import rows
from kg.plans.clashes import Clash, clash_data, clash_item, supporting, tests_text, together_notes
from kg.plans.diagram import draw
from kg.plans.misfits import conflicts_of, misfit_data, misfit_section, misfits, typed_data, typed_section
from kg.plans.precedence import HOLD, LOCAL, SERVE, Edge, Order, Step
from kg.plans.share_volumes import Use
from kg.plans.specimen import BLOOD, SPUN, Specimen
from kg.plans.stretch_problem import Yield
from kg.plans.told import Told
from kg.plans.wanted import Wanted, WantedTest
from kg.questions.common import join, note
from kg.wording import inside

_WIDTH = 94
"""Columns of the picture; an answer indents it by six."""


class Shared(NamedTuple):
    """What has been worked out."""

    specimen: Specimen
    portions: Sequence[Sequence[WantedTest]]
    order: Order
    uses: Sequence[Use]
    clashes: Sequence[Clash]
    volume_ml: float | None
    output: Yield
    not_used: Sequence[str]
    """Local rules that could not be used."""


def tell(connection: sqlite3.Connection, wanted: Wanted, shared: Shared) -> Told:
    """Return the answer's parts."""
    used: dict[str, str] = {}
    numbers = {step.id: number for number, step in enumerate(shared.order.steps, 1)}
    picture = draw({step.id: _boxed(step) for step in shared.order.steps}, shared.order.levels,
                   [(edge.first, edge.second) for edge in shared.order.direct], _WIDTH)
    outside = misfits(wanted)
    because = tuple(_reasons(connection, shared.order, numbers, used))
    clash_items = tuple(clash_item(clash, used) for clash in shared.clashes)
    sections = (Section("Cannot both be met in one undivided specimen", clash_items), _short(shared, used), _steps(connection, shared, numbers, used),
                Section("In a picture", (Item("A line leads down from what comes first; what no line joins may change places.", {}, (), tuple(picture)),)
                        if picture else ()),
                _together(connection, shared.order.steps, numbers, used), _left_over(shared.order.steps, used),
                misfit_section(outside, used), typed_section(wanted))
    data: dict[str, Any] = {
        "specimen": _specimen_data(shared), "steps": [_step_data(step, numbers, shared) for step in shared.order.steps],
        "precedences": [_edge_data(connection, edge, shared.order) for edge in shared.order.edges], "diagram": picture,
        "cannot_both": [clash_data(clash) for clash in shared.clashes], "volumes": [{**use._asdict(), "still": list(use.still)} for use in shared.uses],
        "not_in_this_specimen": [misfit_data(test) for test in outside], **typed_data(wanted)}
    return Told(_headline(wanted, shared), tuple(s for s in sections if s.items), because, conflicts_of(wanted), tuple(_unknowns(wanted, shared)), used, data)


def _boxed(step: Step) -> str:
    return (f"{_portion(step.portion)}: " if step.portion else "") + step.short


def _where(shared: Shared, number: int) -> str:
    return f"{'portion' if shared.specimen.drawn else 'tube'} {_portion(number)}"


def _portion(number: int) -> str:
    return "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[number - 1] if number <= 26 else str(number)


def _headline(wanted: Wanted, shared: Shared) -> str:
    where = f"{f'{shared.volume_ml:g} mL ' if shared.volume_ml else ''}({inside(shared.specimen.label)})"
    fitting = [test for test in wanted.tests if test.fit.status == "fits"]
    if not wanted.tests:
        return "None of the tests is known."
    if not fitting:
        return f"None of {len(wanted.tests)} tests can be measured in this specimen {where}."
    open_clashes = [clash for clash in shared.clashes if not clash.met]
    short = [use for use in shared.uses if use.short_ml]
    served = {step.id: step for step in shared.order.steps if step.rule["role"] == SERVE}
    later = {edge.second for edge in shared.order.edges if edge.first in served}
    first = join(inside(step.name) for step in served.values() if step.id not in later)
    order = f"Of the tests first: {first}." if len(served) > 1 else ""
    if open_clashes:
        return f"Specimen {where}: {inside(open_clashes[0].first.demand)} and {inside(open_clashes[0].second.demand)} cannot both be met. {_sentence(open_clashes[0].remedy)}"
    if short:
        names = {step.id: step for step in shared.order.steps}
        told = "; ".join(f"'{inside(names[use.step].name)}' wants {_ml(use.needs_ml)} mL and finds {_ml(use.there_ml or 0)} mL" for use in short)
        instead = f" {_way_out(short[0], names[short[0].step])}."
        return f"Specimen {where}: not enough for everything: {told}.{instead}"
    divided = "Draw a tube for each. " if not shared.specimen.drawn and len(shared.portions) > 1 else "Divide first. " if len(shared.portions) > 1 else ""
    served_all = "all of it can be served" if shared.volume_ml else "all demands can be met if there is enough of it"
    return f"Specimen {where}: {served_all}. {divided}{order}"


def _sentence(text: str) -> str:
    return text if text.endswith(".") else f"{text}."


def _steps(connection: sqlite3.Connection, shared: Shared, numbers: dict[str, int], used: dict[str, str]) -> Section:
    uses = {use.step: use for use in shared.uses}
    items = []
    for step in shared.order.steps:
        facts = supporting(connection, step.rule, step.tests)
        for source, basis in ((step.rule["source"], step.rule["basis"]), *((fact["source"], fact["basis"]) for fact in facts)):
            note(used, source, basis)
        portion = f", {_where(shared, step.portion)}" if step.portion else ""
        what = f"; for {tests_text(step.tests)}" if step.rule["role"] in (SERVE, HOLD) and step.rule["per"] != "test" else ""
        how = f": {step.rule['statement']}" if step.rule["statement"] else ""
        use = uses.get(step.id)
        details = [_volume(step, use)] if use else []
        details += [f"{test.name}: {test.fit.reason}" for test in step.tests if test.fit.reason and step.rule["role"] == SERVE]
        items.append(Item(f"{numbers[step.id]}. {step.name}{portion}{how}{what}", {"id": step.id},
                          tuple(dict.fromkeys((step.rule["source"], *(fact["source"] for fact in facts)))), tuple(details)))
    return Section("Do in this order", tuple(items), "Steps on one level of the picture may change places." if len(items) > 1 else "")


def _volume(step: Step, use: Use) -> str:
    of = "plasma or serum" if any(test.fit.form == SPUN for test in step.tests) else "specimen"
    gone = f", of which {_ml(use.takes_ml)} mL is gone afterwards" if not use.short_ml and use.takes_ml < use.needs_ml else ""
    there = f"; {_ml(use.there_ml)} mL there" if use.there_ml is not None else ""
    return f"Needs at least {_ml(use.needs_ml)} mL {of}{gone}{there}{f', {_ml(use.short_ml)} mL short' if use.short_ml else ''}"


def _ml(volume: float | None) -> str:
    return f"{round(volume or 0.0, 3):g}"


def _short(shared: Shared, used: dict[str, str]) -> Section:
    names = {step.id: step for step in shared.order.steps}
    items = []
    for use in shared.uses:
        if use.short_ml:
            step = names[use.step]
            note(used, step.rule["source"], step.rule["basis"])
            items.append(Item(f"{step.name}: wants {_ml(use.needs_ml)} mL, and {_ml(use.there_ml)} mL is left when its turn comes. {_way_out(use, step)}",
                              {"step": use.step, "short_ml": use.short_ml, "still": list(use.still)}, (step.rule["source"],)))
    return Section("Too little", tuple(items), "What comes first is served first; the least volume of each test counts." if items else "")


def _way_out(use: Use, step: Step) -> str:
    if use.instead:
        return use.instead
    more = f"ask for {_ml(use.short_ml)} mL more or a second specimen"
    if not use.still:
        return f"{more[0].upper()}{more[1:]}; 'tubelore stretch' finds the best choice by priority"
    still = [test for test in step.tests if test.code in use.still]
    gone = [test for test in step.tests if test.code not in use.still]
    return f"Enough for {tests_text(still)}, not for {tests_text(gone)}: {more}"


def _reasons(connection: sqlite3.Connection, order: Order, numbers: dict[str, int], used: dict[str, str]) -> list[Link]:
    """Return each rule that decides something, with the steps between which it does and the facts that say the same."""
    table = {row["id"]: row for row in rows(connection, "precedence_rules")}
    by_rule: dict[tuple[str, str], list[Edge]] = {}
    for edge in order.direct:
        by_rule.setdefault((edge.topic, edge.reason), []).append(edge)
    links = []
    tests = list({test.code: test for step in order.steps for test in step.tests}.values())
    for (topic, _), edges in by_rule.items():
        rule = edges[0].rule
        pairs = join(f"{numbers[edge.first]} before {numbers[edge.second]}" for edge in edges)
        source = table.get(rule)
        if source:
            note(used, source["source"], source["basis"])
        sources = (source["source"],) if source else ()
        links.append(Link(f"{topic[0].upper()}{topic[1:]} ({pairs}): {edges[0].reason}.", "fact", rule, "", sources))
        told = supporting(connection, table[rule], tests)[:2] if rule in table else []
        for fact in told:
            note(used, fact["source"], fact["basis"])
            links.append(Link(f"{fact['sentence']}.", "fact", fact["id"], "", (fact["source"],), 1))
    return links


def _together(connection: sqlite3.Connection, steps: Sequence[Step], numbers: dict[str, int], used: dict[str, str]) -> Section:
    items = []
    for rule, first, second in together_notes(connection, steps):
        pairs = [(fact["source"], fact["basis"]) for fact in supporting(connection, rule, [*first.tests, *second.tests])] or [(rule["source"], rule["basis"])]
        for source, basis in pairs:
            note(used, source, basis)
        sources = tuple(dict.fromkeys(source for source, _ in pairs))
        items.append(Item(f"{numbers[first.id]} and {numbers[second.id]}, {inside(first.name)} and {inside(second.name)}: {rule['reason']}", {"rule": rule["id"]}, sources))
    return Section("Both ask to be first", tuple(items))


def _left_over(steps: Sequence[Step], used: dict[str, str]) -> Section:
    told: dict[str, Step] = {}
    for step in steps:
        if step.rule["left"]:
            told.setdefault(step.rule["left"], step)
    for step in told.values():
        note(used, step.rule["source"], step.rule["basis"])
    return Section("What may go on to whom", tuple(Item(f"After '{inside(step.rule['step'])}': {inside(text)}", {"step": step.id}, (step.rule["source"],))
                                                  for text, step in told.items()))


def _unknowns(wanted: Wanted, shared: Shared) -> list[str]:
    texts = list(shared.not_used)
    if shared.volume_ml is None:
        texts.append("The volume is not stated, so whether there is enough is not known.")
    elif shared.output.assumed and any(test.fit.form == SPUN for test in wanted.tests):
        texts.append(f"The haematocrit is not stated; {shared.output.haematocrit:g} is assumed for what the spin yields.")
    if wanted.not_in_catalogue:
        texts.append(f"The local catalogue has no test for {join(wanted.not_in_catalogue)}; its volume is assumed.")
    unserved = [test.name for test in wanted.tests if test.fit.status == "fits"
                and not any(test in step.tests for step in shared.order.steps if step.rule["role"] == SERVE)]
    if unserved:
        texts.append(f"No step is recorded for {join(unserved)}.")
    return texts


def _specimen_data(shared: Shared) -> dict[str, Any]:
    specimen = shared.specimen
    return {"material": specimen.material, "label": specimen.label, "kind": specimen.kind, "container": specimen.container,
            "additives": list(specimen.additives), "volume_ml": shared.volume_ml,
            "haematocrit": shared.output.haematocrit if specimen.kind == BLOOD else None, "portions": [[t.code for t in portion] for portion in shared.portions]}


def _step_data(step: Step, numbers: dict[str, int], shared: Shared) -> dict[str, Any]:
    return {"number": numbers[step.id], "id": step.id, "rule": step.rule["id"], "name": step.name, "role": step.rule["role"], "bench": step.bench,
            "portion": step.portion, "level": shared.order.levels[step.id], "tests": [test.code for test in step.tests],
            "how": step.rule["statement"] or "", "left_over": step.rule["left"] or "", "source": step.rule["source"], "basis": step.rule["basis"]}


def _edge_data(connection: sqlite3.Connection, edge: Edge, order: Order) -> dict[str, Any]:
    rule = next((row for row in rows(connection, "precedence_rules") if row["id"] == edge.rule), None) if edge.rule != LOCAL else None
    return {"first": edge.first, "second": edge.second, "topic": edge.topic, "reason": edge.reason, "rule": edge.rule,
            "source": rule["source"] if rule else "", "basis": rule["basis"] if rule else "",
            "supported_by": (rule["supported_by"] or "").split(";") if rule and rule["supported_by"] else [], "direct": edge in order.direct}
