"""What ``build``, ``derivation`` and ``catalogue import`` print."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from kg import paths
from kg.problem import BuildError, Problem, TubeloreError

_SHOWN = 50


def run_build(output: str | None, catalogue: str | None, as_json: bool) -> int:
    """Run the build with a progress bar, and print a summary or every problem.

    Returns:
        the exit status: 0, or 1 when nothing was written.
    """
    from kg.build import build

    target = Path(output or paths.database_path())
    kept = target.with_name("catalogue.csv")
    local = Path(catalogue) if catalogue else kept if kept.exists() else None
    console = Console(stderr=True)
    try:
        with Progress(TextColumn("{task.description:18}"), BarColumn(), TimeElapsedColumn(), console=console,
                      disable=as_json) as bar:
            task = bar.add_task("start", total=1.0)

            def show(step: str, share: float) -> None:
                bar.update(task, description=step, completed=share)

            summary = build(target, progress=show, local_catalogue=local)
    except BuildError as error:
        return _report(str(error), error.problems, as_json)
    except OSError as error:
        return _report(f"{error.filename or target}: cannot be written ({error.strerror})", [], as_json)
    if as_json:
        print(json.dumps({"counts": summary.counts, "rules": summary.rules, "files": [str(f) for f in summary.files],
                          "warnings": [w._asdict() for w in summary.warnings]}, ensure_ascii=False, indent=1))
        return 0
    for warning in summary.warnings[:_SHOWN]:
        console.print(f"warning: {warning}", markup=False, highlight=False, soft_wrap=True)
    if len(summary.warnings) > _SHOWN:
        console.print(f"... and {len(summary.warnings) - _SHOWN} more warnings")
    for name, number in summary.counts.items():
        print(f"{number:>8,}  {name.replace('_', ' ')}")
    print("Written:", *summary.files, sep="\n  ")
    return 0


def _report(message: str, problems: Sequence[Problem], as_json: bool) -> int:
    if as_json:
        print(json.dumps({"error": message, "problems": [p._asdict() for p in problems]}, ensure_ascii=False, indent=1))
        return 1
    console = Console(stderr=True)
    for problem in problems[:_SHOWN * 4]:
        console.print(str(problem), markup=False, highlight=False, soft_wrap=True)
    if len(problems) > _SHOWN * 4:
        console.print(f"... and {len(problems) - _SHOWN * 4} more problems")
    console.print(f"tubelore: {message}", markup=False, highlight=False, soft_wrap=True)
    return 1


def run_import(file: str, database: str | None, as_json: bool) -> int:
    """Import a catalogue and print how many tests it has, or every problem."""
    from kg.catalogue import import_file

    path = Path(database or paths.database_path())
    try:
        number = import_file(Path(file), path)
    except BuildError as error:
        return _report(str(error), error.problems, as_json)
    except OSError as error:
        return _report(f"{error.filename or file}: {error.strerror}", [], as_json)
    if as_json:
        print(json.dumps({"imported": number, "database": str(path)}))
    else:
        print(f"{number} tests and panels of {file} are now in {path}")
    return 0


def run_derivation(database: str | None, as_json: bool) -> int:
    """Print the derivation report."""
    from kg.agreement import CHEMICAL_MECHANISMS, chemical_share
    from kg.database import open_database, rows

    try:
        connection = open_database(database)
    except TubeloreError as error:
        return _report(str(error), [], as_json)
    table = [dict(row) for row in rows(connection, "agreement")]
    against = [dict(row) for row in rows(connection, "contradictions")]
    rules = [dict(row) for row in connection.execute("SELECT id, title, proofs FROM rule ORDER BY id")]
    share = chemical_share(connection)
    if as_json:
        print(json.dumps({"agreement": table, "contradictions": against, "rules": rules,
                          "chemical": {"mechanisms": CHEMICAL_MECHANISMS, **share._asdict()}}, ensure_ascii=False, indent=1))
        return 0
    console = Console()
    console.width = max(console.width, 132)
    _grid(console, "Published effects against derived ones", table)
    _grid(console, "Rules", rules)
    if against:
        _grid(console, "Published against what the rules derive", against, lambda row: {
            k: str(row[k] or "not explained" if k == "explanation" else row[k] or "") for k in ("id", "cause", "analyte", "published", "explanation")})
    percent = 100 * share.derived / share.published if share.published else 0
    console.print(f"Of {share.published} published directional effects of additives through {', '.join(CHEMICAL_MECHANISMS)}, "
                  f"{share.derived} ({percent:.0f} %) are derived by rule.")
    return 0


def _grid(console: Console, title: str, listed: list[dict[str, Any]],
          show: Callable[[dict[str, Any]], dict[str, Any]] = lambda row: row) -> None:
    grid = Table(title=title, title_justify="left")
    for position, name in enumerate(show(listed[0])):
        grid.add_column(name.replace("_", " "), no_wrap=position == 0)
    for row in listed:
        grid.add_row(*(str(value) for value in show(row).values()))
    console.print(grid)
