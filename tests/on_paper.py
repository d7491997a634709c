"""The fact tables as they lie on paper: plain CSV rows, read without any code of the project."""

from __future__ import annotations

import csv
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
FACTS = ROOT / "ontology" / "facts"
MAPPINGS = ROOT / "ontology" / "mappings"


def table(name: str) -> list[dict[str, str]]:
    """Return the rows of ``ontology/facts/NAME.csv``."""
    with (FACTS / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def by_id(name: str) -> dict[str, dict[str, str]]:
    """Return the rows of a fact table by their id."""
    return {row["id"]: row for row in table(name)}


def listed(cell: str) -> list[str]:
    """Return the parts of a list cell."""
    return cell.split(";") if cell else []


def mappings(name: str) -> list[dict[str, str]]:
    """Return the rows of ``ontology/mappings/NAME.sssom.tsv`` without its commented head."""
    with (MAPPINGS / f"{name}.sssom.tsv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader((line for line in file if not line.startswith("#")), delimiter="\t"))


def words(text: str) -> set[str]:
    """Return the words of a text."""
    return set(text.split())


def equilibrium_counts() -> dict[str, dict[str, int]]:
    """Return how many of each component a product of ``equilibrium_constants.csv`` is formed of; hydrons given off count below 0."""
    term = re.compile(r"(-?) ?(?:(\d) )?([a-z][\w.-]+)")
    return {row["product"]: {name: int(sign + (count or "1")) for sign, count, name in term.findall(row["reaction"].replace("+ ", ""))}
            for row in table("equilibrium_constants")}
