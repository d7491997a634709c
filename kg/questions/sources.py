"""sources [ID]: where the facts come from, and which facts rest on one source."""

from __future__ import annotations

import sqlite3

from kg import names
from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.wording import fold


def sources(connection: sqlite3.Connection, source: str | None = None) -> Answer:
    """List all sources, or all facts of one.

    Args:
        connection: the database.
        source: the id of a source.

    Raises:
        UnknownName: there is no such source.
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
        raise names.UnknownName(source, names.nearest_sources(connection, source), "source")
    facts = rows(connection, "facts_of_source", source=wanted["id"])
    items = tuple(Item(f"{r['sentence']}{f' ({r[4]})' if r['locator'] else ''} - {r['basis']}", {"id": r["id"], "table": r["table_name"], "row": r["row"]}) for r in facts)
    return Answer("sources", "", "answered", f"{len(facts)} facts rest on {wanted['title'].rstrip('.')}.", (Section("Facts", items),),
                  citations=cite(connection, {wanted["id"]: wanted["accessed"]}), versions=versions(connection))
