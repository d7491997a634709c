"""A validation in words and as data."""

from __future__ import annotations

from typing import Any

from kg.answer import Item, Section
from kg.validation.assess import Recognised
from kg.validation.beside import Comparison
from kg.validation.found import Mixed, Report
from kg.validation.metrics import Bin, Rate
from kg.validation.severity import Recovered
from kg.validation.simulate import Group
from kg.wording import inside

_QUANTITIES = {"volume-fraction": "of the volume", "time": "h on the cells", "free-haemoglobin": "g/L of free haemoglobin"}
_WORDS = {"better-than-published": "better than every published figure laid beside",
          "partly-better": "better than some of the published figures laid beside, not than all",
          "not-better": "not better than any published figure laid beside"}
_LEAST_SHOWN = 0.001


def verdict_of(report: Report) -> str:
    """Return the word for programs."""
    better = [one.better for one in report.beside if one.counts]
    return "better-than-published" if all(better) else "partly-better" if any(better) else "not-better"


def headline(report: Report) -> str:
    """Return the finding in one sentence or two."""
    counted = [one for one in report.beside if one.counts]
    won = sum(one.better for one in counted)
    panel, first = next(iter(report.mixtures.items()))
    as_assumed = first[0]
    return ("On simulated specimens of other haematocrits, doses and methods than are assumed, "
            f"ours is {_WORDS[verdict_of(report)]} ({won} of {len(counted)}). "
            f"On the {panel} panel a flag is right in {share_of(as_assumed.predictive_value)} of cases at {100 * report.threshold:g} %, and "
            f"{share_of(as_assumed.specificity, 5)} of panels without an artefact stay unflagged.")


def sections_of(report: Report) -> tuple[Section, ...]:
    """Return the tables as sections."""
    sections = [Section("Beside published figures", tuple(comparison(one) for one in report.beside if one.counts),
                        "Better means that the whole 95 % interval of ours lies on the better side, on specimens as hard to tell. Ours had an earlier result "
                        "only where the published reader is known to have had one.")]
    for panel, found in report.mixtures.items():
        sections.append(Section(f"Mixture as screening assumes it, {panel} panel", tuple(item for one in found for item in mixture_items(one, report)),
                                "The second line halves the artefacts, while the judge goes on assuming the first."))
        sections += [Section(f"Calibration, {panel} panel, {100 * one.share_odd:g} % with an artefact", tuple(bin_item(part) for part in one.bins if part.panels))
                     for one in found]
    for panel, bands in report.bands.items():
        sections.append(Section(f"Contamination, band by band, {panel} panel", tuple(_band(one) for one in bands),
                                "Screened: flagged with the shares of screening. Odd: recognised once somebody picked the panel out as odd."))
    sections.append(Section(f"Severity, given the cause: the {100 * report.interval:g} % interval", tuple(_severity(one) for one in report.severities),
                            "First over the whole range, spread as the explanation takes it to be, which is what the interval promises; then band by band."))
    for panel, diseases in report.diseases.items():
        sections.append(Section(f"Diseases that are taken for an artefact, {panel} panel", _diseases(diseases)))
    sections.append(Section("How it was made", (Item(
        f"seed {report.seed}; {report.sizes.mixture:,} panels in the mixture, {report.sizes.band:,} in each band, {report.sizes.disease:,} of each disease; "
        f"{len(report.study.ground.laboratories)} laboratories"),)))
    return tuple(sections)


def unknowns_of() -> tuple[str, ...]:
    """Return what simulation cannot tell."""
    return ("Simulated people are no people: patients come from the same table of means and covariances by which panels are judged, and diseases from the "
            "same patterns, so that real panels may be judged worse.",
            "Screening weighs one cause at a time. Contaminated specimens here come from people well and ill, so that what this misses is in the figures.",
            "What broken cells do to a reading by colour, what waiting does to enzymes, and what fluids do inside cells is not simulated.",
            "How severe the contaminated specimens of the published studies were is hardly known: for fluids two medians are, and which fluids were how common is "
            "not; in the bands ours are spread evenly.")


def comparison(one: Comparison) -> Item:
    """Return one published figure with ours beside it."""
    word = "better" if one.better else "not better" if one.comparable else "cannot be told, since the specimens may not be alike"
    text = (f"{one.quantity.replace('-', ' ')} of {one.subject.replace('-', ' ')}: published {one.published:.3g} ({one.condition}); "
            f"ours {share_of(one.ours)}, {one.panel} panel{' beside an earlier one' if one.earlier else ''}: {word}")
    return Item(text, _comparison(one), (one.source,), (f"Counted on: {one.what}.", *one.remarks))


def mixture_items(one: Mixed, report: Report) -> tuple[Item, ...]:
    """Return what the mixture gives at one share of artefacts."""
    return (Item(f"{100 * one.share_odd:g} % with an artefact ({one.artefacts:,} of {one.panels:,}), flagged at {100 * report.threshold:g} %: "
                 f"sensitivity {share_of(one.sensitivity)}, specificity {share_of(one.specificity, 5)}, predictive value {share_of(one.predictive_value)}"),
            Item(f"{100 * one.share_odd:g} % with an artefact, the likeliest {100 * report.flag_rate:g} % flagged: "
                 f"predictive value {share_of(one.at_flag_rate)}, sensitivity {share_of(one.found_at_flag_rate)}; calibration error {one.error:.4f}"))


def bin_item(one: Bin) -> Item:
    """Return one class of probabilities."""
    return Item(f"{one.low:g} to {one.high:g}: {one.panels:,} panels, said {one.said:.4f}, observed {share_of(one.observed, 4)}")


def amount_of(group: Group) -> str:
    """Return which contamination a band is of, and how much."""
    factor = 100 if group.unit == "1" else 1
    percent = " %" if factor == 100 else ""
    return f"{inside(group.label)}, {factor * (group.low or 0):g} to {factor * (group.high or 0):g}{percent} {_QUANTITIES.get(group.quantity, group.unit)}"


def _band(one: Recognised) -> Item:
    text = amount_of(one.group)
    named = f", named right {plain_of(one.right)}, right family {plain_of(one.family)}" if one.odd.hits else ""
    return Item(f"{text}: screened {plain_of(one.screened)}, at the flag rate {plain_of(one.at_flag_rate)}, odd {plain_of(one.odd)}{named}", recognised_data(one))


def _severity(one: Recovered) -> Item:
    group = one.group
    tail = f"; {one.beyond} beyond the range considered" if one.beyond else ""
    ratio = f", estimated over true {one.ratio:.2f}" if one.ratio is not None else ""
    return Item(f"{inside(group.label)}, {group.low:g} to {group.high:g} {group.unit if group.unit != '1' else ''}".rstrip() +
                f": true one inside {share_of(one.inside)}{ratio}{tail}", _recovered(one))


def _diseases(found: list[Recognised]) -> tuple[Item, ...]:
    shown = sorted((one for one in found if (one.odd.share or 0) > _LEAST_SHOWN), key=lambda one: (-one.odd.hits, one.group.cause))
    total = sum(one.group.results.shape[0] for one in found)
    screened, odd = (sum(rate.hits for rate in rates) for rates in ([one.screened for one in found], [one.odd for one in found]))
    first = Item(f"all {len(found)} diseases: {screened:g} of {total:,} panels flagged in screening, {odd:g} taken for an artefact once picked out as odd")
    return (first, *(Item(f"{inside(one.group.label)}: screened {plain_of(one.screened)}, odd {plain_of(one.odd)}", recognised_data(one)) for one in shown))


def share_of(one: Rate, digits: int = 3) -> str:
    """Return a share with its interval and counts."""
    return "nothing to count" if one.share is None else f"{one.share:.{digits}f} ({one.low:.{digits}f} to {one.high:.{digits}f}; {one.hits:g} of {one.of:,})"


def plain_of(one: Rate) -> str:
    """Return a share alone."""
    return "-" if one.share is None else f"{one.share:.2f}"


def data_of(report: Report) -> dict[str, Any]:
    """Return everything as plain data, as ``queries/schemas/validation-output.json`` says."""
    return {"seed": report.seed, "sizes": report.sizes._asdict(), "threshold": report.threshold, "flag_rate": report.flag_rate, "interval": report.interval,
            "benchmarks": [_comparison(one) for one in report.beside],
            "panels": [{"panel": panel, "mixtures": [mixed_data(one) for one in found], "bands": [recognised_data(one) for one in report.bands[panel]],
                        "diseases": [recognised_data(one) for one in report.diseases[panel]]} for panel, found in report.mixtures.items()],
            "severities": [_recovered(one) for one in report.severities]}


def rate_data(one: Rate) -> dict[str, Any]:
    """Return a share with its interval as plain data."""
    return {name: value if value is None or name == "of" else round(value, 6) for name, value in one._asdict().items()}


def group_data(group: Group) -> dict[str, Any]:
    """Return which panels a group holds as plain data."""
    return {"cause": group.cause, "kind": group.kind, "quantity": group.quantity, "low": group.low, "high": group.high, "unit": group.unit}


def recognised_data(one: Recognised) -> dict[str, Any]:
    """Return how one group was judged as plain data."""
    return {**group_data(one.group), **{name: rate_data(getattr(one, name)) for name in ("screened", "at_flag_rate", "odd", "right", "family")}}


def _recovered(one: Recovered) -> dict[str, Any]:
    return {**group_data(one.group), "inside": rate_data(one.inside), "ratio": None if one.ratio is None else round(one.ratio, 4), "beyond": one.beyond}


def _comparison(one: Comparison) -> dict[str, Any]:
    return {**one._asdict(), "ours": rate_data(one.ours), "remarks": list(one.remarks)}


def mixed_data(one: Mixed) -> dict[str, Any]:
    """Return what a mixture gives as plain data."""
    bins = [{"low": part.low, "high": part.high, "panels": part.panels, "said": None if part.said is None else round(part.said, 6),
             "observed": rate_data(part.observed)} for part in one.bins]
    rates = {name: rate_data(getattr(one, name)) for name in ("sensitivity", "specificity", "predictive_value", "at_flag_rate", "found_at_flag_rate")}
    return {"share_odd": one.share_odd, "panels": one.panels, "artefacts": one.artefacts, **rates, "bins": bins, "calibration_error": round(one.error, 6)}
