"""explain RESULTS: which causes make a panel look as it does, how sure that is, what settles it, and what may be reported."""

from __future__ import annotations

import json
import sqlite3
from typing import Any, NamedTuple

import numpy as np

from kg.answer import Answer
from kg.database import rows
from kg.explain import infer, next_checks
from kg.explain.baseline import Baseline, baseline
from kg.explain.findings import finding, reasons
from kg.explain.grounds import read_grounds
from kg.explain.model import MIX_UP, Array, Model, read_model, worked_out
from kg.explain.panel import Panel, Result, read_panel
from kg.explain.past import Odd, odd_before
from kg.explain.present import Aside, Told, present
from kg.explain.priors import Candidates, as_not_picked_out, candidates

_SHOWN = 8
"""Explanations that are worked out in full; the others are summed up."""
_LEADERS = 6
"""Causes that further checks are to tell apart."""
_CHECKS = 6
_WITH_REASONS = 3
_BLOOD = ("whole-blood", "plasma-or-serum")
"""The broadest materials that are blood or come from it."""
_COUNTS = {"platelets": "platelet-count", "leukocytes": "wbc-count"}
"""Facts of the form that are results."""


class Sorted(NamedTuple):
    """The results that take part, and why the others do not."""

    used: tuple[Result, ...]
    left: tuple[str, ...]


def explain(connection: sqlite3.Connection, form: dict[str, Any]) -> Answer:
    """Explain an odd panel.

    Args:
        connection: the database.
        form: fits ``queries/schemas/explain-input.json``.

    Returns:
        verdict ``explained`` (one cause, or one family, is likelier than not), ``nothing-unusual``, or ``cannot-tell``.

    Raises:
        FormError: something in the form cannot be used.
    """
    return explain_panel(connection, read_panel(connection, form))


def explain_panel(connection: sqlite3.Connection, panel: Panel, aside: Aside | None = None) -> Answer:
    """Explain a panel that was read; see ``explain``.

    Args:
        connection: the database.
        panel: from ``kg.explain.panel.read_panel``.
        aside: the earlier specimen that was left out of it, if one was.
    """
    chosen = _sort(connection, panel)
    if not chosen.used:
        return present(connection, Told(panel, chosen.left))
    analytes = [result.analyte for result in chosen.used]
    model = read_model(connection, analytes)
    base = baseline(model, panel.earlier)
    comparators = [result.comparator for result in chosen.used]
    observed = infer.observe(model, [result.value for result in chosen.used], comparators)
    before = candidates(connection, model, panel, analytes)
    before = as_not_picked_out(model, before) if aside else before
    ones = infer.explain_by_one(model, base, observed, before.prior, before.allowed)
    if aside is None and panel.earlier:
        odd = odd_before(model, observed, panel.earlier, before.prior, before.allowed, _nothing(model, ones).log_weight)
        if odd is not None:
            ones = _with_mix_up(model, ones, odd.mixed_up)
            left_out = _left_out(model, odd, ones)
            if left_out is not None:
                return explain_panel(connection, _without_latest(panel), left_out)
            ones = _with_odd_before(model, ones, odd)
    explanations = _together(model, base, observed, before, ones)
    shares = infer.probabilities(explanations)
    scale = _dose_scale(connection, panel)
    findings = []
    used: dict[str, str] = {}
    for i, (one, share) in enumerate(_shown(model, explanations, shares)):
        found = finding(connection, model, base, chosen.used, infer.refine(model, base, observed, before.prior, one), float(share), scale,
                        panel.hours_since_collection)
        findings.append(found._replace(because=reasons(connection, model, base, found, used)) if i < _WITH_REASONS else found)
    checks = _next_checks(connection, panel, before, model, observed, ones)
    return present(connection, Told(panel, chosen.left, model, before, tuple(findings), tuple(checks), used,
                                    _families(connection, model, explanations, shares), _information(model, before, ones),
                                    float(sum(share for one, share in zip(explanations, shares, strict=True)
                                              if any(model.causes[i].kind == "artefact" for i in one.causes))),
                                    read_grounds(connection, model, findings), base.earlier, aside))


def _left_out(model: Model, odd: Odd, ones: list[infer.Explanation]) -> Aside | None:
    """Return the latest earlier specimen where it is likelier than not the odd one, among all explanations by one cause.

    It is not left out where it may well be of another person, since then so may the specimen of now.
    """
    total = infer.log_sum(np.concatenate([odd.log_weights, [one.log_weight for one in ones]]))
    shares = np.exp(odd.log_weights - total)
    if shares.sum() < model.settings["least-probability"] or np.exp(odd.mixed_up - total) >= model.settings["hold-above"]:
        return None
    spoilt = float(sum(share for i, share in zip(odd.causes, shares, strict=True) if model.causes[i].kind == "artefact"))
    best = int(shares.argmax())
    return Aside(odd.hours_before, model.causes[odd.causes[best]], float(shares[best]), spoilt, float(shares.sum()))


def _with_odd_before(model: Model, ones: list[infer.Explanation], odd: Odd) -> list[infer.Explanation]:
    """Return the explanations, nothing unusual now being as likely as it is with the earlier specimen ordinary or odd."""
    nothing = _nothing(model, ones)
    more = nothing._replace(log_weight=float(infer.log_sum(np.append(odd.log_weights, nothing.log_weight))))
    return sorted([more if one is nothing else one for one in ones], key=lambda one: -one.log_weight)


def _with_mix_up(model: Model, ones: list[infer.Explanation], log_weight: float) -> list[infer.Explanation]:
    """Return the explanations, blood of two people weighed with both of them, well or ill."""
    return sorted([one._replace(log_weight=log_weight) if model.causes[one.causes[0]].id == MIX_UP else one for one in ones], key=lambda one: -one.log_weight)


def _nothing(model: Model, ones: list[infer.Explanation]) -> infer.Explanation:
    return next(one for one in ones if model.causes[one.causes[0]].kind == "none")


def _without_latest(panel: Panel) -> Panel:
    latest = min(one.hours_before for one in panel.earlier)
    return panel._replace(earlier=tuple(one for one in panel.earlier if one.hours_before > latest))


def _shown(model: Model, explanations: list[infer.Explanation], shares: Array) -> list[tuple[infer.Explanation, Array]]:
    """Return the likeliest explanations and, where none of them is in vivo, the likeliest that is: disease is never left out."""
    listed = list(zip(explanations, shares, strict=True))
    chosen = listed[:_SHOWN]
    if not any(_in_vivo(model, one) for one, _ in chosen):
        chosen += [pair for pair in listed[_SHOWN:] if _in_vivo(model, pair[0])][:1]
    return chosen


def _in_vivo(model: Model, one: infer.Explanation) -> bool:
    return all(model.causes[i].kind == "in-vivo" for i in one.causes)


def _sort(connection: sqlite3.Connection, panel: Panel) -> Sorted:
    """Return the results that take part: known in the population, and not worked out from others that are there."""
    fluid = _fluid_of(connection, panel.material)
    known = {row["analyte"] for row in rows(connection, "population_figures") if fluid in ("", row["specimen"])}
    results = list(panel.results)
    if "haemolysis" in panel.indices and "haemolysis-index" not in {result.analyte for result in results}:
        results.append(panel.indices["haemolysis"])
    there = {result.analyte for result in results}
    results += [Result(analyte, fact.replace("_", " "), float(panel.facts[fact]), "10*9/L", "", f"{fact}={panel.facts[fact]:g}")
                for fact, analyte in _COUNTS.items() if isinstance(panel.facts.get(fact), int | float) and analyte not in there]
    known_parts = worked_out(connection, {result.analyte for result in results} & known)
    used, left = [], []
    for result in sorted(results, key=lambda one: one.analyte):
        if result.analyte not in known:
            where = f" in {fluid}" if fluid not in ("", "blood") else ""
            left.append(f"{result.typed}: no figures of a population are known for it{where}, so it takes no part.")
        elif result.analyte in known_parts:
            left.append(f"{result.typed}: it is worked out from results that are there, so it says nothing new.")
        else:
            used.append(result)
    return Sorted(tuple(used), (*panel.unread, *left))


def _fluid_of(connection: sqlite3.Connection, material: str) -> str:
    """Return which body fluid a material is of: ``blood``, or the id of the broadest material above it; empty when not stated."""
    if not material:
        return ""
    above = [row["broader"] for row in connection.execute("SELECT broader FROM closure WHERE narrower = ? ORDER BY distance", (material,))]
    return "blood" if set(above) & set(_BLOOD) else above[-1]


def _together(model: Model, base: Baseline, observed: infer.Observed, before: Candidates, ones: list[infer.Explanation]) -> list[infer.Explanation]:
    """Return explanations by one cause and, where they are clearly better than either alone, by two."""
    alone = {one.causes[0]: one.log_weight for one in ones}
    firsts = [one.causes[0] for one in ones[:4] if model.causes[one.causes[0]].kind != "none"][:3]
    if len(observed.exact) < 3 or ones[0].distance <= model.settings["good-fit"] * len(observed.exact):
        return ones
    pairs = infer.explain_by_two(model, base, observed, before.prior, firsts, [i for i in before.allowed if model.causes[i].kind != "none"])
    clearly = np.log(model.settings["two-causes-over-one"])
    better = [pair for pair in pairs if pair.log_weight > max(alone[i] for i in pair.causes) + clearly]
    return sorted([*ones, *better], key=lambda one: -one.log_weight)


def _next_checks(connection: sqlite3.Connection, panel: Panel, before: Candidates, model: Model, observed: infer.Observed,
                 ones: list[infer.Explanation]) -> list[next_checks.Check]:
    leaders = ones[:_LEADERS]
    weights = infer.probabilities(leaders)
    there = set(model.analytes)
    calculated = {row["analyte"] for row in rows(connection, "calculated")}
    further = [row["analyte"] for row in rows(connection, "measurable_on", materials=json.dumps(sorted(before.fits)))
               if row["analyte"] not in there | calculated]
    names = [model.causes[one.causes[0]].id for one in leaders]
    wider = read_model(connection, [*model.analytes, *further], names, model)
    wide = infer.Observed(np.concatenate([observed.values, np.zeros(len(further))]), observed.exact, observed.bounds)
    checks = next_checks.measurements(wider, baseline(wider, panel.earlier), wide, leaders, weights, range(len(there), len(wider.analytes)))
    checks += next_checks.looks_and_questions(connection, model, leaders, weights, before.fits)
    return [check._replace(separates=tuple(leaders[i].causes[0] for i in check.separates)) for check in next_checks.in_order(checks, weights, _CHECKS)]


def _dose_scale(connection: sqlite3.Connection, panel: Panel) -> float:
    """Return by how much the share of a dry additive counts for more, or less, than at the usual haematocrit.

    The plasma of a tube holds its additive in 1 - haematocrit of the blood, so the same rise of potassium means a smaller share.
    """
    if panel.haematocrit is None:
        return 1.0
    usual = next(row["value"] for row in rows(connection, "model_parameters") if (row["model"], row["parameter"]) == ("blood", "haematocrit"))
    return float((1 - panel.haematocrit) / (1 - usual))


def _families(connection: sqlite3.Connection, model: Model, explanations: list[infer.Explanation], shares: Array) -> dict[str, tuple[str, float]]:
    """Return for each factor its label and the probability that it, or anything narrower, is among the causes."""
    above: dict[str, dict[str, str]] = {}
    for row in rows(connection, "families"):
        above.setdefault(row["cause"], {})[row["family"]] = row["label"]
    found: dict[str, tuple[str, float]] = {}
    for one, share in zip(explanations, shares, strict=True):
        labels = {family: label for i in one.causes for family, label in above.get(model.causes[i].id, {}).items()}
        for family, label in labels.items():
            found[family] = (label, found.get(family, ("", 0.0))[1] + float(share))
    return found


def _information(model: Model, before: Candidates, ones: list[infer.Explanation]) -> float:
    """Return by how many bits the results moved the probabilities of the causes."""
    after = infer.probabilities(ones)
    prior = np.exp(before.prior.causes[[one.causes[0] for one in ones]])
    prior = prior / prior.sum()
    return float(np.sum(np.where(after > 0, after * np.log2(np.maximum(after, 1e-300) / prior), 0.0)))
