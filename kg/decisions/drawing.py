"""Other tubes of the same draw: which were filled too early, and what their additives carry over."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from kg import names
from kg.database import rows
from kg.questions.common import broader, causes_of
from kg.questions.suits import DEFAULT_GUIDELINE


def place(connection: sqlite3.Connection, tube: names.Name) -> int | None:
    """Return the position of a tube in the default draw order, or None when the guideline does not name it.

    A specimen material stands for the containers that yield it.
    """
    near = {tube.id} | {part for additive, _ in causes_of(connection, tube) for part in broader(connection, additive)}
    if tube.kind == "SpecimenMaterial":
        near |= {row["id"] for row in connection.execute(
            "SELECT c.id FROM containers c JOIN closure x ON x.narrower = c.material WHERE x.broader = ?", (tube.id,))}
    found = [row["position"] for row in rows(connection, "draw_order", guideline=DEFAULT_GUIDELINE)
             if near & set(f"{row['containers'] or ''};{row['additives'] or ''}".split(";"))]
    return min(found) if found else None


def out_of_order(connection: sqlite3.Connection, draw: Sequence[names.Name], position: int) -> list[names.Name]:
    """Return the tubes that were filled before the one at a position although the guideline puts them after it.

    Where the guideline has no place for one of the two, and the earlier one holds an additive, it counts too: not known is not fine.
    """
    own = place(connection, draw[position])
    early = []
    for tube in draw[:position]:
        theirs = place(connection, tube)
        if theirs is None or own is None:
            wrong = tube.id != draw[position].id and bool(causes_of(connection, tube))
        else:
            wrong = theirs > own
        if wrong:
            early.append(tube)
    return early


def carry_over(connection: sqlite3.Connection, tube: names.Name) -> tuple[str, ...]:
    """Return the factors that stand for the additive of a tube reaching another tube; the additives where there is none.

    An additive that is named in general, as a closure colour does, may be any of its kinds, so theirs count too.
    """
    found: list[str] = []
    for additive, _ in causes_of(connection, tube):
        nearest = connection.execute(
            "SELECT f.id FROM closure x JOIN factors f ON f.additive = x.broader WHERE x.narrower = ? AND f.kind = 'carry-over' "
            "AND f.id LIKE '%-carryover' ORDER BY x.distance, f.id LIMIT 1", (additive,)).fetchone()
        found.append(nearest["id"] if nearest else additive)
        found += [row["id"] for row in connection.execute(
            "SELECT f.id FROM closure x JOIN factors f ON f.additive = x.narrower WHERE x.broader = ? AND f.kind = 'carry-over' "
            "AND f.id LIKE '%-carryover' ORDER BY x.distance, f.id", (additive,))]
    return tuple(dict.fromkeys(found))
