"""The computed answers: explaining one panel, screening many, planning a draw, judging a specimen."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from kg.database import open_database
from kg.decisions.accept import accept
from kg.explain.baseline import unscaled
from kg.explain.explain import explain
from kg.explain.reading import form_from_words
from kg.plans import draw_plan, solve_draw
from kg.plans.draw import plan_draw
from kg.screening.judge import judge_panels, make_judge
from tests.benchmarks.measuring import alternate, median, report, run

_PANEL = ("K=9.8 Ca=1.1 Na=139 Cl=102 CO2=24 urea=5mmol/L creatinine=80 glucose=5.5 albumin=40 TP=70 ALP=30 ALT=24 AST=25 Mg=0.5").split()
_TWELVE = ("sodium", "potassium", "chloride", "bicarbonate", "urea", "creatinine", "glucose", "calcium-total", "albumin", "total-protein", "alp", "alt")
_FORTY = ("QV-NA QV-K QV-CREA QV-UREA QV-HCO3 QV-ALT QV-ALP QV-TBIL QV-ALB QV-CRP QV-TNI QV-FERR QV-TSH QV-FT4 QV-B12 QV-FOL QV-VITD QV-HB QV-WCC QV-PLT "
          "QV-RETIC QV-ESR QV-PT QV-APTT QV-FIB QV-DD QV-GLU QV-LACT QV-GRP QV-ABS QV-ACTH QV-PTH QV-ZN QV-AL QV-PB QV-BC QV-VIP QV-PH QV-HIVVL QV-CRYO").split()
_ROWS = 1_000_000
_EXPRESSIONS = 15


def measure(database: Path) -> None:
    """Print the speed of the computed answers."""
    _explain(database)
    _screen(database)
    _draw(database)
    _accept(database)


def _draw(database: Path) -> None:
    """Forty tests of a full ward request; the proof of the plan by itself, and with all its comparisons."""
    connection = open_database(str(database))
    proofs: list[float] = []
    solve = draw_plan.solve

    def timed(*arguments: Any, **more: Any) -> Any:
        started = time.perf_counter()
        found = solve(*arguments, **more)
        proofs.append(time.perf_counter() - started)
        return found

    draw_plan.solve = timed
    form = {"tests": _FORTY, "weight_kg": 70, "age_years": 50}
    whole, first, longest = [], [], []
    for _ in range(5):
        solve_draw._solve_part.cache_clear()
        proofs.clear()
        started = time.perf_counter()
        plan = plan_draw(connection, form)
        whole.append(time.perf_counter() - started)
        first.append(proofs[0])
        longest.append(max(proofs))
    draw_plan.solve = solve
    kinds = {size.container for size in plan.setting.sizes}
    print(f"draw for {len(_FORTY)} tests, {len(kinds)} sorts of container offered, {len({tube.size.container for tube in plan.plan.tubes})} filled: "
          f"proof in {sorted(first)[2]:.2f} s, the longest of its {len(proofs)} comparisons {sorted(longest)[2]:.2f} s, all together {sorted(whole)[2]:.2f} s "
          f"(wanted: proof in at most 1 s); proven: {plan.plan.proven}")


def _accept(database: Path) -> None:
    connection = open_database(str(database))
    tests = [row["code"] for row in connection.execute(
        "SELECT DISTINCT t.code FROM test t JOIN test_material m ON m.test = t.code WHERE t.status = 'active' AND t.kind = 'test' "
        "AND m.material IN ('lithium-heparin-plasma', 'serum') ORDER BY t.code LIMIT 60")]
    form = {"tests": tests, "container": "tube-lithium-heparin-gel", "hours_since_collection": 3, "temperature": "room", "centrifuged": True, "separated": True,
            "centrifuged_after_hours": 1, "collection": "uneventful", "reception": "nothing-amiss", "indices": {"haemolysis": 0.6}}
    print(f"accept for {len(tests)} tests in Python: {1000 * median(lambda: accept(connection, form), 15):.0f} ms (wanted: at most 50 ms)")


def _explain(database: Path) -> None:
    connection, form = open_database(str(database)), form_from_words(_PANEL)
    print(f"explain on {len(_PANEL)} analytes in Python: {1000 * median(lambda: explain(connection, form), 15):.0f} ms (wanted: at most 150 ms)")
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
