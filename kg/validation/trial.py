"""A laboratory's own panels spoilt by arithmetic: how much of each contamination screening would recognise in its own patients.

The panels are taken for sound, whatever is in them. Chemistry, methods, doses and haematocrits are those of the validation, so that
what is tried here and not there is the people.
"""

from __future__ import annotations

import sqlite3
from typing import Any, NamedTuple

import numpy as np

from kg.answer import Item, Section
from kg.database import rows
from kg.explain.model import Array
from kg.forms import FormError
from kg.screening.columns import read_columns
from kg.screening.table import middles, open_table, parts
from kg.validation import metrics
from kg.validation.assess import Recognised, families, make_bench, recognise
from kg.validation.beside import read_published
from kg.validation.patients import SETTINGS
from kg.validation.present import amount_of, plain_of, recognised_data
from kg.validation.simulate import Group
from kg.validation.spoil import Ground, draw_specimens, make_ground, spoil

LEAST = 100
"""Panels with all of their results without which nothing is tried."""


class Tried(NamedTuple):
    """What was found."""

    panels: int
    """With all of their results; taken for sound."""
    flag_rate: float
    bands: list[Recognised]


def try_file(connection: sqlite3.Connection, file: str, threshold: float, units: str = "") -> Tried:
    """Spoil the panels of a file and judge them.

    Args:
        connection: the database.
        file: as for ``kg.screening.screen.screen``; rows that lack a result take no part.
        threshold: probability of an artefact from which a panel is flagged.
        units: ``si`` or ``conventional``, for columns without a unit.

    Raises:
        FormError: the file cannot be used, or too few of its rows hold all results.
    """
    table = open_table(file)
    columns = read_columns(connection, table.headers, middles(table), units, file)
    whole = [part.results[np.isfinite(part.results).all(axis=1)] for part in parts(table, columns.used, ())]
    panels = np.concatenate(whole) if whole else np.zeros((0, len(columns.used)))
    if len(panels) < LEAST:
        raise FormError(f"{file}: {len(panels)} of its rows hold all of its results; --trial needs at least {LEAST}. Leave out columns that are often empty")
    return try_panels(connection, panels, tuple(column.analyte for column in columns.used), threshold)


def try_panels(connection: sqlite3.Connection, panels: Array, analytes: tuple[str, ...], threshold: float) -> Tried:
    """Spoil panels and judge them.

    Args:
        connection: the database.
        panels: sound ones, panels x results, in the units of the population.
        analytes: ids of the results.
        threshold: probability of an artefact from which a panel is flagged.
    """
    flag_rate = read_published(connection)["learned-fluids-flags", "flag-rate"]["value"]
    seed = next(round(row["value"]) for row in rows(connection, "model_parameters") if (row["model"], row["parameter"]) == (SETTINGS, "seed"))
    generator = np.random.default_rng(seed)
    ground = make_ground(connection, analytes, generator)
    bench = make_bench(connection, ground, "own", analytes, threshold)
    edge = metrics.threshold_for_rate(bench.probability(bench.screening, panels[generator.permutation(len(panels))[: ground.number("panels-in-mixture")]]), flag_rate)
    above, moved = families(connection), _moving(bench.screening.model.effects)
    place = {cause.id: i for i, cause in enumerate(bench.screening.model.causes)}
    bands = [recognise(bench, _spoiled(ground, row, panels, ground.number("panels-in-band"), generator), threshold, edge, above)
             for row in rows(connection, "validation_bands") if moved[place[row["cause"]]]]
    return Tried(len(panels), flag_rate, bands)


def _moving(effects: Any) -> Array:
    """Return which causes move any of the results."""
    return np.asarray(((effects.gain != 1) | (effects.shift != 0)).any(axis=(1, 2)))


def _spoiled(ground: Ground, row: sqlite3.Row, panels: Array, count: int, generator: np.random.Generator) -> Group:
    cause = next(one for one in ground.population.model.causes if one.id == row["cause"])
    amount = generator.uniform(row["low"], row["high"], count)
    chosen = panels[generator.integers(len(panels), size=count)]
    results, severity = spoil(ground, draw_specimens(ground, chosen, generator), cause, amount, generator, by_volume=row["quantity"] == "volume-fraction")
    return Group(cause.id, cause.label, cause.kind, row["quantity"], row["low"], row["high"], row["unit"], results, severity)


def trial_section(tried: Tried) -> Section:
    """Return what was found as a section of the answer."""
    items = [Item(f"{amount_of(one.group)}: flagged {plain_of(one.screened)}, among the likeliest {100 * tried.flag_rate:g} % {plain_of(one.at_flag_rate)}, "
                  f"once picked out as odd {plain_of(one.odd)}", recognised_data(one)) for one in tried.bands]
    return Section("Spoilt by arithmetic", tuple(items),
                   f"Shares recognised of {tried.bands[0].odd.of if tried.bands else 0:,} panels in each line, drawn from the {tried.panels:,} that hold all results and are taken for sound.")


def trial_data(tried: Tried) -> dict[str, Any]:
    """Return what was found as plain data."""
    return {"panels": tried.panels, "flag_rate": tried.flag_rate, "bands": [recognised_data(one) for one in tried.bands]}
