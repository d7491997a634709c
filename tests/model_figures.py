"""The figures of the model as they lie on paper, for tests that need no database."""

from __future__ import annotations

from kg.chemistry.parameters import Parameter, Parameters
from tests.on_paper import table


def _number(cell: str) -> float | None:
    return float(cell) if cell else None


def figures() -> Parameters:
    """Return the rows of ``ontology/facts/model_parameters.csv``."""
    return Parameters(
        Parameter(row["id"], row["model"], row["parameter"], row["analyte"] or row["species"], row["condition"], float(row["value"]),
                  _number(row["low"]), _number(row["high"]), row["unit"], row["source"], row["locator"], row["basis"])
        for row in table("model_parameters"))
