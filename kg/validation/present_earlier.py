"""What a result of the day before adds to a validation, in words and as data."""

from __future__ import annotations

from typing import Any

from kg.answer import Item, Section
from kg.validation.assess import Recognised
from kg.validation.beside_earlier import Both, Changed
from kg.validation.found import FoundEarlier, Report
from kg.validation.present import (
    amount_of,
    bin_item,
    comparison,
    mixed_data,
    mixture_items,
    plain_of,
    rate_data,
    recognised_data,
)
from kg.wording import inside

_TITLE = "With a result of the day before"


def earlier_sections(report: Report) -> tuple[Section, ...]:
    """Return the tables as sections."""
    course, sizes = report.course, report.sizes
    sections = [Section(f"{_TITLE}: beside published figures that do not count", tuple(comparison(one) for one in report.beside if not one.counts),
                        "Whether these published readers had an earlier result is not known.")]
    for one in report.earlier:
        sections += [Section(f"{_TITLE}: mixture, {one.panel} panel", mixture_items(one.mixture, report)),
                     Section(f"{_TITLE}: calibration, {one.panel} panel", tuple(bin_item(part) for part in one.mixture.bins if part.panels)),
                     Section(f"{_TITLE}: contamination, band by band, {one.panel} panel", tuple(_band(*band) for band in one.bands),
                             "Screened and odd as above; in brackets the same panels without the earlier result."),
                     Section(f"{_TITLE}: real changes taken for an artefact, {one.panel} panel", _changes(one),
                             "A state of the patient began between the draws; in brackets the same panels without the earlier result.")]
    made = (f"each earlier panel is {course.hours:g} h older and sound; in {100 * sum(course.chances.values()):g} % of all patients a state began since; levels move "
            f"with a correlation time of {course.days[0]:g} to {course.days[1]:g} days; {sizes.mixture:,} pairs in the mixture, {sizes.band:,} in each band")
    return (*sections, Section(f"{_TITLE}: how it was made", (Item(made),)))


def earlier_unknowns() -> tuple[str, ...]:
    """Return what the simulation of earlier results cannot tell."""
    return ("Within the day people here move by within-subject variation and by a level that drifts with a time drawn for each; treatment begun since, which "
            "moves results on purpose, is not simulated but as a state that begins.",
            "How slowly people's own levels drift is our judgement, checked against a few published figures; what is left of a figure where all levels move within "
            "days is said beside it.",
            "Earlier results come from the same laboratory and methods; where another measured them, they help less.")


def earlier_data(report: Report) -> dict[str, Any]:
    """Return everything as plain data, as ``with_earlier`` of ``queries/schemas/validation-output.json`` says."""
    return {"hours_before": report.course.hours, "share_acute": sum(report.course.chances.values()),
            "panels": [{"panel": one.panel, "mixture": mixed_data(one.mixture),
                        "bands": [{"with": recognised_data(given), "without": recognised_data(without)} for given, without in one.bands],
                        "changes": [_change_data(change) for change in one.changes]} for one in report.earlier]}


def _band(given: Recognised, without: Recognised) -> Item:
    named = f", named right {plain_of(given.right)}" if given.odd.hits else ""
    return Item(f"{amount_of(given.group)}: screened {plain_of(given.screened)} ({plain_of(without.screened)}), odd {plain_of(given.odd)} ({plain_of(without.odd)}){named}",
                {"with": recognised_data(given), "without": recognised_data(without)})


def _changes(found: FoundEarlier) -> tuple[Item, ...]:
    every, steady, *states = found.changes
    shown = sorted((one for one in states if one.screened.given.hits), key=lambda one: (-one.screened.given.hits, one.cause))
    return tuple(Item(f"{inside(one.label)}: {_counted(one.screened)}", _change_data(one)) for one in (every, steady, *shown))


def _counted(one: Both) -> str:
    return f"{one.given.hits:g} of {one.given.of:,} flagged ({one.without.hits:g})"


def _change_data(one: Changed) -> dict[str, Any]:
    return {"cause": one.cause, "with": rate_data(one.screened.given), "without": rate_data(one.screened.without)}
