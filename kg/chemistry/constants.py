"""The constants of the speciation, read from the built database or from the fact tables on paper.

Each row of ``equilibrium_constants`` is one formation reaction, written over free ions and ligands:
``calcium-ion + edta-4minus + hydron``. Components are what a caller gives a total for. A protein with
several classes of sites becomes one component for each class, named ``albumin-protein*12`` after the number
of equal and independent sites that one molecule has; rows with the same number compete for the same sites.
"""

from __future__ import annotations

import csv
import re
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kg.database import rows as query
from kg.problem import TubeloreError

Array = NDArray[np.float64]

HYDRON = "hydron"
PHASES = ("dissolved", "site", "solid")
_TERM = re.compile(r"(?:(?P<sign>[+-]) )?(?:(?P<count>[1-9]) )?(?P<species>[a-z][a-z0-9.-]*)(?: |$)")


class ChemistryError(TubeloreError):
    """A quantity, or a constant, with which nothing sensible can be computed."""


@dataclass(frozen=True)
class Reactions:
    """Formation reactions side by side; the arrays have one row or entry for each product.

    ``counts`` has a column for each component. A constant of unknown temperature or ionic strength, or of unknown
    enthalpy, has ``nan`` there and is used as it stands.
    """

    products: tuple[str, ...]
    counts: Array
    hydrons: Array
    charge: Array
    log10_k: Array
    ionic_strength: Array
    temperature: Array
    enthalpy: Array
    """kJ/mol"""
    phase: NDArray[np.str_]

    def __len__(self) -> int:
        """Return the number of reactions."""
        return len(self.products)

    def only(self, chosen: NDArray[np.bool_], components: NDArray[np.bool_]) -> Reactions:
        """Return some of the reactions, with the columns of some of the components."""
        products = tuple(name for name, keep in zip(self.products, chosen, strict=True) if keep)
        return Reactions(products, self.counts[np.ix_(chosen, components)], self.hydrons[chosen], self.charge[chosen],
                         self.log10_k[chosen], self.ionic_strength[chosen], self.temperature[chosen], self.enthalpy[chosen],
                         self.phase[chosen])


@dataclass(frozen=True)
class Constants:
    """All components and reactions that the solver knows."""

    components: tuple[str, ...]
    charge: Array
    """Charge of each component; 0 for sites of a protein, whose constants hold as they stand."""
    species: tuple[str, ...]
    """The species that a caller gives a total of, for each component."""
    sites: Array
    """How many of the component one molecule of its species brings."""
    dissolved: Reactions
    solids: Reactions

    @classmethod
    def from_database(cls, connection: sqlite3.Connection) -> Constants:
        """Read the constants of the built database.

        Args:
            connection: as returned by ``kg.database.open_database``.

        Raises:
            ChemistryError: a row cannot be used.
        """
        charges = {row["id"]: row["charge"] for row in query(connection, "charges")}
        return cls.from_rows([dict(row) for row in query(connection, "equilibrium_constants")], charges)

    @classmethod
    def from_files(cls, facts: Path) -> Constants:
        """Read the constants of the fact tables ``equilibrium_constants.csv`` and ``species.csv`` in a folder.

        Raises:
            ChemistryError: a row cannot be used.
        """
        with (facts / "species.csv").open(encoding="utf-8", newline="") as file:
            charges = {row["id"]: int(row["charge"]) for row in csv.DictReader(file) if row["charge"]}
        with (facts / "equilibrium_constants.csv").open(encoding="utf-8", newline="") as file:
            return cls.from_rows(list(csv.DictReader(file)), charges)

    @classmethod
    def from_rows(cls, rows: Iterable[Mapping[str, Any]], charges: Mapping[str, int]) -> Constants:
        """Build the constants from rows with the columns of the table.

        Args:
            rows: ``product``, ``phase``, ``reaction``, ``sites``, ``log10_k``, ``ionic_strength``, ``temperature``, ``enthalpy``.
            charges: the charge of each ion and ligand by its id.

        Raises:
            ChemistryError: a row cannot be used; the message names the product.
        """
        rows = list(rows)
        read = [_terms(row) for row in rows]
        names = sorted({name for terms in read for name in terms} - {HYDRON})
        species = tuple(name.split("*")[0] for name in names)
        sites = np.array([float(name.split("*")[1]) if "*" in name else 1.0 for name in names])
        charge = np.array([_charge(name, charges) for name in names])
        parts = []
        for phases in (("dissolved", "site"), ("solid",)):
            chosen = [(row, terms) for row, terms in zip(rows, read, strict=True) if row["phase"] in phases]
            parts.append(_reactions(chosen, names, charge))
        return cls(tuple(names), charge, species, sites, parts[0], parts[1])


def _terms(row: Mapping[str, Any]) -> dict[str, int]:
    """Read the reaction of a row as component -> number, sites of a protein by their class."""
    product, text, sites = row["product"], row["reaction"], row["sites"]
    if row["phase"] not in PHASES:
        raise ChemistryError(f"{product}: the phase '{row['phase']}' is not one of {', '.join(PHASES)}")
    if (row["phase"] == "site") != bool(sites):
        raise ChemistryError(f"{product}: a site needs its number per molecule, and nothing else has one")
    terms: dict[str, int] = {}
    position = 0
    while position < len(text):
        found = _TERM.match(text, position)
        if not found or found["species"] in terms or (found["sign"] is None) != (position == 0):
            raise ChemistryError(f"{product}: the reaction '{text}' cannot be read at '{text[position:]}'")
        terms[found["species"]] = (-1 if found["sign"] == "-" else 1) * int(found["count"] or 1)
        position = found.end()
    if any(count < 0 for name, count in terms.items() if name != HYDRON) or set(terms) <= {HYDRON}:
        raise ChemistryError(f"{product}: the reaction '{text}' must be written as formed from its components")
    return {f"{name}*{sites}" if name.endswith("-protein") else name: count for name, count in terms.items()}


def _charge(name: str, charges: Mapping[str, int]) -> float:
    if "*" in name:
        return 0.0
    if name not in charges:
        raise ChemistryError(f"{name}: its charge is not known, so its activity coefficient is not either")
    return float(charges[name])


def _number(value: Any) -> float:
    return float("nan") if value is None or value == "" else float(value)


def _reactions(chosen: list[tuple[Mapping[str, Any], dict[str, int]]], names: list[str], charge: Array) -> Reactions:
    rows = [row for row, _ in chosen]
    counts = np.array([[terms.get(name, 0) for name in names] for _, terms in chosen], dtype=float).reshape(len(rows), len(names))
    hydrons = np.array([terms.get(HYDRON, 0) for _, terms in chosen], dtype=float)

    def column(name: str) -> Array:
        return np.array([_number(row[name]) for row in rows], dtype=float)

    return Reactions(tuple(row["product"] for row in rows), counts, hydrons, counts @ charge + hydrons, column("log10_k"),
                     column("ionic_strength"), column("temperature"), column("enthalpy"),
                     np.array([row["phase"] for row in rows], dtype=np.str_))
