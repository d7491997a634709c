"""What a draw has to mind beside its tubes: citrate at a high haematocrit, and antisepsis and volumes of blood cultures."""

from __future__ import annotations

import re
import sqlite3

from kg.answer import Item
from kg.plans.draw import Draw
from kg.questions.common import note

Row = sqlite3.Row
_RANGE = re.compile(r"^(?:(?P<low>[0-9.]+) to |up to )?(?P<high>[0-9.]+) kg$|^over (?P<over>[0-9.]+) kg$")
_TOPICS = ("antisepsis", "bottle order", "transport", "paediatric volume by weight", "volume")


def citrate_items(connection: sqlite3.Connection, planned: Draw, used: dict[str, str]) -> list[Item]:
    """Return the citrate to leave in each citrate tube when the haematocrit is above the published threshold.

    The volume is C = 1.85e-3 (100 - Hct%) V with V the volume of blood; other published readings are shown beside it.
    """
    keys = {size.key for size in planned.citrate}
    tubes = {tube.size.key: tube.size for tube in planned.plan.tubes if tube.size.key in keys}
    if not tubes:
        return []
    from kg.chemistry.mixing import citrate_for_blood, citrate_for_total

    rules = connection.execute("SELECT * FROM citrate_rules WHERE kind IN ('rule', 'formula') ORDER BY id").fetchall()
    thresholds = [row for row in rows_of(rules, "rule") if row["haematocrit"] is not None]
    formulas = [row for row in rows_of(rules, "formula") if row["formula"].startswith("C = 0.00185")]
    for row in (*thresholds, *formulas):
        note(used, row["source"], row["basis"])
    sources = tuple(dict.fromkeys(row["source"] for row in (*thresholds, *formulas)))
    percent = round(100.0 * planned.patient.haematocrit, 9)
    items = []
    for size in tubes.values():
        citrate = size.volume_ml / (size.blood_to_additive or 9.0)
        leave = float(citrate_for_blood(size.volume_ml, planned.patient.haematocrit))
        other = float(citrate_for_total(size.volume_ml + citrate, planned.patient.haematocrit))
        wrong = float(citrate_for_total(size.volume_ml, planned.patient.haematocrit))
        items.append(Item(
            f"{size.label}, {size.volume_ml:g} mL: haematocrit {percent:g} % is above {thresholds[0]['haematocrit']:g} %. Leave {leave:.3f} mL of the "
            f"{citrate:.3f} mL citrate, that is take {citrate - leave:.3f} mL out, and fill with {size.volume_ml:g} mL of blood.",
            {"container": size.container, "nominal_ml": size.volume_ml, "citrate_ml": citrate, "leave_ml": leave, "remove_ml": citrate - leave,
             "formula": formulas[0]["formula"]}, sources,
            (f"C = 0.00185 x (100 - {percent:g}) x {size.volume_ml:g} mL = {leave:.3f} mL. The formula with 595 leaves {other:.3f} mL with the total "
             f"volume, {wrong:.3f} mL with the volume of blood.",)))
    for row in connection.execute("SELECT * FROM citrate_rules WHERE kind = 'effect-haematocrit' AND haematocrit >= ? ORDER BY id", (percent,)):
        note(used, row["source"], row["basis"])
        items.append(Item(f"Up to {row['haematocrit']:g} % a study disagrees: {row['statement'][0].lower()}{row['statement'][1:]} ({row['note']}).",
                          {"id": row["id"]}, (row["source"],)))
    for row in rows_of(rules, "rule"):
        if row["haematocrit"] is None and row["fill"] is None and "stopper" in row["statement"]:
            note(used, row["source"], row["basis"])
            items.append(Item(f"{row['statement']}.", {"id": row["id"]}, (row["source"],)))
    return items


def rows_of(rules: list[Row], kind: str) -> list[Row]:
    """Return the rows of one kind."""
    return [row for row in rules if row["kind"] == kind]


def culture_items(connection: sqlite3.Connection, planned: Draw, used: dict[str, str]) -> list[Item]:
    """Return antisepsis, bottle order, transport and published volumes, where blood cultures are part of the plan."""
    bottles = [tube for tube in planned.plan.tubes if tube.use == "culture"]
    if not bottles:
        return []
    child = planned.patient.group["people"] != "adult"
    sets = {name.split(" set ")[1].split()[0] for tube in bottles for name in tube.tests}
    total = sum(tube.blood_ml for tube in bottles)
    items = [Item(f"{len(sets)} set{'s' if len(sets) > 1 else ''}, {len(bottles)} bottle{'s' if len(bottles) > 1 else ''}, {total:g} mL in all.",
                  {"sets": len(sets), "bottles": len(bottles), "blood_ml": total})]
    topics: dict[str, list[Row]] = {}
    for row in connection.execute("SELECT * FROM culture_rules ORDER BY id"):
        one_sort = row["topic"] == "bottle order" and len({tube.size.container for tube in bottles}) == 1
        if row["topic"] in _TOPICS and not one_sort and _fits(row, planned.patient.weight_kg, child):
            note(used, row["source"], row["basis"])
            topics.setdefault(row["topic"], []).append(row)
    items += [Item(f"{topic[:1].upper()}{topic[1:]}. {' '.join(map(_told, found))}", {"topic": topic, "ids": [row["id"] for row in found]},
                   tuple(dict.fromkeys(row["source"] for row in found))) for topic, found in topics.items()]
    wanted = [("sets", "Single set")] if len(sets) == 1 and not child else [("sets", "Timing")] if len(sets) > 1 else []
    wanted += [("contamination", "Line draw")] if planned.route == "line" else []
    for topic, item in wanted:
        for row in connection.execute("SELECT * FROM culture_rules WHERE topic = ? AND item = ?", (topic, item)):
            note(used, row["source"], row["basis"])
            reason = f": {row['reason']}" if row["reason"] else ""
            items.append(Item(f"{row['item']}: {row['statement']}{reason}.", {"id": row["id"], "topic": topic}, (row["source"],)))
    return items


def _told(row: Row) -> str:
    people = f" ({row['population']})" if row["population"] not in ("any", "adult", "child") else ""
    return f"{row['item']}: {row['statement'][:1].lower()}{row['statement'][1:]}{people}" + (f"; {row['note']}." if row["note"] else ".")


def _fits(row: Row, weight: float | None, child: bool) -> bool:
    """Whether a rule tells somebody at this bedside what to do; results of comparisons do not."""
    topic, population = row["topic"], row["population"] or "any"
    if topic == "paediatric volume by weight":
        return child and weight is not None and _of_weight(population, weight)
    if population.startswith("adult") and child and "child" not in population:
        return False
    if topic == "volume":
        return bool(not child and row["unit"] == "mL" and row["item"].startswith("Blood per"))
    return str(row["unit"]) != "%"


def _of_weight(population: str, weight: float) -> bool:
    match = _RANGE.match(population)
    if match is None:
        return False
    low, high, over = [float(match.group(name) or 0) for name in ("low", "high", "over")]
    return weight > over if over else low - 0.05 <= weight < high + 0.05
