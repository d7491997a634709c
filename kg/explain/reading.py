"""Results as people and machines hand them over: words of a command line, CSV, JSON, FHIR; each gives a form."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
from collections.abc import Sequence
from typing import Any

from kg.forms import FormError, check_form, parse_json, read_text

SCHEMA = "explain-input"
_NUMBER = r"[+-]?(?:\d+(?:\.\d+)?|\.\d+)(?:[eE][+-]?\d+(?!\d*\s*/))?"
_WORD = re.compile(r"\s*([^=<>]*[^=<>:\s])\s*(<=|>=|=\s*[<>]|[=<>]|:\s)\s*(.*?)\s*", re.DOTALL)
_GLUED = re.compile(rf"({_NUMBER})\s*(10[*^]\d.*)", re.DOTALL)
"""A count with its power of ten, the blank between them forgotten or not: ``8.2 10*9/L``."""
_FIGURE = re.compile(rf"({_NUMBER})(?:\s+(\S.*)|([^\d\s.,].*))?", re.DOTALL)
_SIGNS = {"": "", "=": "", "<": "<", ">": ">", "<=": "<", ">=": ">"}
_COLUMNS = ("analyte", "value", "unit", "comparator", "hours_before")


def form_from_words(words: Sequence[str]) -> dict[str, Any]:
    """Return the form that words of a command line give.

    Args:
        words: each a result, as ``K=9.8``, ``Ca = 1.1 mmol/L``, ``K>10``, ``ALP<5U/L`` or ``potassium 9.8 mmol/L``.

    Returns:
        a form with its results.

    Raises:
        FormError: there is no word, or one is not a result; the message repeats it.
    """
    if not words:
        raise FormError("no result was given; write them as NAME=VALUE, e.g. K=9.8 Ca=1.1mmol/L Na=139")
    return {"results": [_from_word(word) for word in words]}


def _from_word(word: str) -> dict[str, Any]:
    typed = " ".join(word.split())
    name, sign, figure = _parts(typed)
    if not name or not figure:
        raise FormError(f"'{typed}' is not a result; write NAME=VALUE, e.g. K=9.8, Ca=1.1mmol/L or K>10, and put what has blanks "
                        "in quotes")
    match = _GLUED.fullmatch(figure) or _FIGURE.fullmatch(figure)
    if not match:
        raise FormError(f"{typed}: '{figure}' is not a number; write 4.5 with a point, thousands without a mark, and the unit after it")
    return {"analyte": name, "value": float(match[1]), "unit": next(filter(None, match.groups()[1:]), ""), "comparator": _SIGNS.get(sign, ""),
            "typed": typed}


def _parts(word: str) -> tuple[str, str, str]:
    """Return name, sign and the rest; without a sign the first number after a blank ends the name."""
    match = _WORD.fullmatch(word)
    if match:
        return match[1].strip(), match[2].replace("=", "").strip(), match[3]
    parts = word.split()
    for place, part in enumerate(parts[1:], 1):
        if _FIGURE.fullmatch(part):
            return " ".join(parts[:place]), "", " ".join(parts[place:])
    return "", "", ""


def form_from_csv(text: str, place: str) -> tuple[dict[str, Any], list[str]]:
    """Return the form that a CSV table gives, one result a row, and the rows that could not be read.

    Args:
        text: with a header that names at least ``analyte`` and ``value``; ``unit``, ``comparator`` and
            ``hours_before`` (of an earlier specimen) may follow. Other columns are not read.
        place: the name of the file, for messages.

    Returns:
        the form, in which results that cannot be understood are left out and listed rather than refused,
        and the rows left out, each with its number as a text editor counts it and the reason.

    Raises:
        FormError: the header lacks a column, or no row can be read.
    """
    lines = csv.reader(io.StringIO(text.removeprefix("\ufeff")), delimiter=_delimiter(text))
    rejects: list[str] = []
    results: list[dict[str, Any]] = []
    previous: list[dict[str, Any]] = []
    try:
        header = [name.strip().casefold() for name in next(lines, [])]
        for column in ("analyte", "value"):
            if header.count(column) != 1:
                raise FormError(f"{place}:1: the header must name the column '{column}' once; it may have {', '.join(_COLUMNS)}")
        for cells in lines:
            row = {name: cell.strip() for name, cell in zip(header, cells, strict=False)}
            if not any(row.values()):
                continue
            try:
                given = _from_row(row, f"{place}:{lines.line_num}")
            except FormError as error:
                rejects.append(str(error))
            else:
                (previous if "hours_before" in given else results).append(given)
    except csv.Error as error:
        raise FormError(f"{place}:{lines.line_num}: not CSV: {error}") from error
    if not results:
        listed = f"; {'; '.join(rejects[:5])}" if rejects else ""
        raise FormError(f"{place}: no row gives a result of the present specimen{listed}")
    form: dict[str, Any] = {"results": results, "partial": True}
    return ({**form, "previous": previous} if previous else form), rejects


def _delimiter(text: str) -> str:
    """Return the mark between cells: the commonest of three in the header."""
    header = text.lstrip("\ufeff").split("\n", 1)[0]
    return max(",;\t", key=header.count)


def _from_row(row: dict[str, str], where: str) -> dict[str, Any]:
    if not row.get("analyte"):
        raise FormError(f"{where}: analyte: empty; name what was measured")
    match = re.fullmatch(rf"([<>]=?)?\s*({_NUMBER})", row.get("value", ""))
    if not match:
        raise FormError(f"{where}: value: '{row.get('value', '')}' is not a number; write 4.5 with a point, or <0.5 beyond what is measured")
    sign = row.get("comparator", "")
    if sign not in _SIGNS:
        raise FormError(f"{where}: comparator: '{sign}' is none; write < or >, or leave it empty")
    given: dict[str, Any] = {"analyte": row["analyte"], "value": float(match[2]), "unit": row.get("unit", ""),
                             "comparator": _SIGNS.get(match[1] or sign, "")}
    figure = f"{given['comparator'] or '='}{match[2]}{given['unit']}"
    given["typed"] = f"{where}: {row['analyte']}{figure}"[:300]
    if row.get("hours_before"):
        if not re.fullmatch(_NUMBER, row["hours_before"]):
            raise FormError(f"{where}: hours_before: '{row['hours_before']}' is not a number of hours")
        given["hours_before"] = float(row["hours_before"])
        if given["hours_before"] == 0:
            del given["hours_before"]
    return given


def form_from_file(connection: sqlite3.Connection, place: str) -> dict[str, Any]:
    """Return the form in a file of whatever kind: JSON of our own, a FHIR bundle or observation, or CSV.

    Args:
        connection: the database.
        place: the path of the file, or ``-`` for standard input.

    Returns:
        the form; what could not be read of a CSV or FHIR file is in its ``unread``.

    Raises:
        FormError: the file cannot be read or is none of these.
    """
    text = read_text(place)
    if not text.strip():
        raise FormError(f"{place}: empty; expected JSON, a FHIR bundle or CSV with the columns {', '.join(_COLUMNS)}")
    if text.lstrip()[:1] not in "{[":
        form, rejects = form_from_csv(text, place)
        return {**form, "unread": rejects} if rejects else form
    return form_from_json(connection, parse_json(text, place), place)


def form_from_json(connection: sqlite3.Connection, given: Any, place: str) -> dict[str, Any]:
    """Return the form that parsed JSON is, or that it gives when it is FHIR, as its ``resourceType`` says.

    Raises:
        FormError: it fits neither.
    """
    if isinstance(given, dict) and "resourceType" in given:
        from kg.explain.fhir import form_from_fhir

        form, rejects = form_from_fhir(connection, given, place)
        return {**form, "unread": rejects} if rejects else form
    return check_form(given, SCHEMA, place)
