"""Ours beside surveys of EDTA in specimens with a high potassium."""

from __future__ import annotations

import sqlite3

import numpy as np

from kg.database import rows
from kg.explain.model import Array
from kg.validation.beside import Comparison, Published, Side, compare, percent
from kg.validation.metrics import Rate, counted, rate
from kg.validation.simulate import EDTA, Study


def lay_beside_surveys(connection: sqlite3.Connection, side: Side, study: Study, published: Published) -> list[Comparison]:
    """Return the figures of the surveys, with ours.

    Surveys hold many specimens with little EDTA and a high potassium of the patient's own. Those whose calcium is not low, which a rule
    misses, and the others are therefore weighted to the shares that were published. Equation: m a + (1 - m) b, m published, a and b the
    shares recognised of the two; its interval is that of as many specimens as would be as uncertain.

    Args:
        connection: the database.
        side: what was simulated and judged, without an earlier panel.
        study: for specimens with little EDTA.
        published: from ``kg.validation.beside.read_published``.
    """
    rule = published["calcium-rule-edta", "share-missed"]
    recognised, remarks = _recognised(connection, side, study, rule["value"])
    what = "specimens with potassium as in the surveys, picked out as odd, mixed so that low calcium misses as many as was published"
    return [compare(side.bench.panel, side.earlier, published["staff-edta-hyperkalaemic", "share-recognised"], what, recognised, *remarks),
            compare(side.bench.panel, side.earlier, rule, what, rate(recognised.of - recognised.hits, recognised.of), *remarks)]


def _recognised(connection: sqlite3.Connection, side: Side, study: Study, missed: float) -> tuple[Rate, tuple[str, ...]]:
    """Return the share recognised among specimens with EDTA as the surveys measured them, and what was mixed."""
    analytes, bench = side.model.analytes, side.bench
    lowest = next(row["low"] for row in rows(connection, "usual_levels") if row["analyte"] == "calcium-total")
    least = side.ground.setting("potassium-of-surveys").value

    def split(results: Array, calm: bool) -> Array:
        potassium, calcium = (results[:, analytes.index(name)] for name in ("potassium", "calcium-total"))
        return np.asarray(results[(potassium >= least) & ((calcium >= lowest) == calm)])

    banded = np.concatenate([group.results for group in side.drawn.bands if group.cause == EDTA])
    every = np.concatenate([study.slight.results, banded])
    parts = [counted(bench.probability(bench.odd, part) >= side.threshold) for part in (split(every, True), split(banded, False))]
    hidden, plain = parts
    if hidden.share is None or plain.share is None:
        return rate(0, 0), ("Too few specimens were simulated for this.",)
    alone = len(split(banded, True)) / max(len(split(banded, True)) + plain.of, 1)
    share = missed * hidden.share + (1 - missed) * plain.share
    # a half of a specimen keeps the variance above nothing where all or none are recognised
    variance = sum(weight**2 * np.clip(one.share or 0.0, 0.5 / one.of, 1 - 0.5 / one.of) * np.clip(1 - (one.share or 0.0), 0.5 / one.of, 1) / one.of
                   for weight, one in ((missed, hidden), (1 - missed, plain)))
    count = max(round(share * (1 - share) / variance), 1)
    return rate(share * count, count), (
        f"Of {hidden.of} with calcium of {lowest:g} mmol/L or more ours recognises {percent(hidden.share)}, of {plain.of} with less {percent(plain.share)}.",
        f"In the bands alone that rule misses {percent(alone)}: their specimens hold more EDTA than those of the survey.",
        "The others are people with a potassium of their own near or above that limit, and between one and ten per cent of the plasma from the tube.")
