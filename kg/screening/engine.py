"""The same screening on an engine that holds more than one machine can: a table expression of Ibis.

The engine reads, spreads and writes; what it runs on each batch of rows is the very function that screens a file here. Needs the
optional ``ibis-framework`` with the backend of the engine, and this package where the engine runs.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.explain.model import read_causes
from kg.screening.columns import Column
from kg.screening.earlier import Gaps, read_gaps
from kg.screening.judge import LEAST, Judge
from kg.screening.kinds import Kind, judge_rows, judges_of

if TYPE_CHECKING:
    import ibis

_PANDAS = ("pyspark",)
"""Engines that hand whole batches to functions on pandas; the others do so to functions on Arrow."""
_CLOSED = [0.0, -1.0]
"""Stands for no verdict inside the engine, since not every engine lets a function return null."""


class Order(NamedTuple):
    """The columns by which panels of the same patient are put in order."""

    patient: str
    collected: str
    """A timestamp."""
    then: tuple[str, ...] = ()
    """Columns that decide between panels of the same time."""


def screened(connection: sqlite3.Connection, table: ibis.Table, columns: Sequence[Column], threshold: float, order: Order | None = None) -> ibis.Table:
    """Return the table with two columns more: ``probability`` of an artefact in each panel, and the likeliest ``cause``.

    Both are null where the panel certainly stays below the threshold, holds fewer than two results, or one that cannot be.

    Args:
        connection: the database of this project.
        table: of panels, on any engine that Ibis reaches and that runs functions on batches of rows.
        columns: of its results, from ``read_columns``.
        threshold: probability of an artefact from which a panel is flagged.
        order: by which the panel of the same patient before each is found, to judge it beside that; each alone when not given.
    """
    import ibis

    gaps, judge_for = read_gaps(connection), judges_of(connection, [column.analyte for column in columns], threshold)
    given = [table[column.header].cast("float64") for column in columns]
    before, hours = _before(table, columns, given, order) if order else ([ibis.null("float64") for _ in given], ibis.null("float64"))
    names = {**{f"now {i}": value for i, value in enumerate(given)}, **{f"before {i}": value for i, value in enumerate(before)}, "hours": hours}
    wide = table.mutate(**{f"__{name}": value for name, value in names.items()})
    judges = {kind: judge_for(kind) for kind in _kinds(wide, len(columns), gaps)}
    causes = [cause.id for cause in read_causes(connection)]
    kind = "pandas" if table.get_backend().name in _PANDAS else "pyarrow"
    function: Any = getattr(ibis.udf.scalar, kind)(_on_batches(columns, judges, causes, gaps, kind), signature=(("array<float64>",), "array<float64>"))
    found = wide.mutate(__screened=function(ibis.array([wide[f"__{name}"] for name in names])))
    cause = ibis.cases(*[(found["__screened"][1] == i, name) for i, name in enumerate(causes)])
    probability = ibis.ifelse(found["__screened"][1] >= 0, found["__screened"][0], ibis.null("float64"))
    return found.mutate(probability=probability, cause=cause).drop("__screened", *[f"__{name}" for name in names])


def _before(table: ibis.Table, columns: Sequence[Column], given: Sequence[Any], order: Order) -> tuple[list[Any], Any]:
    """Return the results of the panel before, and by how many hours it is older; rows that cannot be judged are passed over."""
    import ibis

    sound = [value.isnull() | (value * column.factor + column.offset).between(column.low, column.high) for value, column in zip(given, columns, strict=True)]
    enough = sum((value.notnull().cast("int64") for value in given[1:]), given[0].notnull().cast("int64")) >= LEAST
    usable = ibis.and_(*sound, enough, table[order.patient].notnull(), table[order.collected].notnull())
    window = ibis.window(group_by=[table[order.patient], usable], order_by=[table[name] for name in (order.collected, *order.then)])
    seconds = table[order.collected].epoch_seconds()
    hours = (seconds - seconds.lag().over(window)).cast("float64") / 3600
    return [ibis.ifelse(usable, value.lag().over(window), ibis.null("float64")) for value in given], ibis.ifelse(usable, hours, ibis.null("float64"))


def _kinds(wide: ibis.Table, size: int, gaps: Gaps) -> list[Kind]:
    """Return the kinds of panels that a table holds."""
    def there(name: str) -> Any:
        return sum((wide[f"__{name} {i}"].notnull().cast("int64") * (1 << i) for i in range(1, size)), wide[f"__{name} 0"].notnull().cast("int64"))

    def places(bits: int) -> tuple[int, ...]:
        return tuple(i for i in range(size) if bits >> i & 1)

    hours, edges = wide["__hours"], gaps.edges
    place = sum(((hours > edge).cast("int64") for edge in edges[1:]), (hours > edges[0]).cast("int64"))
    used = hours.notnull() & (hours >= 0) & (hours <= gaps.longest)
    found = wide.select(now=there("now"), before=there("before"), place=used.ifelse(place, -1)).distinct().to_pyarrow().to_pylist()
    kinds = {Kind(places(row["now"]), places(row["before"]), float(gaps.classes[row["place"]])) if row["before"] and row["place"] >= 0
             else Kind(places(row["now"])) for row in found if row["now"].bit_count() >= LEAST}
    return sorted(kinds)


def _on_batches(columns: Sequence[Column], judges: dict[Kind, Judge], causes: Sequence[str], gaps: Gaps, kind: str) -> Callable[[Any], Any]:
    """Return what the engine runs on each batch: from results, earlier results and hours to probability and place of the cause in ``causes``."""
    factors, offsets, low, high = (np.array(part) for part in zip(*[(c.factor, c.offset, c.low, c.high) for c in columns], strict=True))
    place, size = {name: float(i) for i, name in enumerate(causes)}, len(columns)

    def judged(given: NDArray[np.float64]) -> list[list[float]]:
        now, before = (part * factors + offsets for part in (given[:, :size], given[:, size:-1]))
        can_be = np.isnan(now) | ((now >= low) & (now <= high))
        usable = can_be.all(axis=1) & (np.isfinite(now).sum(axis=1) >= LEAST)
        probability, cause = np.full(len(now), np.nan), np.full(len(now), "", dtype=object)
        probability[usable], cause[usable], _ = judge_rows(now[usable], judges.__getitem__, before[usable], given[usable, -1], gaps)
        return [[p, place[c]] if c else _CLOSED for p, c in zip(probability.tolist(), cause.tolist(), strict=True)]

    def on_arrow(results: Any) -> Any:
        import pyarrow as pa

        whole = results.combine_chunks() if isinstance(results, pa.ChunkedArray) else results
        given = np.asarray(whole.flatten().to_numpy(zero_copy_only=False), dtype=float).reshape(-1, 2 * size + 1)
        return pa.array(judged(given), type=pa.list_(pa.float64()))

    def on_pandas(results: Any) -> Any:
        import pandas as pd

        given = np.array([np.asarray(row, dtype=float) for row in results]).reshape(-1, 2 * size + 1)
        return pd.Series(judged(given), dtype=object)

    return on_pandas if kind == "pandas" else on_arrow
