"""explain on the command line: words and options become a form."""

from __future__ import annotations

import sqlite3
from typing import Any

from kg.answer import Answer
from kg.explain.explain import explain
from kg.explain.reading import form_from_file, form_from_words
from kg.forms import FormError, number_typed

_NUMBERS = {"hours": "hours_since_collection", "temperature": "temperature_cel"}


def from_words(connection: sqlite3.Connection, results: list[str], file: str | None = None, units: str | None = None, material: str | None = None,
               age: str | None = None, hours: str | None = None, temperature: str | None = None, haematocrit: str | None = None,
               tubes: str | None = None, infusions: str | None = None) -> Answer:
    """Explain results that were typed, or are in a file, or both.

    Args:
        connection: the database.
        results: words such as ``K=9.8``.
        file: CSV, JSON or FHIR; ``-`` for standard input.
        units, material, age, hours, temperature, haematocrit, tubes, infusions: what is known of the specimen; see ``explain --help``.

    Raises:
        FormError: something cannot be used.
    """
    if not results and file is None:
        raise FormError("no results; type some, as in K=9.8 Ca=1.1, or give --file")
    form: dict[str, Any] = form_from_file(connection, file) if file is not None else {"results": []}
    if results:
        form["results"] = [*form["results"], *form_from_words(results)["results"]]
    if units is not None:
        if units not in ("si", "conventional"):
            raise FormError(f"--units: '{units}' is neither si nor conventional")
        form["units"] = units
    form.update({field: value for field, value in (("material", material), ("age_group", age)) if value is not None})
    for option, typed in (("hours", hours), ("temperature", temperature)):
        if typed is not None:
            form[_NUMBERS[option]] = number_typed(f"--{option}", typed)
    if haematocrit is not None:
        form["facts"] = {**form.get("facts", {}), "haematocrit": number_typed("--haematocrit", haematocrit)}
    for field, listed in (("tubes_drawn", tubes), ("infusions", infusions)):
        if listed is not None:
            form[field] = [part.strip() for part in listed.split(",") if part.strip()]
    return explain(connection, form)
