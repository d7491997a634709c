"""Ids that were released once stay, or are replaced: never deleted, never used for something else.

``python -m kg.released`` writes the list of the present facts; it is run when a data version is released.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from kg import paths
from kg.problem import Problem
from kg.tables import Row

_NAME = "released-ids.csv"


def check(rows: Mapping[str, Sequence[Row]], ontology: Path) -> list[Problem]:
    """Compare the present ids with those of the last release.

    Args:
        rows: all rows by table.
        ontology: the folder that holds the list of released ids.

    Returns:
        a problem for each id that is gone without a replacement, or that names something of another table;
        none when nothing was released yet.
    """
    path = ontology / _NAME
    if not path.exists():
        return []
    present = {row.id: name for name, table_rows in rows.items() for row in table_rows}
    replaced = {row.id: str(row.values["replaced_by"] or "") for row in rows.get("deprecated", ())}
    problems = []
    with path.open(encoding="utf-8", newline="") as file:
        for line, row in enumerate(csv.DictReader(file), 2):
            now = present.get(row["id"])
            if now is None and row["id"] not in replaced:
                problems.append(Problem(_NAME, line, "id", f"the released id '{row['id']}' of {row['table']}.csv is gone",
                                        "keep it, or name its replacement in deprecated.csv"))
            elif now not in (None, row["table"], "deprecated"):
                problems.append(Problem(_NAME, line, "id", f"the released id '{row['id']}' of {row['table']}.csv is now in {now}.csv",
                                        "give the new thing an id of its own"))
    for old, new in replaced.items():
        if new and new not in present:
            problems.append(Problem("deprecated.csv", 0, "replaced_by", f"'{old}' is replaced by '{new}', which is unknown",
                                    "name an id that exists"))
    return problems


def main() -> int:
    """Write the list of ids of the shipped facts."""
    from kg.tables import load_tables, read_rows

    ontology = Path(paths.resource("ontology"))
    ids = []
    for table in load_tables(ontology / "facts"):
        if table.name not in ("deprecated", "left_out"):
            ids += [(row.id, table.name) for row in read_rows(table)[0]]
    with (ontology / _NAME).open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("id", "table"))
        writer.writerows(sorted(ids))
    print(f"{len(ids)} ids written to {ontology / _NAME}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
