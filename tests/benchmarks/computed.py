"""The computed answers: explaining one panel, and screening many."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import polars as pl

from kg.database import open_database
from kg.explain.baseline import unscaled
from kg.explain.explain import explain
from kg.explain.reading import form_from_words
from kg.screening.judge import judge_panels, make_judge
from tests.benchmarks.measuring import alternate, report, run

_PANEL = ("K=9.8 Ca=1.1 Na=139 Cl=102 CO2=24 urea=5mmol/L creatinine=80 glucose=5.5 albumin=40 TP=70 ALP=30 ALT=24 AST=25 Mg=0.5").split()
_TWELVE = ("sodium", "potassium", "chloride", "bicarbonate", "urea", "creatinine", "glucose", "calcium-total", "albumin", "total-protein", "alp", "alt")
_ROWS = 1_000_000
_EXPRESSIONS = 15


def measure(database: Path) -> None:
    """Print the speed of the computed answers."""
    _explain(database)
    _screen(database)


def _explain(database: Path) -> None:
    connection, form = open_database(str(database)), form_from_words(_PANEL)
    explain(connection, form)
    times = []
    for _ in range(15):
        started = time.perf_counter()
        explain(connection, form)
        times.append(time.perf_counter() - started)
    print(f"explain on {len(_PANEL)} analytes in Python: {1000 * sorted(times)[7]:.0f} ms (wanted: at most 150 ms)")
    command = [sys.executable, "-c", "import sys; from kg.cli import main; sys.exit(main())", "explain", *_PANEL, "--database", str(database)]
    bare = [sys.executable, "-c", "import numpy, sqlite3"]
    ours, base = alternate(lambda: run(command), lambda: run(bare), 15)
    report("process 'tubelore explain'", ours, "bare interpreter with numpy and sqlite3", base, "at most 3")


def _screen(database: Path) -> None:
    judge = make_judge(open_database(str(database)), _TWELVE, 0.5)
    rng = np.random.default_rng(1)
    panels = unscaled(judge.model, rng.multivariate_normal(judge.model.mean, judge.model.covariance, _ROWS))
    frame = pl.DataFrame({name: panels[:, i] for i, name in enumerate(_TWELVE)})
    weights = rng.normal(size=(_EXPRESSIONS, len(_TWELVE))).tolist()
    linear = [sum((pl.col(name) * weight for name, weight in zip(_TWELVE[1:], row[1:], strict=True)), pl.col(_TWELVE[0]) * row[0]).alias(f"{k}")
              for k, row in enumerate(weights)]
    ours, theirs = alternate(lambda: judge_panels(judge, panels), lambda: frame.select(linear), 5)
    opened = judge_panels(judge, panels).integrated.mean()
    print(f"screen: {_ROWS / ours / 1e6:.2f} million rows a second, 1/{ours / theirs:.1f} of the rate of {_EXPRESSIONS} linear expressions in Polars over the same "
          f"{len(_TWELVE)} columns ({_ROWS / theirs / 1e6:.1f} million; wanted: at least 1/20); {100 * opened:.2f} % of the rows needed the full integration")
