"""screen on the command line, with a bar that shows how far it is."""

from __future__ import annotations

import sqlite3
import sys

from kg.answer import Answer
from kg.screening.screen import screen


def from_words(connection: sqlite3.Connection, file: str, output: str | None = None, threshold: str | None = None, units: str | None = None,
               every: bool = False, patient: str | None = None, collected: str | None = None, trial: bool = False) -> Answer:
    """Screen a file; see ``kg.screening.screen.screen`` for what is taken and raised.

    Args:
        connection: the database.
        file, output, threshold, units, every, patient, collected: as there.
        trial: also spoil the panels by arithmetic and tell how much of it would be recognised.
    """
    answer = _screened(connection, file, output, threshold, units, every, patient, collected)
    if not trial:
        return answer
    from kg.validation.trial import trial_data, trial_section, try_file

    tried = try_file(connection, file, answer.data["threshold"], units or "")
    return answer._replace(sections=(*answer.sections, trial_section(tried)), data={**answer.data, "trial": trial_data(tried)})


def _screened(connection: sqlite3.Connection, file: str, output: str | None, threshold: str | None, units: str | None, every: bool, patient: str | None,
              collected: str | None) -> Answer:
    if not sys.stderr.isatty():
        return screen(connection, file, output, threshold, units, every, patient, collected)
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    with Progress(TextColumn("{task.completed:,.0f} rows"), BarColumn(), TimeElapsedColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("screen", total=None)
        return screen(connection, file, output, threshold, units, every, patient, collected,
                      progress=lambda done, size: bar.update(task, completed=done, total=size or None))
