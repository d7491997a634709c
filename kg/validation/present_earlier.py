"""What a result of the day before adds to a validation, in words and as data."""

from __future__ import annotations

from typing import Any

from kg.answer import Item, Section
from kg.validation.beside_earlier import Banded, Beside, Both, Changed, Found, WithEarlier
from kg.validation.present import amount_of, group_data, plain_of, rate_data, share_of
from kg.wording import inside

_TITLE = "With a result of the day before"
_UNKNOWN = "Whether the published readers had an earlier result is not known."


def earlier_sections(found: WithEarlier) -> tuple[Section, ...]:
    """Return the tables as sections."""
    amounts = found.amounts
    sections = [Section(f"{_TITLE}: beside published figures", tuple(_beside(one) for one in found.beside),
                        f"{_UNKNOWN} These do not count towards the finding above. Without: the same panels, the earlier result withheld.")]
    for one in found.panels:
        sections += [Section(f"{_TITLE}: contamination, band by band, {one.panel} panel", tuple(_band(band) for band in one.bands),
                             "Screened and odd as above; in brackets the same panels without the earlier result."),
                     Section(f"{_TITLE}: real changes taken for an artefact, {one.panel} panel", _changes(one),
                             "A state of the patient began between the draws; in brackets the same panels without the earlier result.")]
    made = (f"each earlier result is {found.hours:g} h older and sound; in {100 * found.share_acute:g} % of all patients a state began since; {amounts.band:,} "
            f"panels in each band, {amounts.saline:,} at each share of saline, {amounts.artefacts:,} artefacts of every sort, {amounts.others:,} without an artefact")
    return (*sections, Section(f"{_TITLE}: how it was made", (Item(made),)))


def earlier_unknowns() -> tuple[str, ...]:
    """Return what the simulation of earlier results cannot tell."""
    return (f"{_UNKNOWN} Within the day people here move by within-subject variation and by a level that drifts with a time drawn for each; treatment "
            "begun since, which moves results on purpose, is not simulated but as a state that begins.",
            "What an earlier result adds rests on how slowly people's own levels drift, which is our judgement; where they drift within days, as in the very "
            "ill, much of it is lost, and more real changes are taken for an artefact.",
            "Earlier results come from the same laboratory and methods; where another measured them, they help less.")


def earlier_data(found: WithEarlier) -> dict[str, Any]:
    """Return everything as plain data, as ``with_earlier`` of ``queries/schemas/validation-output.json`` says."""
    return {"hours_before": found.hours, "share_acute": found.share_acute, "sizes": found.amounts._asdict(),
            "benchmarks": [_beside_data(one) for one in found.beside],
            "panels": [{"panel": one.panel, "bands": [_band_data(band) for band in one.bands], "changes": [_change_data(change) for change in one.changes],
                        "steady": _both(one.steady), "judged_in_full": rate_data(one.full)} for one in found.panels]}


def _beside(one: Beside) -> Item:
    word = "the whole interval lies above" if one.above else "the whole interval does not lie above" if one.comparable else \
        "cannot be told, since the specimens may not be alike"
    text = (f"{one.quantity.replace('-', ' ')} of {one.subject.replace('-', ' ')}: published {one.published:.3g} ({one.condition}); with a result of the day before "
            f"ours {share_of(one.ours.given)}, without it {share_of(one.ours.without)}, {one.panel} panel: {word}")
    return Item(text, _beside_data(one), (one.source,), (f"Counted on: {one.what}.", *one.remarks))


def _band(one: Banded) -> Item:
    named = f", named right {plain_of(one.right)}" if one.odd.given.hits else ""
    return Item(f"{amount_of(one.group)}: screened {_pair(one.screened)}, odd {_pair(one.odd)}{named}", _band_data(one))


def _changes(found: Found) -> tuple[Item, ...]:
    first, *others = found.changes
    text = f"{inside(first.label)}: screened {_counted(first.screened)}; picked out as odd {_counted(first.odd)}"
    steady = Item(f"where no state began: screened {_counted(found.steady)}")
    shown = [one for one in others if one.screened.given.hits or one.odd.given.hits]
    return (Item(text, _change_data(first)), steady,
            *(Item(f"{inside(one.label)}: screened {_counted(one.screened)}; picked out as odd {_counted(one.odd)}", _change_data(one))
              for one in sorted(shown, key=lambda one: (-one.odd.given.hits, one.cause))))


def _pair(one: Both) -> str:
    return f"{plain_of(one.given)} ({plain_of(one.without)})"


def _counted(one: Both) -> str:
    return f"{one.given.hits:g} of {one.given.of:,} flagged ({one.without.hits:g})"


def _both(one: Both) -> dict[str, Any]:
    return {"with": rate_data(one.given), "without": rate_data(one.without)}


def _beside_data(one: Beside) -> dict[str, Any]:
    return {**one._asdict(), "ours": _both(one.ours), "remarks": list(one.remarks)}


def _band_data(one: Banded) -> dict[str, Any]:
    return {**group_data(one.group), "screened": _both(one.screened), "odd": _both(one.odd), "right": rate_data(one.right)}


def _change_data(one: Changed) -> dict[str, Any]:
    return {"cause": one.cause, "screened": _both(one.screened), "odd": _both(one.odd)}
