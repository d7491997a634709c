"""What is published against what the rules derive: confirmed, contradicted, on one side only, or for some kinds only."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from kg.problem import Problem

CHEMICAL_MECHANISMS = ("chelation", "cation-contamination", "enzyme-inhibition", "cofactor-removal", "dilution")

# A derived effect speaks to a published one when one's analyte is the other's or broader, and likewise their causes.
# It speaks to the whole of the published one when its cause is the same or broader: what holds for K3EDTA only
# (it is liquid and dilutes) says nothing against a finding on EDTA whose salt was not told. What may go either way
# confirms nothing and goes against nothing. A published "cannot be measured" agrees with a derived fall, but not the
# other way round: a fall that was measured is less than what the rule says.
_PAIRS = """
CREATE TEMP TABLE pair AS
SELECT DISTINCT a.id AS published, d.id AS derived,
       a.direction = d.direction OR (a.direction = 'unmeasurable' AND d.direction = 'decrease') AS agrees, cause.whole
FROM effect a
JOIN (SELECT narrower AS one, broader AS other, 1 AS whole FROM closure
      UNION ALL SELECT broader, narrower, 0 FROM closure WHERE distance > 0) cause ON cause.one = a.cause
JOIN (SELECT narrower AS one, broader AS other FROM closure
      UNION SELECT broader, narrower FROM closure) analyte ON analyte.one = a.analyte
JOIN effect d ON d.status = 'derived' AND d.cause = cause.other AND d.analyte = analyte.other
WHERE a.status = 'asserted' AND a.direction <> 'variable' AND d.direction <> 'variable'
"""
_MARK_PUBLISHED = """
UPDATE effect SET agreement = CASE
  WHEN id IN (SELECT published FROM pair WHERE whole AND agrees) THEN 'confirmed'
  WHEN id IN (SELECT published FROM pair WHERE whole) THEN 'contradicted'
  WHEN id IN (SELECT published FROM pair WHERE agrees) THEN 'some-kinds'
  ELSE 'asserted-only' END
WHERE status = 'asserted'
"""
_MARK_DERIVED = """
UPDATE effect SET agreement = CASE
  WHEN id IN (SELECT p.derived FROM pair p JOIN effect a ON a.id = p.published
              WHERE p.agrees AND (p.whole OR a.agreement = 'confirmed')) THEN 'confirmed'
  WHEN id IN (SELECT p.derived FROM pair p JOIN effect a ON a.id = p.published
              WHERE NOT p.agrees AND (p.whole OR a.agreement = 'contradicted')) THEN 'contradicted'
  WHEN id IN (SELECT derived FROM pair WHERE agrees) THEN 'some-kinds'
  ELSE 'derived-only' END
WHERE status = 'derived'
"""
_EXPLAIN = """
INSERT INTO contradiction (effect, explanation)
SELECT e.id, x.id FROM effect e LEFT JOIN contradictions x
  ON (x.cause IS NULL OR EXISTS (SELECT 1 FROM closure c WHERE c.narrower = e.cause AND c.broader = x.cause))
 AND (x.analyte IS NULL OR EXISTS (SELECT 1 FROM closure c WHERE c.narrower = e.analyte AND c.broader = x.analyte))
 AND (x.published IS NULL OR x.published = e.direction)
 AND (x.mechanism IS NULL OR EXISTS (SELECT 1 FROM pair p JOIN effect d ON d.id = p.derived
                                     WHERE p.published = e.id AND p.whole AND d.mechanism = x.mechanism))
WHERE e.status = 'asserted' AND e.agreement = 'contradicted'
"""
_IDLE = """
SELECT f.id, f.row FROM fact f WHERE f.table_name = 'contradictions'
  AND f.id NOT IN (SELECT explanation FROM contradiction WHERE explanation IS NOT NULL) ORDER BY f.row
"""


class Share(NamedTuple):
    """How many of the published directional effects of tube additives through chemistry are derived."""

    derived: int
    published: int


def compare(connection: sqlite3.Connection) -> list[Problem]:
    """Mark each effect with its agreement and list the contradictions with their explanations.

    The marks are ``confirmed``, ``contradicted``, ``asserted-only`` and ``derived-only``, and ``some-kinds`` where the
    published and the derived effect agree, but the rule speaks of a narrower cause than the publication.

    Returns:
        a problem for each row of ``contradictions.csv`` that explains nothing.
    """
    connection.execute("CREATE INDEX temp_effect ON effect(cause, analyte, status)")
    connection.execute(_PAIRS)
    connection.execute(_MARK_PUBLISHED)
    connection.execute(_MARK_DERIVED)
    connection.execute(_EXPLAIN)
    connection.execute("DROP TABLE pair")
    connection.execute("DROP INDEX temp_effect")
    return [Problem("contradictions.csv", row, "id", f"'{explanation}' explains no contradiction between published and derived",
                    "correct cause, analyte, mechanism or published, or move the id to deprecated.csv")
            for explanation, row in connection.execute(_IDLE)]


def chemical_share(connection: sqlite3.Connection) -> Share:
    """Count the published directional effects of additives through the five chemical mechanisms."""
    marks = ", ".join("?" * len(CHEMICAL_MECHANISMS))
    derived, published = connection.execute(
        f"SELECT coalesce(sum(agreement = 'confirmed'), 0), count(*) FROM effect JOIN additives ON additives.id = cause "
        f"WHERE status = 'asserted' AND mechanism IN ({marks}) AND direction IN ('increase', 'decrease', 'unmeasurable')",
        CHEMICAL_MECHANISMS,
    ).fetchone()
    return Share(derived, published)
