"""Mappings to outside codes, kept as SSSOM tables in ``ontology/mappings``."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection
from pathlib import Path

from kg import terms
from kg.problem import Problem

Mapping = tuple[str, str, str, str, str, str]
"""Subject id, predicate, system, code, display and basis."""

_COLUMNS = ("subject_id", "predicate_id", "object_id", "mapping_justification")


def read_mappings(path: Path, known: Collection[str]) -> tuple[list[Mapping], list[Problem]]:
    """Read one SSSOM table.

    Args:
        path: the table; lines that start with ``#`` are its metadata.
        known: the ids of the knowledge base.

    Returns:
        the mappings, and a problem for each row that is not one.
    """
    where = path.name
    try:
        lines = io.StringIO(path.read_bytes().decode("utf-8"), newline=None).read().split("\n")
    except UnicodeDecodeError as error:
        place = error.object.count(b"\n", 0, error.start) + 1
        return [], [Problem(where, place, "", f"byte {error.object[error.start]:#04x} is not UTF-8", "save the file as UTF-8")]
    body = [(number, line) for number, line in enumerate(lines, 1) if line and not line.startswith("#")]
    try:
        table = [next(csv.reader([line], delimiter="\t")) for _, line in body]
    except csv.Error as error:
        return [], [Problem(where, 0, "", f"a row cannot be split into cells ({error})", "separate cells by tabs")]
    header = table[0] if table else []
    missing = [name for name in _COLUMNS if name not in header]
    if missing:
        return [], [Problem(where, 0, "", f"the columns {', '.join(missing)} are missing", "SSSOM asks for them")]
    mappings: dict[tuple[str, ...], Mapping] = {}
    problems = []
    for (number, _), cells in zip(body[1:], table[1:], strict=True):
        if len(cells) != len(header):
            what = f"the row has {len(cells)} cells where the header has {len(header)}"
            problems.append(Problem(where, number, "", what, "separate cells by tabs and keep the empty ones"))
            continue
        row = dict(zip(header, cells, strict=True))
        subject = row["subject_id"].removeprefix("tubelore:").removeprefix(terms.ID)
        prefix, _, code = row["object_id"].partition(":")
        system = "LOINC" if prefix == "loinc" else prefix
        if subject not in known:
            problems.append(Problem(where, number, "subject_id", f"'{subject}' is unknown", "use an id of the facts"))
        elif not code:
            what = f"'{row['object_id']}' has no prefix"
            problems.append(Problem(where, number, "object_id", what, "write it as loinc:2823-3"))
        else:
            said = (row.get("comment") or "").split()
            basis = next((word for word in ("read", "abstract", "memory", "practice") if word in said), "")
            predicate = row["predicate_id"].rpartition(":")[2]
            key = (subject, predicate, system, code)
            if key in mappings:
                problems.append(Problem(where, number, "object_id", f"{subject} is matched with {row['object_id']} already",
                                        "keep one of the rows"))
            mappings[key] = (subject, predicate, system, code, row.get("object_label") or "", basis)
    return list(mappings.values()), problems
