"""How a planned draw reads: tubes in draw order, volume against the limits, and what to do when blood is short."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from kg.answer import Answer, Item, Link, Section, cite, versions
from kg.database import rows
from kg.plans.draw import Draw
from kg.plans.draw_instance import Need, Tube
from kg.plans.draw_plan import Step
from kg.plans.draw_rules import citrate_items, culture_items
from kg.plans.draw_tubes import Filling, fillings, tube_items
from kg.plans.patient import ABOVE, BETWEEN, NOTICE, UNKNOWN, Limit, blood_volume, limits
from kg.questions.common import join, note
from kg.wording import inside

Row = sqlite3.Row
_STANDS = {"within": "kept", BETWEEN: "above the strictest of these guidelines, below the loosest", ABOVE: "EXCEEDED", UNKNOWN: "not known",
           NOTICE: "reached"}
_LONGER = ("one draw", "24 h")


def ml(volume: float) -> str:
    """Return a volume as it reads: to a hundredth, without needless noughts."""
    return f"{round(volume, 2):g} mL"


def containers(number: int) -> str:
    """Return how many containers, in words."""
    return f"{number} container{'' if number == 1 else 's'}"


def said(needs: Sequence[Need], names: Sequence[str]) -> str:
    """Name the tests behind needs, each once."""
    by_name = {need.name: need for need in needs}
    return join(dict.fromkeys(by_name[name].test.label if not by_name[name].bottle else _bottle(by_name[name]) for name in names))


def _bottle(need: Need) -> str:
    kind = need.choices[0].container.rsplit("-", 1)[-1]
    number = need.name.split(" set ")[1].split()[0]
    return f"{need.test.label}, set {number}, {kind} bottle"


def answer(connection: sqlite3.Connection, planned: Draw) -> Answer:
    """Return the answer for a planned draw."""
    used: dict[str, str] = {}
    filled, conflicts, unplaced = fillings(connection, planned, used)
    found = limits(connection, planned.patient, planned.total_ml)
    sections = [Section("Fill in this order", tuple(tube_items(connection, planned, filled, used)), _order_note(connection, planned, used))]
    sections.append(Section("Blood", tuple(_blood_items(connection, planned, found, used))))
    for title, items in (("Citrate and haematocrit", citrate_items(connection, planned, used)),
                         ("Blood culture", culture_items(connection, planned, used)),
                         ("When blood is short", _short_items(planned)),
                         ("Not in this plan", _left_out_items(planned)),
                         ("Containers left out", [Item(f"{r.name}: {r.why}", {"why": r.why}, r.sources) for r in planned.refused]),
                         ("Taken for granted", [Item(text, {}) for text in (*planned.patient.assumptions, *planned.requests.assumptions,
                                                                            *_one_run_only(planned))])):
        if items:
            sections.append(Section(title, tuple(items)))
    for refused in (*planned.refused, *planned.unserved):
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
    return "over-limit" if _exceeded(found) else "planned"


def _exceeded(found: Sequence[Limit]) -> list[Limit]:
    return [limit for limit in found if limit.status == ABOVE and not limit.research]


def _headline(planned: Draw, found: Sequence[Limit], verdict: str) -> str:
    if verdict == "nothing":
        reasons = [*(f"{r.name}: {r.why}" for r in planned.unserved), *(f"{r.field}: {r.why}" for r in planned.problems)]
        return "Nothing can be drawn for these tests: " + "; ".join(reasons).rstrip(".?") + "."
    plan = planned.plan
    tubes = containers(len(plan.tubes))
    lost = len(planned.unserved) + len(planned.problems) + len({n.test.code for n in planned.needs if n.name in (*plan.dropped, *plan.impossible)})
    served = len({need.test.code for need in planned.needs if need.name not in (*plan.dropped, *plan.impossible)})
    text = f"{tubes}, {ml(planned.total_ml)} of blood, for {served} {'test' if served == 1 else 'tests'}"
    text += f" with {ml(planned.waste_lost_ml)} waste" if planned.waste_lost_ml else ""
    text += f"; {lost} asked for {'is' if lost == 1 else 'are'} NOT in the plan" if lost else ""
    exceeded = _exceeded(found)
    if exceeded:
        strictest = min(exceeded, key=lambda limit: limit.allowed_ml or 0.0)
        text += f". ABOVE {len(exceeded)} of the limits of care: {ml(strictest.counted_ml)} against {ml(strictest.allowed_ml or 0.0)} ({strictest.text})"
    if plan.economy != "usual":
        text += f". {_ECONOMY[plan.economy][:1].upper()}{_ECONOMY[plan.economy][1:]}"
    return text + "."


_ECONOMY = {
    "usual": "the volumes asked for, so that a run can be repeated, and tubes filled by their vacuum to the mark",
    "one-run": "the least volumes, for one run without a repeat",
    "part-filled": "the least volumes, tubes filled no further than needed (by syringe) and smaller tubes than usual",
    "before-spin": "the least volumes, part-filled and smaller tubes, and whole blood taken from a tube before it is spun for plasma",
}


def _order_note(connection: sqlite3.Connection, planned: Draw, used: dict[str, str]) -> str:
    label = connection.execute("SELECT label FROM guidelines WHERE id = ?", (planned.guideline,)).fetchone()["label"]
    text = f"Order: {label}."
    if planned.waste_ml:
        if planned.waste_basis:
            note(used, planned.waste_sources[0], planned.waste_basis)
        back = "given back" if not planned.waste_lost_ml else "wasted"
        text += f" First {ml(planned.waste_ml)} is drawn off and {back} ({planned.waste_why})."
    for row in rows(connection, "draw_order", guideline=planned.guideline):
        if not row["additives"] and not row["containers"]:
            note(used, row["source"], row["basis"])
            text += f" Position {row['position']}: {inside(row['step'])}" + (f" ({row['rationale']})." if row["rationale"] else ".")
    return text + (f" {planned.route_row['note'][:1].upper()}{planned.route_row['note'][1:]}." if planned.route_row["note"] else "")


def _blood_items(connection: sqlite3.Connection, planned: Draw, found: Sequence[Limit], used: dict[str, str]) -> list[Item]:
    plan, patient = planned.plan, planned.patient
    parts = f"{ml(plan.blood_ml)} in containers" + (f" and {ml(planned.waste_lost_ml)} waste" if planned.waste_lost_ml else "")
    items = [Item(f"This draw: {ml(planned.total_ml)} ({parts}). With what was taken in the last 24 h ({ml(patient.taken_ml)}): "
                  f"{ml(planned.total_ml + patient.taken_ml)}.", {"draw_ml": planned.total_ml, "total_24h_ml": planned.total_ml + patient.taken_ml})]
    volume = blood_volume(connection, patient)
    if volume:
        low, high, facts = volume
        for row in facts:
            note(used, row["source"], row["basis"])
        share = 100.0 * planned.total_ml / low
        items.append(Item(f"Blood volume at {patient.weight_kg:g} kg ({patient.group['population']}): {low:.4g} to {high:.4g} mL by the sources; "
                          f"this draw is {share:.2g} % of the least.", {"low_ml": low, "high_ml": high}, tuple(dict.fromkeys(r["source"] for r in facts))))
    capillary = _puncture(connection, planned, used)
    if capillary:
        items.append(capillary)
    for limit in found:
        if limit.status == "within" and limit.allowed_ml is None:
            continue
        note(used, limit.sources[0], limit.basis)
        items.append(_limit_item(limit, patient.taken_ml))
    return items


def _limit_item(limit: Limit, taken_ml: float) -> Item:
    kind = "Limit in research" if limit.research else "Notice" if limit.allowed_ml is None and limit.strictest_ml is not None else "Limit"
    text = f"{kind}, {limit.text}: {_STANDS[limit.status]}"
    if limit.allowed_ml is not None:
        text += f", {ml(limit.counted_ml)} of {ml(limit.allowed_ml)}"
        if limit.strictest_ml is not None and limit.status == BETWEEN:
            text += f" (strictest: {ml(limit.strictest_ml)})"
    elif limit.strictest_ml is not None:
        text += f", {ml(limit.counted_ml)} against {ml(limit.strictest_ml)}"
    return Item(text + ".", {"id": limit.id, "status": limit.status, "counted_ml": limit.counted_ml, "allowed_ml": limit.allowed_ml,
                             "research": limit.research}, limit.sources)


def _puncture(connection: sqlite3.Connection, planned: Draw, used: dict[str, str]) -> Item | None:
    """Compare the draw with what one skin puncture gives."""
    if planned.route != "capillary":
        return None
    population = planned.patient.group["population"].split(",")[0]
    for row in rows(connection, "volume_facts"):
        if row["quantity"] == "capillary-volume" and row["population"] == population and row["period"] == "one puncture":
            note(used, row["source"], row["basis"])
            times = -(-planned.total_ml // row["high"])
            more = "" if times <= 1 else f"; this plan needs about {times:.0f} punctures, or a draw from a vein"
            return Item(f"One puncture gives about {ml(row['high'])} ({population}, {row['condition']}){more}.", {"id": row["id"]}, (row["source"],))
    return None


def _short_items(planned: Draw) -> list[Item]:
    """Say what each more sparing way would save, and what a limit leaves room for."""
    plan = planned.plan
    items: list[Item] = []
    last: Step | None = None
    if not plan.tubes:
        return items
    for number, step in enumerate(plan.ladder, 1):
        if last and (step.blood_ml, step.tubes) == (last.blood_ml, last.tubes) and step.economy != plan.economy:
            continue
        saves = "" if last is None else f", {ml(last.blood_ml - step.blood_ml)} less" if last.blood_ml > step.blood_ml else ", no less"
        mark = " (this plan)" if step.economy == plan.economy else ""
        items.append(Item(f"Step {number}{mark}: {_ECONOMY[step.economy]}: {ml(step.blood_ml)} in {containers(step.tubes)}{saves}.",
                          {"economy": step.economy, "blood_ml": step.blood_ml}))
        last = step
    if plan.dropped:
        items.append(Item(f"To keep within {ml(planned.most_ml or 0.0)}, left out by priority: {said(planned.needs, plan.dropped)}.", {"dropped": plan.dropped}))
    if plan.keeping_within:
        subset = plan.keeping_within
        text = f"To keep within the strictest limit of care ({ml(subset.allowed_ml + planned.waste_lost_ml)}), leave out by priority: "
        text += f"{said(planned.needs, subset.dropped)}; that takes {ml(subset.blood_ml)} in {containers(subset.tubes)}, and no more can be served."
        items.append(Item(text, {"dropped": subset.dropped, "blood_ml": subset.blood_ml}))
    return items


def _left_out_items(planned: Draw) -> list[Item]:
    plan = planned.plan
    reasons: dict[tuple[str, str, tuple[str, ...]], list[str]] = {}
    for refused in (*planned.problems, *planned.unserved):
        reasons.setdefault((refused.field, refused.why, refused.sources), []).append(refused.name)
    items = [Item(f"{join(names)} ({field}): {why}.", {"names": names, "field": field, "why": why}, sources)
             for (field, why, sources), names in reasons.items()]
    for names, why in ((plan.dropped, f"left out to keep within {ml(planned.most_ml or 0.0)}"),
                       (plan.impossible, "no container that is left can hold what it needs")):
        items += [Item(f"{said(planned.needs, [name])}: {why}.", {"field": "max_blood_ml" if names is plan.dropped else "available", "why": why})
                  for name in names]
    return items


def _one_run_only(planned: Draw) -> list[str]:
    if not planned.plan.once:
        return []
    return [f"One run without a repeat, as the volume asked for fits into none of these containers: {said(planned.needs, planned.plan.once)}."]


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
        texts.append("What was taken before the last 24 h; limits over longer times count this draw and the last 24 h only.")
    if any(need.choices[0].instead_of for need in planned.needs if need.choices):
        texts.append("Whether the laboratory takes the smaller containers that the catalogue does not name; ask before the draw.")
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
        + [{"name": said(planned.needs, [name]), "field": "available", "why": "no container that is left can hold what it needs"} for name in plan.impossible],
        "problems": [{"name": r.name, "field": r.field, "why": r.why} for r in planned.problems],
        "proof": {"proven": plan.proven, "by": plan.by, "aims": ["tests served", "blood", "containers"]},
    }


def _tube_data(fill: Filling, tests: list[str]) -> dict[str, Any]:
    tube: Tube = fill.tube
    return {"container": tube.size.container, "label": tube.size.label, "nominal_ml": tube.size.volume_ml, "blood_ml": tube.blood_ml,
            "needed_ml": tube.needed_ml, "use": tube.use, "tests": tests, "position": fill.position, "inversions": fill.inversions,
            "handling": list(fill.requirements), "deadline_minutes": fill.deadline_minutes, "deadline_test": fill.deadline_test,
            "instead_of": fill.instead_of, "lost_without": list(fill.lost_without)}
