"""validation: how well odd panels are screened and explained, on simulated specimens that anyone can make again."""

from __future__ import annotations

import sqlite3

from kg.answer import Answer, cite, versions
from kg.database import rows
from kg.forms import FormError
from kg.validation import metrics
from kg.validation.assess import Bench, families, make_bench, recognise
from kg.validation.beside import METABOLIC, Comparison, Published, Side, lay_beside, read_published
from kg.validation.beside_earlier import MIXED_UP, changes, lay_beside_earlier, tell_mix_ups
from kg.validation.beside_surveys import lay_beside_surveys
from kg.validation.day_before import Days, fast_course, simulate_days, usual_course
from kg.validation.found import FoundEarlier, Mixed, Report
from kg.validation.present import data_of, headline, sections_of, unknowns_of, verdict_of
from kg.validation.present_earlier import earlier_data, earlier_sections, earlier_unknowns
from kg.validation.severity import recover
from kg.validation.simulate import Drawn, Progress, Sizes, simulate
from kg.validation.spoil import Ground

_STEPS = 9
"""Steps of the progress after the first simulation: six sorts of pairs, two panels judged, and the severities."""


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
    return Answer("validation", "", verdict_of(report), headline(report), (*sections_of(report), *earlier_sections(report)),
                  unknowns=(*unknowns_of(), *earlier_unknowns()), citations=cite(connection, used), versions=versions(connection),
                  data={**data_of(report), "with_earlier": earlier_data(report)})


def make_report(connection: sqlite3.Connection, seed: str | None, panels: str | None, progress: Progress) -> Report:
    """Simulate and judge; for the arguments see ``validation``."""
    settings = {(row["parameter"], row["condition"]): row for row in rows(connection, "model_parameters") if row["model"] == "validation"}

    def setting(name: str) -> float:
        return float(settings[name, ""]["value"])

    each = settings["panels-in-band", ""]
    number = _whole("--seed", seed, round(setting("seed")), 0, 2**32 - 1)
    band = _whole("--panels", panels, round(each["value"]), round(each["low"]), round(each["high"]))
    grow = band / each["value"]
    sizes = Sizes(round(setting("panels-in-mixture") * grow), band, round(setting("panels-of-disease") * grow),
                  round(setting("panels-with-little-edta") * grow))
    flag_rate = next(row["value"] for row in rows(connection, "recognition_benchmarks") if (row["subject"], row["quantity"]) == ("learned-fluids-flags", "flag-rate"))
    edges = sorted(row["value"] for row in rows(connection, "model_parameters") if (row["model"], row["parameter"]) == ("validation", "bin-edge"))
    members: dict[str, tuple[str, ...]] = {}
    for row in rows(connection, "validation_panels"):
        members[row["panel"]] = (*members.get(row["panel"], ()), row["analyte"])
    mixed_up = {panel: members.pop(panel) for panel in MIXED_UP}
    every = tuple(dict.fromkeys(analyte for analytes in members.values() for analyte in analytes))
    before = 0

    def first(done: int, size: int) -> None:
        nonlocal before
        before = size
        progress(done, size + _STEPS)

    def later(step: int) -> Progress:
        return lambda done, size: progress(before + step + done, before + _STEPS)

    study = simulate(connection, every, sizes, number, first)
    usual = simulate_days(connection, study.ground, usual_course(study.ground), sizes, number, later(0))
    fast = simulate_days(connection, study.ground, fast_course(study.ground), sizes, number, later(3))
    threshold, above, published = setting("threshold"), families(connection), read_published(connection)
    benches = {panel: make_bench(connection, study.ground, panel, analytes, threshold) for panel, analytes in members.items()}
    report = Report(number, sizes, threshold, flag_rate, setting("interval"), study, {}, {}, {}, [], [], usual.course, [])
    for i, (panel, bench) in enumerate(benches.items()):
        side = Side(study.ground, bench, study.drawn, threshold)
        probability = bench.probability(bench.screening, study.drawn.mixture)
        edge = metrics.threshold_for_rate(probability, flag_rate)
        report.mixtures[panel] = [_mixed(study.ground, study.drawn, probability, half, report, edges) for half in (False, True)]
        report.bands[panel] = [recognise(bench, group, threshold, edge, above) for group in study.drawn.bands]
        report.diseases[panel] = [recognise(bench, group, threshold, edge, above) for group in study.diseases]
        report.beside.extend(lay_beside(side, published) + (lay_beside_surveys(connection, side, study, published) if panel == METABOLIC else []))
        found, beside = _with_earlier(connection, report, bench, usual, fast, published, edges, above)
        report.earlier.append(found)
        report.beside.extend(beside)
        later(6)(i + 1, 0)
    for panel, analytes in mixed_up.items():  # more of them: no chemistry is solved for a set
        report.beside.extend(tell_mix_ups(connection, panel, analytes, published, threshold, 4 * band, number))
    report.beside.sort(key=lambda one: (one.id, one.earlier, one.panel))
    bench, some = benches[METABOLIC], round(setting("panels-with-severity") * grow)
    report.severities.extend([*recover(connection, bench.analytes, bench.columns, study.whole, band, report.interval),
                              *recover(connection, bench.analytes, bench.columns, study.drawn.bands, some, report.interval)])
    later(6)(len(benches) + 1, 0)
    return report


def _with_earlier(connection: sqlite3.Connection, report: Report, alone: Bench, usual: Days, fast: Days, published: Published, edges: list[float],
                  above: dict[str, set[str]]) -> tuple[FoundEarlier, list[Comparison]]:
    """Return what one panel gives beside an earlier one."""
    study, threshold = report.study, report.threshold
    bench = make_bench(connection, study.ground, alone.panel, alone.analytes, threshold, usual.course.hours)
    given, without = (one.probability(one.screening, usual.drawn.mixture) for one in (bench, alone))
    bands = [(recognise(bench, group, threshold, metrics.threshold_for_rate(given, report.flag_rate), above),
              recognise(alone, group, threshold, metrics.threshold_for_rate(without, report.flag_rate), above)) for group in usual.drawn.bands]
    found = FoundEarlier(bench.panel, _mixed(study.ground, usual.drawn, given, False, report, edges), bands,
                         changes(study, usual, given >= threshold, without >= threshold))
    slow, quick = (Side(study.ground, bench, days.drawn, threshold, earlier=True) for days in (usual, fast))
    return found, lay_beside_earlier(slow, quick, published)


def _mixed(ground: Ground, drawn: Drawn, probability: metrics.Array, half: bool, report: Report, edges: list[float]) -> Mixed:
    """Return what the mixture gives, as it is or with half of its artefacts taken out."""
    kept = drawn.halved if half else slice(None)
    p, artefact = probability[kept], drawn.artefact[kept]
    odd = ground.population.model.settings["share-odd"] / (2 if half else 1)
    bins = metrics.calibration(p, artefact, edges)
    at_rate = metrics.predictive_value_at_rate(p, artefact, report.flag_rate)
    return Mixed(odd, len(p), int(artefact.sum()), metrics.sensitivity(p, artefact, report.threshold), metrics.specificity(p, artefact, report.threshold),
                 metrics.predictive_value(p, artefact, report.threshold), at_rate, metrics.rate(at_rate.hits, int(artefact.sum())), bins,
                 metrics.calibration_error(bins))


def _whole(name: str, given: str | None, usual: int, low: int, high: int) -> int:
    if given is None:
        return usual
    if not str(given).isascii() or not str(given).isdigit() or not low <= int(given) <= high:
        raise FormError(f"{name}: '{given}' is not a whole number from {low:,} to {high:,}")
    return int(given)
