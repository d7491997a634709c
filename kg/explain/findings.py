"""What follows for each cause that is in question: how bad it is, what it predicts, what may be reported, and why."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from kg.answer import Link
from kg.database import rows
from kg.explain.baseline import Baseline, unscaled
from kg.explain.infer import Explanation, interval
from kg.explain.model import Cause, Model
from kg.explain.panel import Result
from kg.questions.common import note
from kg.questions.why import why
from kg.wording import inside

_SHARE = 0.9
_EXPLAINED = 2
"""Results of which the chain of reasons is told."""
_COMMON_DOUBT = {"blood-carry-over": "spread-of-dose", "delay": "spread-of-rate", "cold-delay": "spread-of-rate"}
_PLASMA_SHARES = ("blood-carry-over", "fluid")


class Severity(NamedTuple):
    """How bad a cause is, with the interval that holds 90 % of its probability."""

    value: float
    low: float
    high: float
    unit: str
    meaning: str


class Expected(NamedTuple):
    """What a result would read if the cause were true, with 90 % limits, beside what it reads."""

    analyte: str
    label: str
    observed: float
    comparator: str
    expected: float
    low: float
    high: float
    unit: str
    usual: float
    """What it would read if nothing were odd."""


class Finding(NamedTuple):
    """An explanation with its probability and what follows from it."""

    explanation: Explanation
    probability: float
    severities: tuple[Severity, ...]
    expected: tuple[Expected, ...]
    not_reportable: tuple[int, ...]
    reportable: tuple[int, ...]
    because: tuple[Link, ...] = ()


def finding(connection: sqlite3.Connection, model: Model, base: Baseline, results: Sequence[Result], explanation: Explanation,
            probability: float, scale: float = 1.0, hours: float | None = None) -> Finding:
    """Return what follows from an explanation.

    Args:
        connection: the database.
        model, base: what is known beforehand.
        results: of the panel, in the order of the model.
        explanation: refined.
        probability: of it.
        scale: by which shares of a dry additive count more at the haematocrit of the specimen.
        hours: since collection; no wait is longer.
    """
    causes = [model.causes[i] for i in explanation.causes]
    severities = tuple(_severity(cause, *widened(model, cause, hours, *interval(values, explanation.weights)), scale)
                       for cause, values in zip(causes, explanation.severities, strict=True) if cause.kind != "none")
    moved = _moved(connection, model, base, explanation, causes)
    places = range(len(model.analytes))
    return Finding(explanation, probability, severities, _expected(model, base, results, explanation),
                   tuple(i for i in places if i in moved), tuple(i for i in places if i not in moved))


def widened(model: Model, cause: Cause, hours: float | None, value: float, low: float, high: float) -> tuple[float, float, float]:
    """Return the interval of a severity with what moves all results together, so that the results cannot tell it apart.

    Equation: on the logarithmic scale each half grows to the root of its square and that of the doubt. Source: own-arithmetic.
    """
    doubt = model.settings[_COMMON_DOUBT[cause.model]] * 1.645 if cause.model in _COMMON_DOUBT else 0.0
    below, above = (float(np.hypot(np.log(ratio), doubt)) for ratio in (value / low, high / value))
    most = hours if hours is not None and cause.model in ("delay", "cold-delay") else np.inf
    return value, value * float(np.exp(-below)), min(value * float(np.exp(above)), most)


def _severity(cause: Cause, value: float, low: float, high: float, scale: float) -> Severity:
    if cause.model == "blood-carry-over":
        value, low, high = (min(end * scale, 1.0) for end in (value, low, high))
    figure = f"{100 * value:.2g} %" if cause.model in _PLASMA_SHARES else f"{value:.2g}"
    return Severity(value, low, high, cause.unit, cause.meaning.replace("{value}", figure))


def range_of(severity: Severity) -> str:
    """Return the interval of a severity in words."""
    if "%" in severity.meaning:
        return f"{100 * severity.low:.2g} to {100 * severity.high:.2g} %"
    unit = f" {severity.unit}" if severity.unit != "1" else ""
    return f"{severity.low:.2g} to {severity.high:.2g}{unit}"


def _expected(model: Model, base: Baseline, results: Sequence[Result], explanation: Explanation) -> tuple[Expected, ...]:
    weights = explanation.weights[:, None]
    mean = np.sum(weights * explanation.mean, axis=0)
    deviation = np.sqrt(np.sum(weights * (explanation.deviation**2 + (explanation.mean - mean) ** 2), axis=0))
    reach = 1.645 * deviation
    middle, low, high, usual = (unscaled(model, part) for part in (mean, mean - reach, mean + reach, base.mean))
    low = np.maximum(low, np.where(base.mean > 0, 0.0, low))
    return tuple(Expected(*row) for row in zip(model.analytes, model.labels, [result.value for result in results], [result.comparator for result in results],
                                               middle.tolist(), low.tolist(), high.tolist(), model.units, usual.tolist(), strict=True))


def _moved(connection: sqlite3.Connection, model: Model, base: Baseline, explanation: Explanation, causes: list[Cause]) -> set[int]:
    """Return the results that a cause moves by more than matters, at the upper end of its severity, or is known to move at all.

    What a carry-over does to ions of one charge is arithmetic; there the size decides alone.
    """
    moved: set[int] = set()
    usual = unscaled(model, base.mean)
    for cause, index, values in zip(causes, explanation.causes, explanation.severities, strict=True):
        if cause.kind != "artefact":
            continue
        high = interval(values, explanation.weights)[2]
        step = min(int(np.searchsorted(cause.severity, high * (1 - 1e-9))), len(cause.severity) - 1)
        gain, shift, spread, relative = (part[index, step] for part in model.effects)
        change = np.abs((gain - 1) * usual + shift) + spread + relative * np.abs(usual)
        moved |= set(np.flatnonzero(change > model.matters * np.abs(usual)).tolist())
        if cause.factor and cause.model != "fluid":
            known = {row["analyte"] for row in rows(connection, "moved_by_factor", factor=cause.factor)}
            exact = model.plain_ion if cause.model == "blood-carry-over" else np.zeros(len(usual), dtype=bool)
            moved |= {i for i, analyte in enumerate(model.analytes) if analyte in known and not exact[i]}
    return moved


def reasons(connection: sqlite3.Connection, model: Model, base: Baseline, found: Finding, used: dict[str, str]) -> tuple[Link, ...]:
    """Return the chain of reasons of the graph for the results that an explanation moves most.

    Where the graph has no factor for a cause, its pattern is told.

    Args:
        connection: the database.
        model, base: what is known beforehand.
        found: the explanation.
        used: takes up the sources, with their basis.
    """
    weights = found.explanation.weights[:, None]
    off = np.abs(np.sum(weights * found.explanation.mean, axis=0) - base.mean) / np.sqrt(np.diag(base.covariance))
    order = [model.analytes[i] for i in np.argsort(-off, kind="stable") if off[i] > 0.1]
    links: dict[str, Link] = {}
    for index in found.explanation.causes:
        cause = model.causes[index]
        told = 0
        for analyte in order:
            if told == _EXPLAINED:
                break
            own = _by_graph(connection, analyte, cause, used) or _by_pattern(connection, analyte, cause, used)
            links.update({link.id: link for link in own if link.id not in links})
            told += bool(own)
    return tuple(links.values())


def _by_graph(connection: sqlite3.Connection, analyte: str, cause: Cause, used: dict[str, str]) -> list[Link]:
    if not cause.factor:
        return []
    answer = why(connection, analyte, cause.factor)
    for citation in answer.citations:
        if any(citation.id in link.sources for link in answer.because):
            note(used, citation.id, citation.basis)
    return list(answer.because)


def _by_pattern(connection: sqlite3.Connection, analyte: str, cause: Cause, used: dict[str, str]) -> list[Link]:
    for row in rows(connection, "pattern_of_cause", cause=cause.id):
        if row["analyte"] == analyte and row["change"]:
            note(used, row["source"], row["basis"])
            verb = "rises" if row["change"] > 0 else "falls"
            return [Link(f"{cause.label}: {inside(row['label'])} usually {verb}.", "fact", row["id"], "", (row["source"],))]
    return []
