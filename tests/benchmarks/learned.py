"""What screening recognises, as a ratio to a model that learned from many panels of the very simulation it is tried on.

The learned model knows what no laboratory knows: the methods, doses and rates of the simulated specimens, by example. What it
reaches is close to what these results can tell at all.
"""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier

from kg.database import open_database, rows
from kg.explain.model import MIX_UP, Array
from kg.validation import metrics
from kg.validation.assess import make_bench
from kg.validation.beside import FLUIDS, Published, Side, fluids_as_recognised, read_published, results_of
from kg.validation.beside_earlier import MIXED_UP
from kg.validation.day_before import draw_sound, simulate_days, swap, usual_course
from kg.validation.simulate import Sizes, simulate
from kg.validation.spoil import make_ground

_TRAIN, _TRY = Sizes(150_000, 1500, 1, 1), Sizes(80_000, 150, 1, 1)
_SETS = 40_000


def measure(database: Path) -> None:
    """Print the share of fluids and of mix-ups that is recognised, ours over the learned model's."""
    connection = open_database(str(database))
    members: dict[str, tuple[str, ...]] = {}
    for row in rows(connection, "validation_panels"):
        members[row["panel"]] = (*members.get(row["panel"], ()), row["analyte"])
    mixed_up = {panel: members.pop(panel) for panel in MIXED_UP}
    every = tuple(dict.fromkeys(analyte for analytes in members.values() for analyte in analytes))
    published = read_published(connection)
    study, learn = simulate(connection, every, _TRY, 1), simulate(connection, every, _TRAIN, 1001)
    course = usual_course(study.ground)
    days, days_to_learn = (simulate_days(connection, study.ground, course, sizes, seed) for sizes, seed in ((_TRY, 1), (_TRAIN, 1001)))
    for panel, analytes in members.items():
        for hours, tried, learned in ((None, study.drawn, learn.drawn), (course.hours, days.drawn, days_to_learn.drawn)):
            bench = make_bench(connection, study.ground, panel, analytes, 0.5, hours)
            _fluids(Side(study.ground, bench, tried, 0.5), Side(study.ground, bench, learned, 0.5), published, "beside a panel of the day before" if hours else "alone")
    for panel, analytes in mixed_up.items():
        _mix_ups(connection, panel, analytes)


def _mix_ups(connection: sqlite3.Connection, panel: str, analytes: tuple[str, ...]) -> None:
    ground = make_ground(connection, analytes, np.random.default_rng(1))
    course = usual_course(ground)
    bench = make_bench(connection, ground, panel, analytes, 0.5, course.hours)
    learned, tried = (draw_sound(ground, course, count, np.random.default_rng(seed)) for count, seed in ((_SETS, 1), (4000, 2)))
    (x, y), (tried_x, tried_y) = ((np.concatenate([own, swap(own)]), np.repeat([0, 1], len(own))) for own in (learned, tried))
    ours = np.mean((bench.probability(bench.among({MIX_UP}, 0.5), tried_x) >= 0.5) == tried_y)
    theirs = np.mean((_fitted(x, y).predict_proba(_changes(tried_x))[:, 1] >= 0.5) == tried_y)
    print(f"mix-ups, panel {panel}, {course.hours:g} h apart: accuracy ours {ours:.3f}, learned from {len(y):,} sets of the same simulation {theirs:.3f}, "
          f"ratio {ours / theirs:.3f}")


def _fluids(side: Side, learn: Side, published: Published, how: str) -> None:
    started, columns, specificity = time.perf_counter(), side.bench.columns, published["learned-fluids", "specificity"]["value"]
    spoiled, to_learn = (results_of(fluids_as_recognised(one, published)) for one in (side, learn))
    sound, sound_to_learn = (one.drawn.mixture[~one.drawn.artefact] for one in (side, learn))
    judge = side.bench.among(side.causes_of(FLUIDS))
    ours = _recognised(*(side.bench.probability(judge, results) for results in (spoiled, sound)), specificity)
    model = _fitted(np.concatenate([sound_to_learn, to_learn])[:, columns], np.repeat([0, 1], [len(sound_to_learn), len(to_learn)]))
    theirs = _recognised(*(model.predict_proba(_changes(results[:, columns]))[:, 1] for results in (spoiled, sound)), specificity)
    print(f"fluids, panel {side.bench.panel} {how}, specificity {specificity:g}: recognised ours {ours:.3f}, learned from "
          f"{len(sound_to_learn) + len(to_learn):,} panels of the same simulation {theirs:.3f}, ratio {ours / theirs:.3f} ({time.perf_counter() - started:.0f} s)")


def _fitted(results: Array, truth: Array) -> HistGradientBoostingClassifier:
    return HistGradientBoostingClassifier(max_iter=400, learning_rate=0.08, max_leaf_nodes=63, l2_regularization=1.0, early_stopping=True,
                                          random_state=0).fit(_changes(results), truth)


def _changes(results: Array) -> Array:
    """Return results with the difference and the ratio of those of the first half to those of the second: of a pair, what changed."""
    size = results.shape[1] // 2
    now, before = results[:, :size], results[:, size : 2 * size]
    return np.concatenate([results, now - before, np.log(np.maximum(now, 1e-9) / np.maximum(before, 1e-9))], axis=1)


def _recognised(spoiled: Array, sound: Array, specificity: float) -> float:
    return float(np.mean(spoiled >= metrics.threshold_for_specificity(sound, specificity)))
