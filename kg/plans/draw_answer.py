"""How a planned draw reads: tubes in draw order, volume against the limits, and what to do when blood is short."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from kg.answer import Answer, Item, Link, Section, cite, versions
from kg.database import rows
from kg.plans.draw import Draw
from kg.plans.draw_blood import blood_items, exceeded
from kg.plans.draw_instance import Tube
from kg.plans.draw_items import tube_items
from kg.plans.draw_needs import ECONOMIES
from kg.plans.draw_plan import Step
from kg.plans.draw_rules import citrate_items, culture_items
from kg.plans.draw_tubes import Filling, fillings
from kg.plans.draw_words import containers, listed, ml, named
from kg.plans.patient import UNKNOWN, Limit, blood_volume, limits
from kg.questions.common import note
from kg.wording import inside

Row = sqlite3.Row
_LONGER = ("one draw", "24 h")
_FEW = 3
_FULL = "no container that is left can hold what it needs"


def answer(connection: sqlite3.Connection, planned: Draw) -> Answer:
    """Return the answer for a planned draw."""
    used: dict[str, str] = {}
    filled, conflicts, unplaced = fillings(connection, planned, used)
    found = limits(connection, planned.patient, planned.total_ml)
    sections = [Section("Fill in this order", tuple(tube_items(connection, planned, filled, used)), _order_note(connection, planned, used))]
    sections.append(Section("Blood", tuple(blood_items(connection, planned, found, used))))
    for title, items in (("Citrate and haematocrit", citrate_items(connection, planned, used)),
                         ("Blood culture", culture_items(connection, planned, used)),
                         ("When blood is short" if planned.plan.economy == ECONOMIES[0] else "More or less blood", _short_items(planned)),
                         ("Not in this plan", _left_out_items(planned)),
                         ("Containers left out", [Item(f"{r.name}: {r.why}", {"why": r.why}, r.sources) for r in planned.served.left_out]),
                         ("Taken for granted", [Item(text, {}) for text in (*planned.patient.assumptions, *planned.requests.assumptions, *planned.served.assumptions,
                                                                            *_one_run_only(planned))])):
        if items:
            sections.append(Section(title, tuple(items)))
    for refused in (*planned.served.left_out, *planned.unserved):
        for source in refused.sources:
            note(used, source, "practice")
    verdict = _verdict(planned, found)
    because = _because(planned, used)
    unknowns = [*unplaced, *_unknowns(planned, found)]
    return Answer("draw", "; ".join(planned.requests.understood), verdict, _headline(planned, found, verdict), tuple(s for s in sections if s.items),
                  tuple(because), tuple(conflicts), tuple(unknowns), cite(connection, used), versions=versions(connection),
                  data=_data(planned, filled, found, connection))


def _verdict(planned: Draw, found: Sequence[Limit]) -> str:
    if not planned.plan.tubes:
        return "nothing"
    if planned.unserved or planned.problems or planned.plan.dropped or planned.plan.impossible:
        return "partial"
    return "over-limit" if exceeded(found) else "planned"


def _headline(planned: Draw, found: Sequence[Limit], verdict: str) -> str:
    if verdict == "nothing":
        reasons = [*(f"{r.name}: {r.why}" for r in planned.unserved), *(f"{r.field}: {r.why}" for r in planned.problems)]
        return "Nothing can be drawn for these tests: " + "; ".join(reasons).rstrip(".?") + "."
    plan = planned.plan
    tubes = containers(len(plan.tubes))
    lost = len(planned.unserved) + len(planned.problems) + len({n.test.code for n in planned.needs if n.name in (*plan.dropped, *plan.impossible)})
    served = len({need.test.code for need in planned.needs if need.name not in (*plan.dropped, *plan.impossible)})
    text = f"{tubes}, {ml(planned.total_ml)} of blood, for {served} {'test' if served == 1 else 'tests'}"
    text += f", waste of {ml(planned.waste_lost_ml)} included" if planned.waste_lost_ml else ""
    text += f"; {_lost(planned, lost)}" if lost else ""
    above = exceeded(found)
    if above:
        strictest = min(above, key=lambda limit: limit.allowed_ml or 0.0)
        text += f". ABOVE {len(above)} of the limits of care: {ml(strictest.counted_ml)} against {ml(strictest.allowed_ml or 0.0)} ({strictest.text})"
    if plan.economy != "usual":
        text += f". {_ECONOMY[plan.economy][:1].upper()}{_ECONOMY[plan.economy][1:]}"
    return text + "."


def _lost(planned: Draw, number: int) -> str:
    """Say what is not in the plan: by name when it is little."""
    missing = [refused.name for refused in (*planned.unserved, *planned.problems)]
    left = (*planned.plan.dropped, *planned.plan.impossible)
    names = [*missing, *([named(planned.needs, left)] if left else [])]
    if len(names) <= _FEW:
        return f"NOT in the plan: {listed(inside(name) for name in names)}"
    return f"{number} asked for are NOT in the plan"


_ECONOMY = {
    "usual": "the volumes asked for, so that a run can be repeated, and tubes filled by their vacuum to the mark",
    "one-run": "the least volumes, for one run without a repeat",
    "part-filled": "the least volumes, tubes filled no further than needed (by syringe) and smaller tubes than usual",
    "before-spin": "the least volumes, part-filled and smaller tubes, and whole blood taken from a tube before it is spun for plasma",
}


def _order_note(connection: sqlite3.Connection, planned: Draw, used: dict[str, str]) -> str:
    label = connection.execute("SELECT label FROM guidelines WHERE id = ?", (planned.guideline,)).fetchone()["label"]
    text = f"Order: {label}."
    if planned.waste.volume_ml:
        if planned.waste.basis:
            note(used, planned.waste.sources[0], planned.waste.basis)
        back = "given back" if not planned.waste_lost_ml else "wasted"
        text += f" First {ml(planned.waste.volume_ml)} is drawn off and {back} ({inside(planned.waste.why)})."
    for row in rows(connection, "draw_order", guideline=planned.guideline):
        if not row["additives"] and not row["containers"]:
            note(used, row["source"], row["basis"])
            text += f" Position {row['position']}: {inside(row['step'])}" + (f" ({row['rationale']})." if row["rationale"] else ".")
    return text + (f" {planned.waste.remark[:1].upper()}{planned.waste.remark[1:]}." if planned.waste.remark else "")


def _short_items(planned: Draw) -> list[Item]:
    """Say what more generous and more sparing ways would take, and what a limit leaves room for."""
    plan = planned.plan
    items: list[Item] = []
    if not plan.tubes:
        return items
    own = next(step for step in plan.ladder if step.economy == plan.economy)
    last: Step | None = None
    for step in plan.ladder:
        same = last is not None and (step.blood_ml, step.tubes, step.unserved) == (last.blood_ml, last.tubes, last.unserved)
        if same and step.economy != plan.economy:
            continue
        items.append(Item(_way(planned, step, own), {"economy": step.economy, "blood_ml": step.blood_ml, "containers": step.tubes}))
        last = step
    if planned.waste_lost_ml and plan.economy != ECONOMIES[0]:
        items.append(Item(f"The {ml(planned.waste_lost_ml)} drawn off to clear the line are lost; given back in a closed set, the draw takes {ml(plan.blood_ml)}.",
                          {"blood_ml": plan.blood_ml}))
    if plan.dropped:
        items.append(Item(f"To keep within {ml(planned.most_ml or 0.0)}, left out by priority: {named(planned.needs, plan.dropped)}.", {"dropped": plan.dropped}))
    if plan.keeping_within:
        items.append(_within_item(planned))
    return items


def _way(planned: Draw, step: Step, own: Step) -> str:
    """Say what one economy takes beside the one that is planned."""
    takes = f"{ml(step.blood_ml)} in {containers(step.tubes)}"
    missing = [name for name in step.unserved if name not in own.unserved]
    without = f", without {named(planned.needs, missing)}" if missing else ""
    if step is own:
        return f"This plan: {_ECONOMY[step.economy]}: {takes}."
    more = round(step.blood_ml - own.blood_ml, 6)
    beside = f", {ml(abs(more))} {'more' if more > 0 else 'less'}" if more and not missing else ""
    tubes = ", no less blood" if not more and not missing else ""
    lead = "When there is enough blood, so that runs can be repeated" if ECONOMIES.index(step.economy) < ECONOMIES.index(own.economy) and step.economy == "usual" \
        else f"{_ECONOMY[step.economy][:1].upper()}{_ECONOMY[step.economy][1:]}"
    return f"{lead}: {takes}{without}{beside}{tubes}."


def _within_item(planned: Draw) -> Item:
    subset = planned.plan.keeping_within
    assert subset is not None
    limit = ml(subset.allowed_ml + planned.waste_lost_ml)
    if not subset.tubes:
        waste = f", as clearing the line takes {ml(planned.waste_lost_ml)} of it" if planned.waste_lost_ml else ""
        text = f"The strictest limit of care ({limit}) leaves no room for any of this{waste}. Ask whether it must be drawn now, and what first."
    else:
        text = (f"To keep within the strictest limit of care ({limit}), leave out by priority: {named(planned.needs, subset.dropped)}; "
                f"the rest takes {ml(subset.blood_ml)} in {containers(subset.tubes)}, and no more can be served.")
    return Item(text, {"dropped": subset.dropped, "blood_ml": subset.blood_ml})


def _left_out_items(planned: Draw) -> list[Item]:
    plan = planned.plan
    reasons: dict[tuple[str, str, tuple[str, ...]], list[str]] = {}
    for refused in (*planned.problems, *planned.unserved):
        reasons.setdefault((refused.field, refused.why, refused.sources), []).append(refused.name)
    items = [Item(f"{listed(names)}: {why}.", {"names": names, "field": field, "why": why}, sources)
             for (field, why, sources), names in reasons.items()]
    for left, field, why in ((plan.dropped, "max_blood_ml", f"left out to keep within {ml(planned.most_ml or 0.0)}"), (plan.impossible, "available", _FULL)):
        if left:
            text = named(planned.needs, left)
            items.append(Item(f"{text[:1].upper()}{text[1:]}: {why}.", {"names": left, "field": field, "why": why}))
    vein = planned.from_vein
    if vein is not None and vein.plan.tubes and len(vein.unserved) < len(planned.unserved):
        rest = f", all but {listed(inside(r.name) for r in vein.unserved)}" if vein.unserved else ""
        items.append(Item(f"As these need a vein, all could come from it: {ml(vein.total_ml)} in {containers(len(vein.plan.tubes))}{rest}.",
                          {"route": vein.route, "blood_ml": vein.total_ml, "containers": len(vein.plan.tubes)}))
    return items


def _one_run_only(planned: Draw) -> list[str]:
    if not planned.plan.once:
        return []
    return [f"One run without a repeat, as the volume asked for fits into none of these containers: {named(planned.needs, planned.plan.once)}."]


def _because(planned: Draw, used: dict[str, str]) -> list[Link]:
    """Give the facts on which the volumes rest."""
    values, patient = planned.setting.values, planned.patient
    links = [Link(f"Haematocrit {'' if patient.haematocrit_known else 'taken as '}{patient.haematocrit:g}.", "fact", patient.group["id"],
                  "", () if patient.haematocrit_known else (patient.group["source"],))]
    if not patient.haematocrit_known:
        note(used, patient.group["source"], patient.group["basis"])
    for kind in dict.fromkeys(tube.size.kind for tube in planned.plan.tubes if tube.use in ("spun", "either")):
        row = values.get(("recoverable-share", kind)) or values["recoverable-share", "tube"]
        note(used, row["source"], row["basis"])
        links.append(Link(f"Of the plasma or serum in a {kind} {100 * row['value']:g} % can be taken off, so 1 mL of blood gives "
                          f"{(1 - patient.haematocrit) * row['value']:.2g} mL.", "fact", row["id"], "", (row["source"],)))
    rules = {rule["id"]: rule for rule in planned.setting.known.rules}
    for rule_id in dict.fromkeys(rule for tube in planned.plan.tubes for rule in tube.apart):
        note(used, rules[rule_id]["source"], rules[rule_id]["basis"])
        links.append(Link(f"{_subject(planned, rules[rule_id])} are not put in with other tests: {rules[rule_id]['reason']}.", "fact", rule_id, "",
                          (rules[rule_id]["source"],)))
    proof = f"no plan draws less, and none with as much blood has fewer containers ({planned.plan.by})" if planned.plan.proven else (
        "the time ran out; a better plan may exist")
    links.append(Link(f"Aims in order: serve every test, then least blood, then fewest containers. Therefore this plan: {proof}.", "conclusion", "plan",
                      "integer programming", ()))
    return links


def _subject(planned: Draw, rule: Row) -> str:
    if rule["subject_kind"] == "department":
        return f"Tests of {rule['subject'].replace('-', ' ')}" + (f" ({rule['temperature']})" if rule["temperature"] else "")
    label = planned.setting.known.labels.get(rule["subject"], rule["subject"].replace("-", " "))
    return f"Tests under '{label}'"


def _unknowns(planned: Draw, found: Sequence[Limit]) -> list[str]:
    texts = []
    patient = planned.patient
    if patient.weight_kg is None and any(limit.status == UNKNOWN for limit in found):
        texts.append("Whether the limits by weight are kept: the weight is not stated.")
    if any(tube.size.blood_to_additive for tube in planned.plan.tubes) and not patient.haematocrit_known:
        texts.append("Whether the citrate must be adjusted: the haematocrit is not stated.")
    if any(limit.status != UNKNOWN and " in " in limit.text and not any(f" in {p}" in limit.text for p in _LONGER) for limit in found):
        texts.append("What was taken before the last 24 h; limits over longer times do not count it.")
    if any(need.choices[0].instead_of for need in planned.needs if need.choices):
        texts.append("Whether the laboratory takes the containers that the catalogue does not name; ask before the draw.")
    return texts


def _data(planned: Draw, filled: Sequence[Filling], found: Sequence[Limit], connection: sqlite3.Connection) -> dict[str, Any]:
    plan, patient = planned.plan, planned.patient
    by_name = {need.name: need for need in planned.needs}

    def codes(names: Sequence[str]) -> list[str]:
        return list(dict.fromkeys(by_name[name].test.code for name in names))

    volume = blood_volume(connection, patient)
    return {
        "containers": [_tube_data(fill, codes(fill.tube.tests)) for fill in filled],
        "container_count": len(plan.tubes), "blood_ml": plan.blood_ml, "waste_ml": planned.waste_lost_ml, "total_ml": planned.total_ml,
        "taken_24h_ml": patient.taken_ml, "economy": plan.economy, "route": planned.route, "guideline": planned.guideline,
        "patient": {"group": patient.group["id"], "weight_kg": patient.weight_kg, "haematocrit": patient.haematocrit,
                    "haematocrit_known": patient.haematocrit_known, "blood_volume_low_ml": volume[0] if volume else None,
                    "blood_volume_high_ml": volume[1] if volume else None},
        "limits": [{"id": limit.id, "text": limit.text, "status": limit.status, "counted_ml": round(limit.counted_ml, 6), "allowed_ml": limit.allowed_ml,
                    "strictest_ml": limit.strictest_ml, "research": limit.research, "sources": list(limit.sources), "basis": limit.basis} for limit in found],
        "steps": [{"economy": step.economy, "blood_ml": step.blood_ml, "containers": step.tubes, "unserved": codes(step.unserved)} for step in plan.ladder],
        "within_limit": None if plan.keeping_within is None else {
            "allowed_ml": round(plan.keeping_within.allowed_ml, 6), "blood_ml": plan.keeping_within.blood_ml, "containers": plan.keeping_within.tubes,
            "dropped": codes(plan.keeping_within.dropped)},
        "dropped": codes(plan.dropped),
        "unserved": [{"name": r.name, "field": r.field, "why": r.why} for r in planned.unserved]
        + [{"name": named(planned.needs, [name]), "field": "available", "why": _FULL} for name in plan.impossible],
        "problems": [{"name": r.name, "field": r.field, "why": r.why} for r in planned.problems],
        "proof": {"proven": plan.proven, "by": plan.by, "aims": ["tests served", "blood", "containers"]},
    }


def _tube_data(fill: Filling, tests: list[str]) -> dict[str, Any]:
    tube: Tube = fill.tube
    return {"container": tube.size.container, "label": tube.size.label, "nominal_ml": tube.size.volume_ml, "blood_ml": tube.blood_ml,
            "needed_ml": tube.needed_ml, "use": tube.use, "tests": tests, "position": fill.position, "inversions": fill.inversions,
            "handling": list(fill.requirements), "deadline_minutes": fill.deadline_minutes, "deadline_test": fill.deadline_test,
            "instead_of": fill.instead_of, "lost_without": list(fill.lost_without)}
