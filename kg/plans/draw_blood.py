"""How the volume of a draw reads: beside the blood there is, one skin puncture, and the published limits."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from kg.answer import Item
from kg.database import rows
from kg.plans.draw import Draw
from kg.plans.draw_words import ml
from kg.plans.patient import ABOVE, BETWEEN, NOTICE, UNKNOWN, WITHIN, Limit, blood_volume
from kg.questions.common import note

_PUNCTURE = ("one puncture", "one microtube")
_STANDS = {BETWEEN: "above the strictest of these guidelines, below the loosest", ABOVE: "EXCEEDED", NOTICE: "reached"}


def exceeded(found: Sequence[Limit]) -> list[Limit]:
    """Return the limits of care that are exceeded."""
    return [limit for limit in found if limit.status == ABOVE and not limit.research]


def blood_items(connection: sqlite3.Connection, planned: Draw, found: Sequence[Limit], used: dict[str, str]) -> list[Item]:
    """Return what is drawn beside the blood there is and the limits; limits that are kept are told together.

    Args:
        connection: the database.
        planned: the plan.
        found: the limits.
        used: the sources used so far; those of the volumes are added.
    """
    plan, patient = planned.plan, planned.patient
    parts = f" ({ml(plan.blood_ml)} in containers and {ml(planned.waste_lost_ml)} waste)" if planned.waste_lost_ml else ""
    day = f" With the {ml(patient.taken_ml)} of the last 24 h: {ml(planned.total_ml + patient.taken_ml)}." if patient.taken_ml else ""
    volume = blood_volume(connection, patient)
    share, sources = "", []
    if volume:
        low, high, facts = volume
        for row in facts:
            note(used, row["source"], row["basis"])
        sources = [row["source"] for row in facts if row["low"] == min(f["low"] for f in facts)][:1]
        share = (f", {100.0 * planned.total_ml / low:.2g} % of the least published blood volume at {patient.weight_kg:g} kg ({low:.4g} to {high:.4g} mL, "
                 f"{patient.group['population']})")
    items = [Item(f"This draw: {ml(planned.total_ml)}{parts}{share}.{day}", {"draw_ml": planned.total_ml, "total_24h_ml": planned.total_ml + patient.taken_ml},
                  tuple(sources))]
    capillary = _puncture(connection, planned, used)
    items += [capillary] if capillary else []
    for limit in found:
        note(used, limit.sources[0], limit.basis)
    care, research = [limit for limit in found if not limit.research], [limit for limit in found if limit.research]
    items += [_limit_item(limit) for limit in care if limit.status in (ABOVE, BETWEEN, NOTICE)]
    kept = [limit for limit in care if limit.status == WITHIN and limit.allowed_ml is not None]
    if kept:
        items.append(_together("Limits kept", kept))
    broken = [limit for limit in research if limit.status == ABOVE]
    if broken:
        items.append(_together("Above limits that hold in research only", broken))
    quiet = [limit for limit in research if limit.status == WITHIN and limit.allowed_ml is not None]
    if quiet:
        strictest = min(quiet, key=lambda limit: (limit.allowed_ml or 0.0) - limit.counted_ml)
        items.append(_together("Limits in research kept, the nearest of them" if len(quiet) > 1 else "Limit in research kept", [strictest],
                               f"; {len(quiet)} in all" if len(quiet) > 1 else ""))
    unknown = [limit for limit in found if limit.status == UNKNOWN]
    if unknown:
        items.append(Item(f"Not known without the weight: {len(unknown)} limit{'s' if len(unknown) > 1 else ''} of care and research.",
                          {"ids": [limit.id for limit in unknown]}))
    return items


def _limit_item(limit: Limit) -> Item:
    kind = "Notice" if limit.status == NOTICE else "Limit"
    text = f"{kind}, {limit.text}: {_STANDS[limit.status]}"
    if limit.allowed_ml is not None:
        text += f", {ml(limit.counted_ml)} of {ml(limit.allowed_ml)}"
        if limit.strictest_ml is not None and limit.status == BETWEEN:
            text += f" (strictest: {ml(limit.strictest_ml)})"
    elif limit.strictest_ml is not None:
        text += f", {ml(limit.counted_ml)} against {ml(limit.strictest_ml)}"
    return Item(text + ".", {"id": limit.id, "status": limit.status, "counted_ml": limit.counted_ml, "allowed_ml": limit.allowed_ml,
                             "research": limit.research}, limit.sources)


def _together(lead: str, limits: Sequence[Limit], more: str = "") -> Item:
    """Tell several limits in one sentence, each with the volume that it allows."""
    told = [f"{limit.text}" + (f", {ml(limit.allowed_ml)}" if limit.allowed_ml is not None else "") for limit in limits]
    return Item(f"{lead}: {'; '.join(told)}{more}.", {"ids": [limit.id for limit in limits], "status": limits[0].status},
                tuple(dict.fromkeys(source for limit in limits for source in limit.sources)))


def _puncture(connection: sqlite3.Connection, planned: Draw, used: dict[str, str]) -> Item | None:
    """Compare the draw with what one skin puncture gives."""
    if planned.route != "capillary":
        return None
    population = planned.patient.group["population"].split(",")[0]
    for row in rows(connection, "volume_facts"):
        if row["quantity"] == "capillary-volume" and row["population"] == population and row["period"] in _PUNCTURE:
            note(used, row["source"], row["basis"])
            times = -(-planned.total_ml // row["high"])
            more = "" if times <= 1 else f"; this plan needs about {times:.0f} punctures, or a draw from a vein"
            return Item(f"One puncture gives about {ml(row['high'])} ({population}, {row['condition']}){more}.", {"id": row["id"]}, (row["source"],))
    return None
