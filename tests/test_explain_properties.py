"""What must hold of any explained panel, and the arithmetic of the inference against sums written out independently.

The formulas are those of textbooks (multivariate t and normal distribution, entropy, mutual information), recalled-general.
"""

from __future__ import annotations

import math
import random
import sqlite3
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kg.explain import infer, next_checks
from kg.explain.baseline import Baseline, baseline, unscaled
from kg.explain.model import GRID, Model, read_model, read_settings
from kg.explain.panel import Earlier, Result
from tests.explained import ask, ids, told
from tests.on_paper import by_id, table

FEW = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=8)
MANY = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=50)
EDTA = ["Na=139mmol/L", "K=8.2mmol/L", "Cl=102mmol/L", "urea=5.2mmol/L", "creatinine=78umol/L", "glucose=5.4mmol/L", "Ca=0.9mmol/L", "Mg=0.55mmol/L",
     "albumin=40g/L", "ALP=30U/L"]
PANEL = ["sodium", "potassium", "chloride", "bicarbonate", "urea", "creatinine", "glucose", "calcium-total", "albumin", "total-protein", "alp", "alt",
     "magnesium-total", "phosphate"]
NUMERIC = ("blood-carry-over", "fluid", "haemolysis", "delay", "cold-delay")
CAUSES = {row["cause"]: row for row in table("candidate_causes")}
LEADERS = 6
"""Causes that checks are to tell apart, at the most."""
OTHER_UNITS = {"Na": "mEq/L", "K": "mEq/L", "Cl": "mEq/L", "creatinine": "mg/dL", "glucose": "mg/dL", "Ca": "mg/dL", "Mg": "mg/dL", "albumin": "g/dL"}
TO_SI = {"Na": 1.0, "K": 1.0, "Cl": 1.0, "albumin": 10.0, **{name: float(by_id("analytes")[analyte]["factor_to_si"]) for name, analyte in (
    ("creatinine", "creatinine"), ("glucose", "glucose"), ("Ca", "calcium-total"), ("Mg", "magnesium-total"))}}


@FEW
@given(order=st.permutations(EDTA))
def test_the_order_of_results_never_changes_the_answer(connection: sqlite3.Connection, order: list[str]) -> None:
    plain, other = ask(connection, " ".join(EDTA)), ask(connection, " ".join(order))
    assert (other.verdict, other.headline, told(other)) == (plain.verdict, plain.headline, told(plain))


@FEW
@given(changed=st.sets(st.sampled_from(sorted(OTHER_UNITS)), min_size=1))
def test_the_units_used_never_change_the_answer(connection: sqlite3.Connection, changed: set[str]) -> None:
    words = []
    for word in EDTA:
        name, _, value = word.partition("=")
        figure = float(value.rstrip("mUgu/oldL"))
        words.append(f"{name}={figure / TO_SI[name]!r}{OTHER_UNITS[name]}" if name in changed else word)
    plain, other = ask(connection, " ".join(EDTA)), ask(connection, " ".join(words))
    assert ids(other) == ids(plain) and other.verdict == plain.verdict
    for one, two in zip(plain.data["causes"], other.data["causes"], strict=True):
        assert two["probability"] == pytest.approx(one["probability"], abs=2e-3)
        assert two["severity"] is None or two["severity"]["value"] == pytest.approx(one["severity"]["value"], rel=5e-3)


@MANY
@given(potassium=st.floats(1.5, 9), calcium=st.floats(0.8, 4), ionised=st.floats(0.4, 2))
def test_more_k2edta_never_lowers_potassium_and_never_raises_calcium(connection: sqlite3.Connection, potassium: float, calcium: float, ionised: float) -> None:
    model = read_model(connection, ["potassium", "calcium-total", "calcium-ionised"])
    index = [cause.id for cause in model.causes].index("k2-edta-carryover")
    read = model.effects.gain[index] * np.array([potassium, calcium, ionised]) + model.effects.shift[index]
    steps = np.diff(np.vstack([[potassium, calcium, ionised], read]), axis=0)
    assert np.all(steps[:, 0] >= 0) and np.all(steps[:, 1:] <= 0)


def numeric_causes() -> list[str]:
    return [name for name, row in CAUSES.items() if row["model"] in NUMERIC]


def weighed(connection: sqlite3.Connection, model: Model, values: Any) -> list[infer.Explanation]:
    """Return the explanations by one cause with the frequencies of the table as prior, every severity alike."""
    observed = infer.observe(model, list(values), [""] * len(model.analytes))
    prior = infer.Prior(np.log([cause.prior for cause in model.causes]), np.full((len(model.causes), GRID), -math.log(GRID)))
    allowed = [i for i, cause in enumerate(model.causes) if cause.id != "wrong-blood-in-tube"]
    ones = infer.explain_by_one(model, baseline(model), observed, prior, allowed)
    return [infer.refine(model, baseline(model), observed, prior, ones[0]), *ones[1:]]


@pytest.mark.parametrize("name", numeric_causes())
def test_the_severity_of_a_noise_free_panel_lies_in_its_interval(connection: sqlite3.Connection, name: str) -> None:
    """The first and last severity stand at the ends of what is considered, where an interval with equal tails cannot reach them."""
    model = read_model(connection, [*PANEL, "haemolysis-index", "calcium-ionised", "lactate", "ld"])
    index = [cause.id for cause in model.causes].index(name)
    usual = unscaled(model, model.mean)
    named = 0
    for step in range(1, GRID - 1):
        first = weighed(connection, model, model.effects.gain[index, step] * usual + model.effects.shift[index, step])[0]
        if first.causes == (index,):
            named += 1
            _, low, high = infer.interval(first.severities[0], first.weights)
            assert low <= model.causes[index].severity[step] <= high, step
    assert named >= 3


@FEW
@given(k=st.floats(2.5, 9), ca=st.floats(1.0, 3.0), na=st.floats(120, 160), glucose=st.floats(1.0, 40))
def test_probabilities_share_out_one_and_gains_stay_below_what_there_is_to_learn(connection: sqlite3.Connection, k: float, ca: float, na: float,
     glucose: float) -> None:
    answer = ask(connection, f"K={k:.2f}mmol/L Ca={ca:.2f}mmol/L Na={na:.0f}mmol/L glucose={glucose:.1f}mmol/L creatinine=80umol/L")
    shares = [cause["probability"] for cause in answer.data["causes"]]
    assert all(0 <= share <= 1 for share in shares) and sum(shares) <= 1 + 5e-7 * len(shares)
    assert all(0 <= check["gain_bits"] <= math.log2(LEADERS) for check in answer.data["next_checks"])
    assert answer.data["bits"] >= 0


@MANY
@given(weights=st.lists(st.floats(-3000, 50), min_size=1, max_size=12))
def test_probabilities_of_any_weights_sum_to_one(weights: list[float]) -> None:
    none = np.zeros(0)
    shares = infer.probabilities([infer.Explanation((i,), weight, (), none, none, none, 0.0) for i, weight in enumerate(weights)])
    assert np.all((shares >= 0) & (shares <= 1)) and abs(float(shares.sum()) - 1) < 1e-9


def exact_gain(centres: Any, deviations: Any, weights: Any) -> float:
    """Mutual information in bits by a fine sum over the result: written out without the code of the project."""
    total = 0.0
    at = np.unique(np.concatenate([c + d * np.linspace(-9, 9, 3001) for c, d in zip(centres, deviations, strict=True)]))
    density = np.exp(-0.5 * ((at[:, None] - centres) / deviations) ** 2) / deviations / math.sqrt(2 * math.pi)
    mixed = density @ weights
    for k, weight in enumerate(weights):
        term = np.where(density[:, k] > 1e-290, density[:, k] * np.log2(np.maximum(density[:, k], 1e-290) / np.maximum(mixed, 1e-290)), 0.0)
        total += weight * float(np.sum((term[1:] + term[:-1]) / 2 * np.diff(at)))
    return total


@MANY
@given(seed=st.integers(0, 10**6), count=st.integers(2, 6), wide=st.floats(0, 1.5))
def test_the_gain_of_a_measurement_is_its_mutual_information(seed: int, count: int, wide: float) -> None:
    draw = np.random.default_rng(seed)
    centres, deviations, weights = draw.normal(0, 3, count), np.exp(draw.normal(0, wide, count)), draw.dirichlet(np.ones(count))
    found = float(next_checks._information(next_checks._outcomes(centres[None, :], deviations[None, :]), weights)[0])
    assert 0 <= found <= float(next_checks.entropy(weights)) + 1e-9 <= math.log2(count) + 1e-9
    assert found == pytest.approx(exact_gain(centres, deviations, weights), abs=0.02)


@MANY
@given(chance=st.lists(st.floats(0, 1), min_size=2, max_size=6), seed=st.integers(0, 10**6))
def test_the_gain_of_a_question_is_between_nothing_and_one_bit(chance: list[float], seed: int) -> None:
    weights = np.random.default_rng(seed).dirichlet(np.ones(len(chance)))
    found = next_checks._yes_or_no(np.array(chance), weights)
    assert 0 <= found <= min(1.0, float(next_checks.entropy(weights))) + 1e-9


def _asked(name: str, positive: Any, weights: Any) -> next_checks.Check:
    chances = np.array(positive, dtype=float)
    return next_checks.Check(name, next_checks._yes_or_no(chances, weights), (), np.stack([chances, 1 - chances], axis=-1))


@MANY
@given(seed=st.integers(0, 10**6), count=st.integers(2, 5), questions=st.integers(1, 5))
def test_each_check_in_order_adds_what_it_tells_beside_those_before(seed: int, count: int, questions: int) -> None:
    """Against the definition, every combination of answers written out: I(cause; all answers) as far as the check, less as far as the one before."""
    draw = np.random.default_rng(seed)
    weights, chances = draw.dirichlet(np.ones(count)), draw.uniform(0, 1, (questions, count))
    found = next_checks.in_order([_asked(str(i), row, weights) for i, row in enumerate(chances)], weights, questions)
    told_before = 0.0
    for k, check in enumerate(found):
        joint = weights[None, :]
        for done in found[: k + 1]:
            joint = (joint[:, None, :] * done.outcomes.T[None]).reshape(-1, count)
        share = joint.sum(axis=1)
        told_now = float(next_checks.entropy(weights)) - float(share @ next_checks.entropy(joint / share[:, None]))
        assert check.adds_bits == pytest.approx(told_now - told_before, abs=1e-9)
        told_before = told_now
    adds = [check.adds_bits for check in found]
    assert adds == sorted(adds, reverse=True)
    if found:
        assert found[0].gain_bits == found[0].adds_bits


def test_a_check_that_only_repeats_another_is_not_listed() -> None:
    """By the definition: what is settled leaves no doubt, and a toss of a coin settles nothing."""
    weights = np.array([0.5, 0.5])
    one, again, other = _asked("one", [1, 0], weights), _asked("again", [1, 0], weights), _asked("other", [0.5, 0.5], weights)
    assert [check.text for check in next_checks.in_order([one, again, other], weights, 3)] == ["again"]


def test_a_question_that_only_one_of_two_causes_answers_with_yes_tells_all() -> None:
    """One bit between two equally likely causes; textbook."""
    assert next_checks._yes_or_no(np.array([1.0, 0.0]), np.array([0.5, 0.5])) == pytest.approx(1.0)


@FEW
@given(extra=st.sampled_from(["unobtainium=3", "xyzzy=1mmol/L", "flux=12"]), seed=st.integers(0, 1000))
def test_an_unknown_analyte_changes_nothing(connection: sqlite3.Connection, extra: str, seed: int) -> None:
    words = [*EDTA, extra]
    random.Random(seed).shuffle(words)
    more = ask(connection, " ".join(words))
    assert told(more) == told(ask(connection, " ".join(EDTA)))
    assert any(line.startswith(extra.split("=")[0]) for line in more.unknowns)


def by_hand(connection: sqlite3.Connection, cause: str, potassium: float, calcium: float) -> float:
    """Log of prior times likelihood of two results, summed over severities: by loops over the tables, with a two by two inverse."""
    setting = read_settings(connection)
    figures = {row["analyte"]: row for row in table("population")}
    names = ("potassium", "calcium-total")
    mean = [float(figures[name]["mean"]) for name in names]
    sd = [float(figures[name]["sd"]) for name in names]
    correlation = next((float(row["correlation"]) for row in table("population_correlations") if {row["analyte"], row["other"]} == set(names)), 0.0)
    analytical = [connection.execute("SELECT avg(value) / 100 FROM variation WHERE analyte = ? AND kind = 'analytical'",
         (name,)).fetchone()[0] for name in names]
    freedom, total = setting["degrees-of-freedom"], 0.0
    for step in range(GRID):
        lines = []
        for name in names:
            row = connection.execute("SELECT gain, shift, spread, relative_spread FROM cause_response WHERE cause = ? AND analyte = ? AND step = ?", (cause,
                 name, step)).fetchone()
            lines.append(tuple(row) if row else (1.0, 0.0, 0.0, 0.0))
        expected = [gain * m + shift for (gain, shift, _, _), m in zip(lines, mean, strict=True)]
        off = [potassium - expected[0], calcium - expected[1]]
        doubt = [spread**2 + (relative * e) ** 2 + (share * e) ** 2 for (_, _, spread, relative), e, share in zip(lines, expected, analytical, strict=True)]
        a, d = (lines[i][0] ** 2 * sd[i] ** 2 + doubt[i] for i in (0, 1))
        b = lines[0][0] * lines[1][0] * correlation * sd[0] * sd[1]
        determinant = a * d - b * b
        distance = (d * off[0] ** 2 - 2 * b * off[0] * off[1] + a * off[1] ** 2) / determinant
        scale = (freedom - 2) / freedom
        density = math.gamma((freedom + 2) / 2) / math.gamma(freedom / 2) / (freedom * math.pi * scale) / math.sqrt(determinant)
        total += density * (1 + distance / scale / freedom) ** (-(freedom + 2) / 2) / GRID
    return math.log(float(CAUSES[cause]["prior"]) * total)


@pytest.mark.parametrize("panel", [(8.2, 1.1), (4.2, 2.3), (6.0, 1.9), (3.0, 1.6)])
@pytest.mark.parametrize("name", ["k2-edta-carryover", "iv-saline", "haemolysis-in-vitro", "hypoparathyroidism", "nothing-unusual"])
def test_the_weight_of_a_cause_is_the_sum_written_out(connection: sqlite3.Connection, name: str, panel: tuple[float, float]) -> None:
    model = read_model(connection, ["potassium", "calcium-total"])
    found = next(one for one in weighed(connection, model, panel) if model.causes[one.causes[0]].id == name)
    assert found.log_weight == pytest.approx(by_hand(connection, name, *panel), abs=1e-9)


def weights_of(connection: sqlite3.Connection, model: Model, values: list[float], comparators: list[str]) -> dict[str, float]:
    observed = infer.observe(model, values, comparators)
    prior = infer.Prior(np.log([cause.prior for cause in model.causes]), np.full((len(model.causes), GRID), -math.log(GRID)))
    allowed = [i for i, cause in enumerate(model.causes) if cause.id in ("k2-edta-carryover", "iv-saline", "haemolysis-in-vitro", "acute-kidney-injury",
         "nothing-unusual")]
    return {model.causes[one.causes[0]].id: one.log_weight for one in infer.explain_by_one(model, baseline(model), observed, prior, allowed)}


def test_a_bound_that_anything_passes_says_hardly_anything(connection: sqlite3.Connection) -> None:
    pair, alone = read_model(connection, ["calcium-total", "potassium"]), read_model(connection, ["calcium-total"])
    bound, without = weights_of(connection, pair, [1.7, 0.5], ["", ">"]), weights_of(connection, alone, [1.7], [""])
    assert all(bound[name] == pytest.approx(without[name], abs=2e-3) for name in without)


@MANY
@given(low=st.floats(2, 9), step=st.floats(0.1, 5))
def test_a_tighter_bound_never_makes_a_panel_likelier(connection: sqlite3.Connection, low: float, step: float) -> None:
    model = read_model(connection, ["calcium-total", "potassium"])
    loose, tight = (weights_of(connection, model, [2.2, bound], ["", ">"]) for bound in (low, low + step))
    assert all(tight[name] <= loose[name] + 1e-9 for name in loose)


@MANY
@given(bound=st.floats(1, 9))
def test_above_and_below_a_bound_are_all_there_is(connection: sqlite3.Connection, bound: float) -> None:
    model, alone = read_model(connection, ["calcium-total", "potassium"]), read_model(connection, ["calcium-total"])
    above, below = (weights_of(connection, model, [2.2, bound], ["", sign]) for sign in (">", "<"))
    without = weights_of(connection, alone, [2.2], [""])
    for name in without:
        assert math.log(math.exp(above[name]) + math.exp(below[name])) == pytest.approx(without[name], abs=1e-6)


def one_earlier(analyte: str, value: float, hours: float) -> tuple[Earlier, ...]:
    return (Earlier(hours, (Result(analyte, analyte, value, "", "", ""),)),)


def deviation(found: Baseline, place: int) -> float:
    return math.sqrt(found.covariance[place, place])


@MANY
@given(value=st.floats(2.5, 7.5), hours=st.floats(0.5, 9000))
def test_a_baseline_lies_between_the_population_and_the_earlier_result(connection: sqlite3.Connection, value: float, hours: float) -> None:
    model = read_model(connection, ["potassium", "calcium-total"])
    found = baseline(model, one_earlier("potassium", value, hours))
    assert min(value, model.mean[0]) - 1e-9 <= found.mean[0] <= max(value, model.mean[0]) + 1e-9
    assert deviation(found, 0) <= deviation(baseline(model), 0) + 1e-12
    assert np.all(np.linalg.eigvalsh(found.covariance) > 0)


@pytest.mark.parametrize("analyte", [row["analyte"] for row in table("population")])
@pytest.mark.parametrize("hours", [1.0, 480.0, 9000.0])
def test_no_earlier_result_however_old_makes_a_baseline_less_certain(connection: sqlite3.Connection, analyte: str, hours: float) -> None:
    model = read_model(connection, [analyte])
    usual = float(unscaled(model, model.mean)[0])
    assert deviation(baseline(model, one_earlier(analyte, usual, hours)), 0) <= deviation(baseline(model), 0) + 1e-12


def test_a_baseline_is_the_conditional_normal_distribution_worked_by_hand(connection: sqlite3.Connection) -> None:
    """Conditional normal: mean + c / v (x - mean), variance V - c^2 / v; for two results of which the first was measured before. Textbook.

    The population's variance is that of the level and, on top, within-subject variation w; each keeps the correlation r.
    """
    model = read_model(connection, ["urea", "creatinine"])
    setting, figures = read_settings(connection), by_id("population")
    shape = {row["analyte"]: (math.log(float(row["mean"])), float(row["sd"])) for row in figures.values() if row["analyte"] in model.analytes}
    assert all(row["shape"] == "log-normal" for row in figures.values() if row["analyte"] in model.analytes)

    def share(analyte: str, kind: str) -> float:
        return float(connection.execute("SELECT avg(value) / 100 FROM variation WHERE analyte = ? AND kind = ?", (analyte, kind)).fetchone()[0])

    (m1, s1), (m2, s2) = shape["urea"], shape["creatinine"]
    w1, w2, a1 = share("urea", "within-subject"), share("creatinine", "within-subject"), share("urea", "analytical")
    r = next(float(row["correlation"]) for row in table("population_correlations") if {row["analyte"], row["other"]} == {"urea", "creatinine"})
    hours, x = 48.0, math.log(18.0)
    fade = math.exp(-hours / setting["correlation-time"])
    level1, level2 = s1**2 - w1**2, s2**2 - w2**2
    v = level1 + w1**2 + a1**2
    c1, c2 = level1 * fade, r * math.sqrt(level1 * level2) * fade
    found = baseline(model, one_earlier("urea", 18.0, hours))
    assert found.mean == pytest.approx([m1 + c1 / v * (x - m1), m2 + c2 / v * (x - m1)], rel=1e-12)
    assert np.diag(found.covariance) == pytest.approx([level1 - c1**2 / v + w1**2, level2 - c2**2 / v + w2**2], rel=1e-12)
    assert found.covariance[0, 1] == pytest.approx(r * (math.sqrt(level1 * level2) + w1 * w2) - c1 * c2 / v, rel=1e-12)
    assert found.earlier == ("urea",)


def test_two_earlier_results_tell_more_than_one(connection: sqlite3.Connection) -> None:
    model = read_model(connection, ["creatinine"])
    one = baseline(model, one_earlier("creatinine", 410.0, 48))
    two = baseline(model, (*one_earlier("creatinine", 410.0, 48), *one_earlier("creatinine", 420.0, 100)))
    assert deviation(two, 0) < deviation(one, 0) < deviation(baseline(model), 0)
    assert two.mean[0] > one.mean[0] > model.mean[0]


def test_an_interval_holds_its_share_and_its_median(connection: sqlite3.Connection) -> None:
    """By hand: ten alike severities on a logarithmic scale; 90 % lies between 5 % and 95 % of the way."""
    severity = np.geomspace(0.01, 1.0, 11)
    weights = np.ones(11)
    weights[[0, -1]] = 0.5
    middle, low, high = infer.interval(severity, weights)
    assert (math.log10(middle), math.log10(low), math.log10(high)) == pytest.approx((-1.0, -1.9, -0.1), abs=1e-9)
