"""search WORDS: every concept and every fact that holds the words."""

from __future__ import annotations

import sqlite3

from kg.answer import Answer, Item, Section, cite, versions
from kg.database import rows
from kg.questions.common import note


def search(connection: sqlite3.Connection, words: str) -> Answer:
    """Find concepts, tests and facts by full text, endings of words left aside.

    Args:
        connection: the database.
        words: plain words. All must occur; where nothing holds all of them, what holds most of them is
            given, and the answer says so.
    """
    listed = [word.replace('"', "") for word in words.split() if word.strip('"')]
    answer = _find(connection, words, " ".join(f'"{word}"' for word in listed), "hold")
    if answer.verdict == "not-known" and len(listed) > 2:
        pairs = " OR ".join(f'("{one}" "{other}")' for i, one in enumerate(listed) for other in listed[i + 1:])
        answer = _find(connection, words, pairs, "hold at least two words of")
    return answer


def _find(connection: sqlite3.Connection, words: str, query: str, how: str) -> Answer:
    """Run one full-text query; ``query`` is in the syntax of SQLite's FTS5, with every word quoted."""
    used: dict[str, str] = {}
    concepts = rows(connection, "search_concepts", words=query) if query else []
    facts = rows(connection, "search_facts", words=query) if query else []
    tests = connection.execute("SELECT t.code, t.name FROM test_fts JOIN test t ON t.rowid = test_fts.rowid WHERE test_fts MATCH ? ORDER BY t.code LIMIT 50",
                               (query,)).fetchall() if query else []
    for fact in facts:
        note(used, fact["source"], fact["basis"])
    groups = (
        ("Terms", [Item(f"{r['label']} ({r['kind']}, {r['id']}){': ' + r['definition'] if r['definition'] else ''}", {"id": r["id"], "kind": r["kind"]}) for r in concepts]),
        ("Tests of the catalogue", [Item(f"{r['name']} ({r['code']})", {"code": r["code"]}) for r in tests]),
        ("Facts", [Item(f"{r['sentence']} ({r['id']})", {"id": r["id"], "table": r["table_name"], "row": r["row"]}, (r["source"],) if r["source"] else ()) for r in facts]),
    )
    sections = tuple(Section(title, tuple(items)) for title, items in groups if items)
    more = " (the first 200 of them)" if len(facts) == 200 else ""
    headline = f"{len(concepts)} terms, {len(tests)} tests and {len(facts)} facts{more} {how} '{words}'."
    return Answer("search", "", "answered" if sections else "not-known", headline, sections, citations=cite(connection, used),
                  versions=versions(connection))
