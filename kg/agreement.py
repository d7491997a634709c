"""What is published against what the rules derive: confirmed, asserted only, derived only, contradicted."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

CHEMICAL_MECHANISMS = ("chelation", "cation-contamination", "enzyme-inhibition", "cofactor-removal", "dilution")

# A derived effect speaks to a published one when their causes are the same or one is broader than the
# other, and likewise their analytes.
_PAIRS = """
CREATE TEMP TABLE pair AS
SELECT DISTINCT a.id AS published, d.id AS derived,
       CASE a.direction WHEN 'unmeasurable' THEN 'decrease' ELSE a.direction END AS says,
       d.direction AS follows
FROM effect a
JOIN (SELECT narrower AS one, broader AS other FROM closure
      UNION SELECT broader, narrower FROM closure) cause ON cause.one = a.cause
JOIN (SELECT narrower AS one, broader AS other FROM closure
      UNION SELECT broader, narrower FROM closure) analyte ON analyte.one = a.analyte
JOIN effect d ON d.status = 'derived' AND d.cause = cause.other AND d.analyte = analyte.other
WHERE a.status = 'asserted' AND a.direction <> 'variable'
"""
_MARK = """
UPDATE effect SET agreement = CASE
  WHEN status = 'asserted' AND direction = 'variable' THEN 'asserted-only'
  WHEN status = 'asserted' AND id IN (SELECT published FROM pair WHERE says = follows) THEN 'confirmed'
  WHEN status = 'asserted' AND id IN (SELECT published FROM pair) THEN 'contradicted'
  WHEN status = 'asserted' THEN 'asserted-only'
  WHEN id IN (SELECT derived FROM pair WHERE says = follows) THEN 'confirmed'
  WHEN id IN (SELECT derived FROM pair) THEN 'contradicted'
  ELSE 'derived-only' END
"""
_EXPLAIN = """
INSERT INTO contradiction (effect, explanation)
SELECT e.id, x.id FROM effect e LEFT JOIN contradictions x
  ON (x.cause IS NULL OR EXISTS (SELECT 1 FROM closure c WHERE c.narrower = e.cause AND c.broader = x.cause))
 AND (x.analyte IS NULL OR EXISTS (SELECT 1 FROM closure c WHERE c.narrower = e.analyte AND c.broader = x.analyte))
 AND (x.published IS NULL OR x.published = e.direction)
 AND (x.mechanism IS NULL OR EXISTS (SELECT 1 FROM pair p JOIN effect d ON d.id = p.derived
                                     WHERE p.published = e.id AND d.mechanism = x.mechanism))
WHERE e.status = 'asserted' AND e.agreement = 'contradicted'
"""


class Share(NamedTuple):
    """How many of the published directional effects of tube additives through chemistry are derived."""

    derived: int
    published: int


def compare(connection: sqlite3.Connection) -> None:
    """Mark each effect with its agreement and list the contradictions with their explanations."""
    connection.execute("CREATE INDEX temp_effect ON effect(cause, analyte, status)")
    connection.execute(_PAIRS)
    connection.execute(_MARK)
    connection.execute(_EXPLAIN)
    connection.execute("DROP TABLE pair")
    connection.execute("DROP INDEX temp_effect")


def chemical_share(connection: sqlite3.Connection) -> Share:
    """Count the published directional effects of additives through the five chemical mechanisms."""
    marks = ", ".join("?" * len(CHEMICAL_MECHANISMS))
    derived, published = connection.execute(
        f"SELECT coalesce(sum(agreement = 'confirmed'), 0), count(*) FROM effect JOIN additives ON additives.id = cause "
        f"WHERE status = 'asserted' AND mechanism IN ({marks}) AND direction IN ('increase', 'decrease', 'unmeasurable')",
        CHEMICAL_MECHANISMS,
    ).fetchone()
    return Share(derived, published)
