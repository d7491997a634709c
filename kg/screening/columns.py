"""Which column of a table holds which result, in which unit."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from kg.database import rows
from kg.explain.model import worked_out
from kg.explain.naming import analyte_of
from kg.explain.quantity import Quantity, choose, in_unit, quantity_of, without_unit
from kg.forms import FormError
from kg.problem import TubeloreError

_MOST = 60
_WITH_UNIT = re.compile(r"^(?P<name>.+?)\s*[(\[](?P<unit>[^()\[\]]+)[)\]]\s*$")


class Column(NamedTuple):
    """A column of results: ``value x factor + offset`` is in the unit of the population."""

    header: str
    analyte: str
    label: str
    unit: str
    factor: float
    offset: float
    low: float
    high: float
    """Outside these, in the unit of the population, no specimen can be."""


class Columns(NamedTuple):
    """The columns of a table: those that take part, and what is left aside."""

    used: tuple[Column, ...]
    said: tuple[str, ...]
    others: tuple[str, ...]
    """Headers that are no results; they are passed on."""


def read_columns(connection: sqlite3.Connection, headers: Sequence[str], middles: Mapping[str, float | None], units: str = "",
                 where: str = "the table") -> Columns:
    """Understand the headers of a table.

    Args:
        connection: the database.
        headers: as they stand; a unit may follow in brackets, as in ``glucose (mg/dL)``.
        middles: a middle value of each column, by which a missing unit is understood.
        units: ``si`` or ``conventional`` when the sender says so.
        where: what to call the table in messages.

    Raises:
        FormError: a unit is missing and not clear, is none of the analyte, two columns hold the same analyte, or fewer than two
            columns hold results that can be judged.
    """
    population = {row["analyte"] for row in rows(connection, "population_figures")}
    used: dict[str, Column] = {}
    said, others = [], []
    for header in headers:
        match = _WITH_UNIT.match(header)
        name, unit = (match["name"], match["unit"]) if match else (header, "")
        try:
            analyte = analyte_of(connection, name)
        except TubeloreError:
            others.append(header)
            continue
        if analyte.id not in population:
            said.append(f"{header}: no figures of a population are known for {analyte.label}, so it takes no part.")
            continue
        if analyte.id in used:
            raise FormError(f"{where}: column {header}: {analyte.label} is already in column {used[analyte.id].header}; keep one")
        quantity = quantity_of(connection, analyte)
        used[analyte.id] = _column(header, quantity, unit, middles.get(header), units, where)
    for analyte_id in sorted(worked_out(connection, used)):
        said.append(f"{used[analyte_id].header}: it is worked out from other columns, so it says nothing new.")
        del used[analyte_id]
    if len(used) > _MOST:
        raise FormError(f"{where}: {len(used)} columns hold results that can be judged; at most {_MOST} are taken at once. Leave some out")
    if len(used) < 2:
        raise FormError(f"{where}: {len(used)} of its columns hold results that can be judged; at least 2 are needed. Name each column by its analyte")
    said += [f"{column.header} as {column.label} in {column.unit}" for column in used.values()]
    return Columns(tuple(used[analyte_id] for analyte_id in sorted(used)), tuple(said), tuple(others))


def _column(header: str, quantity: Quantity, unit: str, middle: float | None, units: str, where: str) -> Column:
    if unit:
        ones, zeros = in_unit(quantity, 1.0, unit), in_unit(quantity, 0.0, unit)
        if len(ones) != 1:
            what = "is open in what was weighed" if ones else f"is no unit of {quantity.label}"
            raise FormError(f"{where}: column {header}: {unit} {what}; write the unit as in '{quantity.label} ({quantity.unit.code})'")
        offset = zeros[0].value if zeros else 0.0
        factor, code = ones[0].value - offset, unit
    else:
        factor, offset, code = _without_unit(header, quantity, middle, units, where)
    low = quantity.low if quantity.low is not None else 0.0
    high = quantity.high if quantity.high is not None else 1e9
    return Column(header, quantity.analyte, quantity.label, code, factor, offset, low, high)


def _without_unit(header: str, quantity: Quantity, middle: float | None, units: str, where: str) -> tuple[float, float, str]:
    """Return factor, offset and unit of a column without one, by what its middle value can be."""
    choices = without_unit(quantity, middle if middle is not None else quantity.centre or 1.0)
    chosen = choose(quantity, choices, "", units, bool(units))
    if chosen is None:
        ways = " or ".join(f"'{header} ({choice.unit.code})'" for choice in choices)
        raise FormError(f"{where}: column {header}: no unit, and a middle value of {middle:g} does not tell; name it {ways}")
    ones, zeros = in_unit(quantity, 1.0, chosen.unit.code, chosen.mass_of), in_unit(quantity, 0.0, chosen.unit.code, chosen.mass_of)
    offset = zeros[0].value if zeros else 0.0
    return ones[0].value - offset, offset, chosen.unit.code
