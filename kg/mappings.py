"""Mappings to outside codes, kept as SSSOM tables in ``ontology/mappings``."""

from __future__ import annotations

import csv
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
    lines = path.read_text(encoding="utf-8").splitlines()
    body = [(number, line) for number, line in enumerate(lines, 1) if not line.startswith("#")]
    reader = csv.DictReader((line for _, line in body), delimiter="\t")
    missing = [name for name in _COLUMNS if name not in (reader.fieldnames or ())]
    if missing:
        return [], [Problem(where, 0, "", f"the columns {', '.join(missing)} are missing", "SSSOM asks for them")]
    mappings: list[Mapping] = []
    problems = []
    for (number, _), row in zip(body[1:], reader, strict=False):
        subject = row["subject_id"].removeprefix("tubelore:").removeprefix(terms.ID)
        system, _, code = row["object_id"].partition(":")
        if subject not in known:
            problems.append(Problem(where, number, "subject_id", f"'{subject}' is unknown", "use an id of the facts"))
        elif not code:
            problems.append(Problem(where, number, "object_id", f"'{row['object_id']}' has no prefix", "write it as LOINC:2823-3"))
        else:
            basis = next((word for word in ("read", "abstract", "memory", "practice") if word in (row.get("comment") or "").split()), "")
            predicate = row["predicate_id"].rpartition(":")[2]
            mappings.append((subject, predicate, system, code, row.get("object_label") or "", basis))
    return list(dict.fromkeys(mappings)), problems
