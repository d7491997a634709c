"""screen on the command line, with a bar that shows how far it is."""

from __future__ import annotations

import sqlite3
import sys

from kg.answer import Answer
from kg.screening.screen import screen


def from_words(connection: sqlite3.Connection, file: str, output: str | None = None, threshold: str | None = None, units: str | None = None,
               every: bool = False, patient: str | None = None, collected: str | None = None) -> Answer:
    """Screen a file; see ``kg.screening.screen.screen`` for what is taken and raised."""
    if not sys.stderr.isatty():
        return screen(connection, file, output, threshold, units, every, patient, collected)
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    with Progress(TextColumn("{task.completed:,.0f} rows"), BarColumn(), TimeElapsedColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("screen", total=None)
        return screen(connection, file, output, threshold, units, every, patient, collected,
                      progress=lambda done, size: bar.update(task, completed=done, total=size or None))
