"""validation: how well odd panels are screened and explained, on simulated specimens that anyone can make again."""

from __future__ import annotations

import sqlite3

from kg.answer import Answer, cite, versions
from kg.database import rows
from kg.forms import FormError
from kg.validation import metrics
from kg.validation.assess import families, make_bench, recognise
from kg.validation.beside import METABOLIC, Judged, lay_beside
from kg.validation.beside_earlier import STEPS, judge_with_earlier, read_amounts
from kg.validation.found import Mixed, Report
from kg.validation.present import data_of, headline, sections_of, unknowns_of, verdict_of
from kg.validation.present_earlier import earlier_data, earlier_sections, earlier_unknowns
from kg.validation.severity import recover
from kg.validation.simulate import Progress, Sizes, Study, simulate


def validation(connection: sqlite3.Connection, seed: str | None = None, panels: str | None = None,
               progress: Progress = lambda done, size: None) -> Answer:
    """Simulate specimens, judge them, and lay the result beside published figures.

    Args:
        connection: the database.
        seed: of the random numbers, a whole number from 0 on; the one of ``model_parameters`` when not given.
        panels: how many in each band and of each disease; the mixture grows in step. As in ``model_parameters`` when not given.
        progress: called with the steps done and their number.

    Returns:
        verdict ``better-than-published``, ``partly-better`` or ``not-better``.

    Raises:
        FormError: an option is no whole number or out of its range.
    """
    report = make_report(connection, seed, panels, progress)
    used = {one.source: one.basis for one in report.beside}
    return Answer("validation", "", verdict_of(report), headline(report), (*sections_of(report), *earlier_sections(report.earlier)),
                  unknowns=(*unknowns_of(), *earlier_unknowns()), citations=cite(connection, used), versions=versions(connection),
                  data={**data_of(report), "with_earlier": earlier_data(report.earlier)})


def make_report(connection: sqlite3.Connection, seed: str | None, panels: str | None, progress: Progress) -> Report:
    """Simulate and judge; for the arguments see ``validation``."""
    settings = {(row["parameter"], row["condition"]): row for row in rows(connection, "model_parameters") if row["model"] == "validation"}

    def setting(name: str) -> float:
        return float(settings[name, ""]["value"])

    each = settings["panels-in-band", ""]
    number = _whole("--seed", seed, round(setting("seed")), 0, 2**32 - 1)
    band = _whole("--panels", panels, round(each["value"]), round(each["low"]), round(each["high"]))
    grow = band / each["value"]
    sizes = Sizes(round(setting("panels-in-mixture") * grow), band, round(setting("panels-of-disease") * grow))
    flag_rate = next(row["value"] for row in rows(connection, "recognition_benchmarks") if row["quantity"] == "flag-rate")
    edges = sorted(row["value"] for row in rows(connection, "model_parameters") if (row["model"], row["parameter"]) == ("validation", "bin-edge"))
    members: dict[str, tuple[str, ...]] = {}
    for row in rows(connection, "validation_panels"):
        members[row["panel"]] = (*members.get(row["panel"], ()), row["analyte"])
    every = tuple(dict.fromkeys(analyte for analytes in members.values() for analyte in analytes))
    before = 0

    def first(done: int, size: int) -> None:
        nonlocal before
        before = size
        progress(done, size + STEPS)

    study = simulate(connection, every, sizes, number, first)
    threshold, above = setting("threshold"), families(connection)
    mixtures, bands, diseases, judged = {}, {}, {}, {}
    for panel, analytes in members.items():
        bench = make_bench(connection, study, panel, analytes, threshold)
        probability = bench.probability(bench.screening, study.mixture)
        edge = metrics.threshold_for_rate(probability, flag_rate)
        judged[panel] = Judged(bench, probability)
        mixtures[panel] = [_mixed(study, probability, half, threshold, flag_rate, edges) for half in (False, True)]
        bands[panel] = [recognise(bench, group, threshold, edge, above) for group in study.bands]
        diseases[panel] = [recognise(bench, group, threshold, edge, above) for group in study.diseases]
    bench, some = judged[METABOLIC].bench, round(setting("panels-with-severity") * grow)
    severities = [*recover(connection, bench.analytes, bench.columns, study.whole, band, setting("interval")),
                  *recover(connection, bench.analytes, bench.columns, study.bands, some, setting("interval"))]
    amounts = read_amounts({name: row["value"] for (name, about), row in settings.items() if not about}, grow)
    earlier = judge_with_earlier(connection, study, {panel: one.bench for panel, one in judged.items()}, amounts, number, threshold,
                                 lambda done, size: progress(before + done, before + size))
    return Report(number, sizes, threshold, flag_rate, setting("interval"), study, mixtures, bands, diseases, severities,
                  lay_beside(connection, study, judged, threshold), earlier)


def _mixed(study: Study, probability: metrics.Array, half: bool, threshold: float, flag_rate: float, edges: list[float]) -> Mixed:
    """Return what the mixture gives, as it is or with half of its artefacts taken out."""
    kept = study.kept if half else slice(None)
    p, artefact = probability[kept], study.artefact[kept]
    odd = study.ground.population.model.settings["share-odd"] / (2 if half else 1)
    bins = metrics.calibration(p, artefact, edges)
    at_rate = metrics.predictive_value_at_rate(p, artefact, flag_rate)
    return Mixed(odd, len(p), int(artefact.sum()), metrics.sensitivity(p, artefact, threshold), metrics.specificity(p, artefact, threshold),
                 metrics.predictive_value(p, artefact, threshold), at_rate, metrics.rate(at_rate.hits, int(artefact.sum())), bins,
                 metrics.calibration_error(bins))


def _whole(name: str, given: str | None, usual: int, low: int, high: int) -> int:
    if given is None:
        return usual
    if not str(given).isascii() or not str(given).isdigit() or not low <= int(given) <= high:
        raise FormError(f"{name}: '{given}' is not a whole number from {low:,} to {high:,}")
    return int(given)
