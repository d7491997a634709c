"""A specimen and the tests wanted, typed on the command line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from kg.forms import FormError, number_typed, read_form

LIKE = {"haematocrit": "write such as 0.55", "volume_ul": "write such as 300", "volume_ml": "write such as 300", "priority": "write such as 300"}
"""What would be right, by field."""


def form_typed(file: str | None, schema: str, tests: Sequence[str], texts: Mapping[str, str | None], numbers: Mapping[str, str | None]) -> dict[str, Any]:
    """Return the form that words mean; what is typed beside a file takes the place of what the file says.

    Args:
        file: a JSON file of the form, or ``-`` for standard input; None when there is none.
        schema: the name of the schema of the form.
        tests: tests as typed.
        texts: fields that are words, None where nothing was typed.
        numbers: fields that are numbers, as typed.

    Raises:
        FormError: a word cannot be used, or no test is named.
    """
    form: dict[str, Any] = read_form(file, schema) if file else {}
    form.update({name: text for name, text in texts.items() if text is not None})
    form.update({name: number_typed(name, text, LIKE[name]) for name, text in numbers.items() if text is not None})
    if tests:
        form["tests"] = list(tests)
    if "tests" not in form:
        raise FormError("tests: missing; name the tests that are wanted")
    return form
