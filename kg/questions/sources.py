"""sources [SOURCE]: where the facts come from, which facts rest on one source, or which sources speak of a term."""

from __future__ import annotations

import sqlite3

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.about import KINDS
from kg.questions.common import understood
from kg.wording import fold


def sources(connection: sqlite3.Connection, source: str | None = None) -> Answer:
    """List all sources, all facts of one, or all sources that speak of a term.

    Args:
        connection: the database.
        source: the id of a source, or any term.

    Raises:
        UnknownName, AmbiguousName: it is neither.
    """
    listed = rows(connection, "sources_used")
    if source is None:
        bases = connection.execute("SELECT basis, count(*) AS n FROM fact WHERE basis IS NOT NULL GROUP BY basis ORDER BY n DESC").fetchall()
        total = sum(row["n"] for row in bases)
        sections = (
            Section("How the facts are known", tuple(Item(f"{r['basis']}: {r['n']} ({100 * r['n'] / total:.0f} %)", {"basis": r["basis"], "facts": r["n"]}) for r in bases)),
            Section("Sources", tuple(Item(f"{r['facts']} facts: {r['authors'] + '. ' if r['authors'] else ''}{r['title']}{f' ({r[4]})' if r['year'] else ''} - {r['id']}",
                                          {"id": r["id"], "facts": r["facts"], "accessed": r["accessed"]}) for r in listed)),
        )
        return Answer("sources", "", "answered", f"{len(listed)} sources carry {total} facts.", sections, versions=versions(connection))
    wanted = next((r for r in listed if fold(r["id"]) == fold(source)), None)
    if wanted is None:
        return _of_term(connection, source)
    facts = rows(connection, "facts_of_source", source=wanted["id"])
    items = tuple(Item(f"{r['sentence']}{f' ({r[4]})' if r['locator'] else ''} - {r['basis']}", {"id": r["id"], "table": r["table_name"], "row": r["row"]}) for r in facts)
    return Answer("sources", "", "answered", f"{len(facts)} facts rest on {wanted['title'].rstrip('.')}.", (Section("Facts", items),),
                  citations=cite(connection, {wanted["id"]: wanted["accessed"]}), versions=versions(connection))


_SPEAKING = """
SELECT f.source AS source, min(f.basis) AS basis, count(*) AS facts FROM fact f
WHERE f.source IS NOT NULL AND f.id IN (
  SELECT id FROM effect WHERE cause = :a OR analyte = :a
  UNION SELECT id FROM suitability WHERE analyte = :a OR material = :a
  UNION SELECT id FROM stability WHERE analyte = :a OR material = :a
  UNION SELECT id FROM handling WHERE analyte = :a
  UNION SELECT id FROM kinetics WHERE analyte = :a
  UNION SELECT id FROM mixing_experiments WHERE contaminant = :a OR analyte = :a
  UNION SELECT id FROM haemolysis_quantities WHERE analyte = :a)
GROUP BY f.source ORDER BY facts DESC, f.source
"""


def _of_term(connection: sqlite3.Connection, term: str) -> Answer:
    """List the sources that speak of one term."""
    try:
        name = names.resolve(connection, term, KINDS)
    except names.UnknownName as error:
        near = [*names.nearest_sources(connection, term), *error.suggestions]
        raise names.UnknownName(term, near[:5], "source or term") from error
    found = connection.execute(_SPEAKING, {"a": name.id}).fetchall()
    used = {row["source"]: row["basis"] for row in found}
    citations = {c.id: c for c in cite(connection, used)}
    items = tuple(Item(f"{row['facts']} facts: {citations[row['source']].text} - {row['source']}",
                       {"id": row["source"], "facts": row["facts"]}) for row in found)
    sections = (Section("Sources", items),) if items else ()
    unknowns = () if items else (f"No source speaks of {name.label}.",)
    return Answer("sources", understood(name), "answered" if items else "not-known", f"{len(items)} sources speak of {name.label}.",
                  sections, unknowns=unknowns, versions=versions(connection))
