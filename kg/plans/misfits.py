"""What cannot be measured in a specimen, and why, told alike by every plan."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from kg.answer import Item, Section
from kg.plans.wanted import Wanted, WantedTest
from kg.questions.common import note

_WORDS = {"unsuitable": "never in this specimen", "not-accepted": "not accepted in this specimen", "not-known": "not known"}


def misfits(wanted: Wanted) -> list[WantedTest]:
    """Return the tests that cannot be measured in the specimen."""
    return [test for test in wanted.tests if test.fit.status != "fits"]


def misfit_section(tests: Sequence[WantedTest], used: dict[str, str]) -> Section:
    """Return a section with each reason once, for all tests that share it.

    Args:
        tests: those that do not fit.
        used: sources used so far; those of the reasons are added.
    """
    groups: dict[tuple[tuple[str, ...], str, str], list[WantedTest]] = {}
    for test in tests:
        groups.setdefault((test.asked_as, test.fit.status, test.fit.reason), []).append(test)
    items = []
    for (_, status, reason), listed in groups.items():
        for source, basis in (pair for test in listed for pair in test.fit.sources):
            note(used, source, basis)
        sources = tuple(dict.fromkeys(source for test in listed for source, _ in test.fit.sources))
        names = ", ".join(named(test) for test in listed)
        items.append(Item(f"{names}: {_WORDS[status]}; {reason}", {"tests": [test.code for test in listed], "status": status}, sources,
                          tuple(dict.fromkeys(link.text for link in listed[0].fit.because))))
    return Section("Not measured in this specimen, whatever the volume", tuple(items))


def misfit_data(test: WantedTest) -> dict[str, Any]:
    """Return what does not fit as data."""
    return {"test": test.code, "name": test.name, "status": test.fit.status, "reason": test.fit.reason}


def named(test: WantedTest) -> str:
    """Return the name of a test with its code, where the catalogue has it."""
    return f"{test.name} ({test.code})" if test.in_catalogue else test.name


def typed_section(wanted: Wanted) -> Section:
    """Return a section on what was typed and could not be used as it stands."""
    items = [Item(f"'{typed}': {why}") for typed, why in wanted.not_understood]
    items += [Item(f"'{typed}' is named twice; it is planned once") for typed in wanted.duplicates]
    return Section("Of what was typed", tuple(items))


def typed_data(wanted: Wanted) -> dict[str, Any]:
    """Return the same as data."""
    return {"not_understood": [{"typed": typed, "why": why} for typed, why in wanted.not_understood], "duplicates": list(wanted.duplicates)}


def conflicts_of(wanted: Wanted) -> tuple[str, ...]:
    """Return where facts go against what the catalogue accepts."""
    return tuple(dict.fromkeys(test.fit.conflict for test in wanted.tests if test.fit.conflict))
