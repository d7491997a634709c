"""What a person or a program sends in as JSON: read, and checked against its JSON Schema."""

from __future__ import annotations

import json
import math
import sys
from functools import cache
from typing import Any

from kg import paths
from kg.problem import FormError as FormError

_LONGEST = 5_000_000
_DEEPEST = 40


def read_form(place: str, schema: str) -> dict[str, Any]:
    """Read a JSON file, or standard input when the place is ``-``, and check it.

    Args:
        place: the path of the file, or ``-``.
        schema: the name of the schema in ``queries/schemas``, without ``.json``.

    Returns:
        the form as plain dictionaries and lists.

    Raises:
        FormError: the file cannot be read, is not JSON or does not fit the schema.
    """
    return check_form(parse_json(read_text(place), place), schema, place)


def read_text(place: str) -> str:
    """Return the text of a file, or of standard input when the place is ``-``.

    Raises:
        FormError: there is no such file, it is too long or it is not UTF-8.
    """
    try:
        if place == "-":
            text = sys.stdin.read(_LONGEST + 1)
        else:
            with open(place, encoding="utf-8-sig", newline="") as file:
                text = file.read(_LONGEST + 1)
    except OSError as error:
        raise FormError(f"{place}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise FormError(f"{place}: byte {error.start + 1} is not UTF-8; save the file as UTF-8") from error
    if len(text) > _LONGEST:
        raise FormError(f"{place}: longer than {_LONGEST:,} characters; send it in parts")
    return text


def parse_json(text: str, where: str) -> Any:
    """Return what JSON text says, refusing what JSON does not allow.

    Args:
        text: the JSON.
        where: the file's name for messages.

    Raises:
        FormError: not JSON, a name given twice in one object, or a number that is none.
    """
    try:
        return json.loads(text, object_pairs_hook=_once, parse_constant=_no_constant)
    except json.JSONDecodeError as error:
        raise FormError(f"{where}:{error.lineno}: not JSON at column {error.colno}: {error.msg}") from error
    except (ValueError, RecursionError) as error:
        raise FormError(f"{where}: {error}") from error


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in pairs:
        if name in found:
            raise ValueError(f"'{name}' is given twice in one object; keep one")
        found[name] = value
    return found


def _no_constant(name: str) -> None:
    raise ValueError(f"{name} is not a number; leave the field out where nothing is known")


def check_form(form: Any, schema: str, where: str) -> dict[str, Any]:
    """Check a form against its schema.

    Args:
        form: plain dictionaries and lists.
        schema: the name of the schema in ``queries/schemas``, without ``.json``.
        where: what to call the form in messages: its file, or ``the input``.

    Returns:
        the form itself.

    Raises:
        FormError: the first thing that does not fit, with the name of its field.
    """
    from fastjsonschema import JsonSchemaValueException

    if _depth(form) > _DEEPEST:
        raise FormError(f"{where}: nested more than {_DEEPEST} deep; see queries/schemas/{schema}.json")
    try:
        _validator(schema)(form)
    except JsonSchemaValueException as error:
        name = error.name or ""
        field = name.removeprefix("data").lstrip(".") or "the whole form"
        what = error.message.removeprefix(name).strip()
        raise FormError(f"{where}: {field}: {what}; see queries/schemas/{schema}.json") from error
    checked: dict[str, Any] = form
    return checked


def number_typed(field: str, text: str, hint: str = "") -> float | int:
    """Return a number as it was typed, a whole one as an integer.

    Args:
        field: what to call it in messages.
        text: as typed.
        hint: what would be right, for the message.

    Raises:
        FormError: it is none; names the field.
    """
    try:
        value = float(text)
    except ValueError as error:
        raise FormError(f"{field}: '{text}' is not a number{f'; {hint}' if hint else ''}") from error
    if not math.isfinite(value):
        raise FormError(f"{field}: '{text}' is not a number; leave it out where nothing is known")
    return int(value) if value.is_integer() else value


def schema_of(name: str) -> dict[str, Any]:
    """Return the JSON Schema of that name."""
    with open(paths.resource("queries", "schemas", f"{name}.json"), encoding="utf-8") as file:
        found: dict[str, Any] = json.load(file)
    return found


@cache
def _validator(name: str) -> Any:
    import fastjsonschema

    return fastjsonschema.compile(schema_of(name), use_default=False)


def _depth(value: Any, depth: int = 0) -> int:
    if depth > _DEEPEST or not isinstance(value, dict | list):
        return depth
    parts = value.values() if isinstance(value, dict) else value
    return max((_depth(part, depth + 1) for part in parts), default=depth)
