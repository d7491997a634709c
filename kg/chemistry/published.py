"""experiments: the model beside every published experiment on mixing, waiting and haemolysis, with its error."""

from __future__ import annotations

import sqlite3
import statistics
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from kg.answer import BASIS_WORDS, Answer, Item, Section, cite, versions
from kg.chemistry import experiments
from kg.chemistry.experiment import (
    MEASURED,
    NOT_MODELLED,
    SIGN,
    Experiment,
    NotModelled,
    Prediction,
    World,
    bound_of,
    make_world,
    shares,
)
from kg.database import rows
from kg.questions.common import join, note
from kg.wording import inside, magnitude

Row = sqlite3.Row
MIXING, ARITHMETIC, LYSIS = "Mixing and carry-over", "Mixing, worked by arithmetic", "Haemolysis"
_WAITING = {"glucose": "Glucose on the cells", "lactate": "Lactate on the cells", "potassium": "Potassium on the cells",
            "phosphate": "Phosphate on the cells", "ammonia": "Ammonia on the cells", "ld": "Lactate dehydrogenase on the cells",
            "calcium-ionised": "Ionised calcium on the cells", "bicarbonate": "Carbon dioxide lost", "po2": "Oxygen in blood"}
OTHER = "Other changes with time"


class Summary(NamedTuple):
    """How far the model is off in one group of experiments."""

    group: str
    sizes: int
    """Experiments with a published size that the model predicts."""
    median: float | None
    """Median size of the relative error; None where no relative error can be given."""
    largest: float | None
    signs: int
    """Experiments of which only the sign, or no change, is published."""
    right: int
    not_modelled: int


def every_experiment(connection: sqlite3.Connection) -> list[Experiment]:
    """Return every row of the three tables of experiments with the word of the model on it.

    Args:
        connection: the database.
    """
    world = make_world(connection)
    found = [_beside(row, ARITHMETIC if row["kind"] == "computed" else MIXING, _mixing_words(row), row["low"], row["high"],
                     row["unit"], row["direction"], experiments.predict_mixing, world) for row in rows(connection, "published_mixing")]
    for row in rows(connection, "published_rates"):
        direction = "" if row["rate"] is None else "increase" if row["rate"] > 0 else "decrease"
        found.append(_beside(row, _WAITING.get(row["analyte"], OTHER), _rate_words(row), row["rate"], row["rate"], row["rate_unit"],
                             direction, experiments.predict_rate, world))
    for row in rows(connection, "published_haemolysis"):
        size = row["quantity"] != "no-effect-up-to"
        found.append(_beside(row, LYSIS, _lysis_words(row), row["low"] if size else None, row["high"] if size else None, row["unit"],
                             row["direction"], experiments.predict_haemolysis, world))
    return found


def _beside(row: Row, group: str, words: str, low: float | None, high: float | None, unit: str | None, direction: str | None,
            predict: Callable[[Row, World], Prediction], world: World) -> Experiment:
    own = world._replace(parameters=world.parameters.fresh())
    base = Experiment(row["id"], group, NOT_MODELLED, words, low, high, unit or "", direction or "", row["source"], row["basis"])
    try:
        prediction = predict(row, own)
    except NotModelled as reason:
        return base._replace(reason=str(reason))
    kind = SIGN if low is None else MEASURED
    return base._replace(kind=kind, predicted=prediction.value, assumed=prediction.assumed, bound=bound_of(row) if kind == MEASURED else "",
                         parameters=tuple(own.parameters.used), shared=shares(row, own.parameters.used.values()))


def summarise(found: Iterable[Experiment]) -> list[Summary]:
    """Return the error of each group, in the order of their first experiments.

    Args:
        found: experiments, those that share a source with a parameter included or not, as the caller chooses.
    """
    groups: dict[str, list[Experiment]] = {}
    for experiment in found:
        groups.setdefault(experiment.group, []).append(experiment)
    return [_summary(group, members) for group, members in groups.items()]


def _summary(group: str, members: Sequence[Experiment]) -> Summary:
    errors = [e.relative_error for e in members if e.relative_error is not None]
    signs = [e.agrees for e in members if e.agrees is not None]
    return Summary(group, sum(e.kind == MEASURED for e in members), statistics.median(errors) if errors else None,
                   max(errors) if errors else None, len(signs), sum(signs), sum(e.kind == NOT_MODELLED for e in members))


def compare_with_published(connection: sqlite3.Connection) -> Answer:
    """Lay the model beside every published mixing, delay, dilution and haemolysis experiment.

    Args:
        connection: the database.

    Returns:
        a table of errors, each experiment with published and predicted change, and for each that the model does not
        speak of the reason why.
    """
    found = every_experiment(connection)
    used: dict[str, str] = {}
    for experiment in found:
        note(used, experiment.source, experiment.basis)
    modelled = [e for e in found if e.kind != NOT_MODELLED]
    sections = [_errors(found)]
    for summary in summarise(modelled):
        members = [e for e in modelled if e.group == summary.group]
        sections.append(Section(summary.group, tuple(_item(e) for e in members)))
    silent = [e for e in found if e.kind == NOT_MODELLED]
    sections.append(_figures(connection, modelled, used))
    sections.append(Section("Not modelled", tuple(Item(f"{e.what}: {e.reason}", _data(e), (e.source,)) for e in silent)))
    independent = [e.relative_error for e in modelled if e.relative_error is not None and not e.shared and e.group != ARITHMETIC]
    signs = [e for e in modelled if e.agrees is not None]
    headline = (f"{len(found)} published figures: {len(modelled)} are modelled, {len(silent)} are not. "
                f"Where source and parameters are independent, the error of the model is {_percent(statistics.median(independent))} "
                f"in the middle and {_percent(max(independent))} at most ({len(independent)} figures); "
                f"the sign is right in {sum(bool(e.agrees) for e in signs)} of {len(signs)}.")
    return Answer("experiments", "", "answered", headline, tuple(sections), conflicts=_off(modelled),
                  unknowns=tuple(f"{reason[:1].upper()}{reason[1:]}: {count} figures."
                                 for reason, count in _counted(silent)),
                  citations=cite(connection, used), versions=versions(connection))


def _errors(found: Sequence[Experiment]) -> Section:
    items = []
    for summary in summarise(found):
        parts = []
        if summary.median is not None and summary.largest is not None:
            parts.append(f"{summary.sizes} sizes, error {_percent(summary.median)} in the middle, {_percent(summary.largest)} at most")
        elif summary.sizes:
            parts.append(f"{summary.sizes} sizes")
        if summary.signs:
            parts.append(f"{summary.right} of {summary.signs} signs right")
        if summary.not_modelled:
            parts.append(f"{summary.not_modelled} not modelled")
        items.append(Item(f"{summary.group}: {'; '.join(parts)}", summary._asdict()))
    return Section("Error of the model", tuple(items), "Size of the error over the published figure; 0 inside a published range.")


def _figures(connection: sqlite3.Connection, modelled: Iterable[Experiment], used: dict[str, str]) -> Section:
    """List the figures of the model that stand behind the predictions."""
    behind = {parameter for e in modelled for parameter in e.parameters}
    items = []
    for row in connection.execute("SELECT p.id, p.value, p.low, p.high, p.unit, p.source, p.basis, f.sentence FROM model_parameters p "
                                  "JOIN fact f ON f.id = p.id ORDER BY p.id"):
        if row["id"] in behind:
            note(used, row["source"], row["basis"])
            limits = f"; from {row['low']:g} to {row['high']:g}" if row["low"] is not None and row["high"] is not None else ""
            items.append(Item(f"{row['sentence']}{limits} ({BASIS_WORDS[row['basis']]})", dict(row), (row["source"],)))
    return Section("Figures of the model", tuple(items))


def _off(modelled: Sequence[Experiment]) -> tuple[str, ...]:
    """Say where the model is off by half or more, or has the wrong sign."""
    wrong = [e for e in modelled if (e.relative_error or 0) >= 0.5 or e.agrees is False]
    return tuple(f"{e.what}: {_published(e)}, the model says {_predicted(e)}" for e in wrong)


def _counted(silent: Iterable[Experiment]) -> list[tuple[str, int]]:
    counts: dict[str, int] = {}
    for experiment in silent:
        counts[experiment.reason] = counts.get(experiment.reason, 0) + 1
    return sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))


def _item(e: Experiment) -> Item:
    detail = []
    if e.assumed:
        detail.append(f"Assumed: {e.assumed}.")
    if e.shared:
        detail.append("A figure of the model comes from this source: agreement is no proof.")
    return Item(f"{e.what}: {_published(e)}, predicted {_predicted(e)}{_verdict(e)}", _data(e), (e.source,), tuple(detail))


def _published(e: Experiment) -> str:
    words = {"increase": "a rise", "decrease": "a fall", "no-effect": "no change"}
    if e.kind == SIGN:
        return f"published as {words.get(e.direction, 'a change')}"
    bound = {"least": "at least ", "most": "at most ", "": ""}[e.bound]
    return f"published {bound}{magnitude(e.low, e.high, e.unit)}"


def _predicted(e: Experiment) -> str:
    assert e.predicted is not None
    return f"{100 * e.predicted:+.2g} %" if e.kind == SIGN else f"{e.predicted:.3g} {e.unit}"


def _verdict(e: Experiment) -> str:
    if e.kind == SIGN:
        return ", as published" if e.agrees else ", not as published"
    if e.error is None:
        return ""
    if e.error == 0:
        return ", within what was published"
    share = f" ({_percent(e.relative_error)})" if e.relative_error is not None else ""
    return f", error {e.error:+.2g} {e.unit}{share}"


def _percent(share: float | None) -> str:
    return "" if share is None else f"{100 * share:.0f} %" if share >= 0.01 else f"{100 * share:.1g} %"


def _data(e: Experiment) -> dict[str, object]:
    return {**e._asdict(), "parameters": list(e.parameters), "error": e.error, "relative_error": e.relative_error, "agrees": e.agrees}


def _mixing_words(row: Row) -> str:
    amount = magnitude(row["amount"], None, row["amount_unit"])
    parts = [part for part in (amount, row["amount_meaning"], row["condition"]) if part]
    return f"{row['analyte_label']} with {inside(row['contaminant_label'])}" + (f" ({'; '.join(parts)})" if parts else "")


def _rate_words(row: Row) -> str:
    degrees = magnitude(row["temperature_low"], row["temperature_high"], "Cel")
    parts = [part for part in ((row["material"] or "").replace("-", " "), row["condition"], degrees or row["temperature"]) if part]
    return f"{row['analyte_label']} ({'; '.join(parts)})"


def _lysis_words(row: Row) -> str:
    parts = [part for part in (row["quantity"].replace("-", " "), magnitude(row["low"], row["high"], row["unit"])
                               if row["quantity"] == "no-effect-up-to" else "", row["per"], row["condition"]) if part]
    return f"{row['analyte_label']} ({join(parts) if len(parts) == 1 else '; '.join(parts)})"
