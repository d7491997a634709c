"""Which concepts are broader than which, read from the closure: what tests on agreement walk over."""

from __future__ import annotations

import sqlite3
from collections import defaultdict


def kinship(connection: sqlite3.Connection) -> tuple[defaultdict[str, set[str]], defaultdict[str, set[str]]]:
    """Return for each concept what is above it, and what is above or below it."""
    above, related = defaultdict(set), defaultdict(set)
    for narrower, broader in connection.execute("SELECT narrower, broader FROM closure"):
        above[narrower].add(broader)
        related[narrower].add(broader)
        related[broader].add(narrower)
    return above, related
