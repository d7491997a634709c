"""What each cause does to each result, as straight lines: made once when the database is built.

Whatever the mechanism, at a given severity a result reads ``gain x true value + shift``, with a spread for what is not
known of the method. So the chemistry is solved at the build, and an odd panel is explained by arithmetic alone.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

import numpy as np

from kg.chemistry import haemolysis, kinetics, mixing, response
from kg.chemistry.bounds import Array
from kg.database import rows
from kg.explain.bench import CHEMISTRY, PATTERN, SIGN, Bench, Grounds
from kg.explain.model import GRID, severities

_DYES = ("arsenazo-calcium", "ocpc-calcium", "nm-bapta-calcium")
_PER_LITRE = {"mmol/L": 1.0, "umol/L": 1000.0, "nmol/L": 1e6, "mmol/kg": 1.0}


class Response(NamedTuple):
    """How one result answers to one cause at one severity: ``gain x value + shift``, give or take both spreads.

    ``shift`` and ``spread`` are in the unit of the analyte in ``population.csv``; ``relative_spread`` is a share of the result.
    """

    analyte: str
    cause: str
    step: int
    """Position in ``severities`` of the cause, from 0."""
    gain: float
    shift: float
    spread: float
    relative_spread: float


class Line(NamedTuple):
    """Gain, shift and spreads of one analyte over the severities."""

    gain: Array
    shift: Array
    spread: Array
    relative_spread: Array = np.zeros(())
    grounds: Grounds = frozenset()


def make_bench(connection: sqlite3.Connection) -> Bench:
    """Read what responses are computed from.

    Args:
        connection: the database.
    """
    shifts: dict[str, list[sqlite3.Row]] = {}
    for row in rows(connection, "candidate_shifts"):
        shifts.setdefault(row["cause"], []).append(row)
    return Bench(connection, {row["analyte"]: row for row in rows(connection, "population_figures")}, shifts)


def every_line(bench: Bench) -> Iterator[tuple[str, str, Line]]:
    """Return analyte, cause and line for every analyte of the population and every cause.

    Args:
        bench: from ``make_bench``.
    """
    for cause in rows(bench.connection, "candidates"):
        if cause["model"] in _MODELS:
            bench.taken()
            lines = _MODELS[cause["model"]](bench, cause, severities(cause["severity_low"], cause["severity_high"]))
            yield from ((analyte, cause["cause"], line) for analyte, line in lines.items())


def responses_of(analyte: str, cause: str, line: Line) -> list[Response]:
    """Return the responses that a line stands for, none where it moves nothing."""
    table = np.column_stack(np.broadcast_arrays(*line[:4], np.ones(GRID))[:4])
    if not np.any(table != (1.0, 0.0, 0.0, 0.0)):
        return []
    return [Response(analyte, cause, step, *(_short(value) for value in values)) for step, values in enumerate(table.tolist())]


def _short(value: float) -> float:
    """Return a figure with digits that are the same on every machine."""
    return float(f"{value:.9g}")


_PREMISES = """
WITH RECURSIVE known(analyte, cause, kind, fact) AS (
  SELECT analyte, cause, kind, fact FROM cause_ground WHERE kind = 'sign'
  UNION
  SELECT k.analyte, k.cause, k.kind, x.fact FROM known k JOIN proof p ON p.conclusion = k.fact JOIN premise x ON x.proof = p.id)
INSERT OR IGNORE INTO cause_ground
SELECT k.analyte, k.cause, k.kind, k.fact FROM known k JOIN fact f ON f.id = k.fact WHERE f.source IS NOT NULL AND f.table_name NOT IN ('methods', 'analytes', 'analyte_groups')
"""
"""What a derived effect was concluded from is a ground as well."""


def write(connection: sqlite3.Connection) -> None:
    """Compute the responses and write them, with the facts behind each, to the database that is being built."""
    known = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not {"candidate_causes", "population", "model_parameters"} <= known or not connection.execute("SELECT 1 FROM population").fetchone():
        return
    connection.row_factory = sqlite3.Row
    lines = list(every_line(make_bench(connection)))
    connection.row_factory = None
    connection.executemany("INSERT INTO cause_response VALUES (?, ?, ?, ?, ?, ?, ?)", sorted(one for line in lines for one in responses_of(*line)))
    connection.executemany("INSERT INTO cause_ground VALUES (?, ?, ?, ?)",
                           sorted({(analyte, cause, *ground) for analyte, cause, line in lines for ground in line.grounds}))
    connection.execute(_PREMISES)


def _carry_over(bench: Bench, cause: sqlite3.Row, share: Array) -> dict[str, Line]:
    """Return the responses to blood from a tube with an additive; the severity is the share of the plasma."""
    p, hct = bench.world.parameters, bench.haematocrit
    dose = mixing.dose_of(p, cause["additive"])
    brought = {name: float(value) * share for name, value in mixing.in_tube({}, dose, hct).items()}
    kept = float(mixing.plasma_kept(dose.blood_to_additive, hct)) if dose.blood_to_additive else 1.0
    osmoles = np.asarray(sum(brought.values())) * (1 - hct)
    water = mixing.drawn_from_cells(osmoles, hct, p.value("blood", "osmolality"), p.value("blood", "osmotic-cell-water"))
    thinned = (1 - share * (1 - kept)) * (1 - water)
    lines = _mixed(bench, brought, thinned, thinned, sum(brought.values(), np.zeros_like(share)), bench.taken())
    left = _under_ligands(bench, brought)
    for analyte, (by_method, grounds) in left.items():
        if analyte in lines:
            before = lines[analyte]
            mean, spread = _between_methods(bench, by_method)
            level = bench.figures[analyte]["mean"]
            lines[analyte] = Line(before.gain * mean, before.shift * mean, np.hypot(before.spread, level * spread), grounds=before.grounds | grounds)
    bench.taken()  # the spread between methods is a ground of the mixture already
    # What a ligand does not bind and the tube does not bring has no reason to move: ions of one charge.
    computed = {analyte for analyte, row in bench.figures.items() if row["species"] in brought or row["charge"] == 1}
    computed |= left.keys()
    return _with_signs(bench, lines, cause, computed, share / bench.setting("share-of-full-signs"))


def _mixed(bench: Bench, brought: Mapping[str, Array], plasma: Array, blood: Array, osmoles: Array, grounds: Grounds) -> dict[str, Line]:
    """Return the responses to something that thins plasma and blood and brings species, in mmol/L of the final plasma."""
    relative = bench.setting("spread-of-computed-change")
    grounds = grounds | bench.taken()
    lines = {}
    for analyte, row in bench.figures.items():
        gain = plasma if row["in_plasma"] else blood if row["in_blood"] or _clotting_protein(row) else np.ones_like(plasma)
        shift = np.zeros_like(plasma)
        if row["in_plasma"] and row["species"] in brought and row["unit"] in _PER_LITRE:
            shift = brought[row["species"]] * _PER_LITRE[row["unit"]]
        elif analyte == "osmolality":
            gain, shift = plasma, osmoles
        moved = bool(np.any(gain != 1) or np.any(shift))
        lines[analyte] = Line(gain, shift, relative * np.abs((gain - 1) * row["mean"] + shift), grounds=grounds if moved else frozenset())
    if {"sodium", "chloride", "bicarbonate", "anion-gap"} <= lines.keys():
        ions = [lines[name] for name in ("sodium", "chloride", "bicarbonate")]
        change = ions[0].shift - ions[1].shift - ions[2].shift
        lines["anion-gap"] = Line(ions[0].gain, change, np.sqrt(sum(line.spread**2 for line in ions)), grounds=grounds)
    return lines


def _clotting_protein(row: sqlite3.Row) -> bool:
    """Whether a result of coagulation is an amount, which is thinned, and no time or ratio of times."""
    return bool(row["discipline"] == "coagulation" and row["unit"] not in ("s", "{INR}"))


def _under_ligands(bench: Bench, brought: Mapping[str, Array]) -> dict[str, tuple[list[Array], Grounds]]:
    """Return by analyte the share of the result that is left, by every method, with the ligands in mmol/L, and the facts behind it."""
    world, p = bench.world, bench.world.parameters
    left: dict[str, tuple[list[Array], Grounds]] = {}
    if "edta-4minus" in brought:
        edta = brought["edta-4minus"]
        calcium = world.levels["calcium-total"]
        read = [response.dye_calcium(p, dye, calcium, {"edta": (edta, world.edta_log10_k(p.value(dye, "reagent-ph")))}) / calcium for dye in _DYES]
        read.append(response.calcium_recovered(p, calcium, edta))
        left["calcium-total"] = (read, bench.taken() | bench.among("calcium-ion", "edta-4minus"))
        before = world.free_metals(0.0)
        now = [world.free_metals(float(amount)) for amount in edta]
        free = {metal: np.array([found[metal] for found in now]) for metal in ("calcium-ion", "magnesium-ion", "zinc-ion", "zinc-held")}
        shared = bench.among("calcium-ion", "magnesium-ion", "zinc-ion", "edta-4minus", "albumin-protein")
        zinc = world.levels["zinc"] / 1000
        held = np.minimum(free["zinc-held"], zinc)
        left["calcium-ionised"] = ([free["calcium-ion"] / before["calcium-ion"]], shared)
        left["magnesium-total"] = ([response.chelator_loss(p, "xylidyl-blue-magnesium", edta), np.ones_like(edta)], bench.taken())
        left["iron"] = ([response.chelator_loss(p, "pdts-iron", edta), np.ones_like(edta)], bench.taken())
        left["zinc"] = ([response.metal_read(p, "free-zinc-colorimetry", zinc, held) / zinc, np.ones_like(edta)], shared | bench.taken())
        rest = response.alp_activity(p, free["zinc-ion"], free["magnesium-ion"], before["zinc-ion"], before["magnesium-ion"])
        left["alp"] = ([rest, np.sqrt(rest)], shared | bench.taken())
    precipitants = {name: brought[name] for name in ("citrate-3minus", "oxalate-2minus") if name in brought}
    if precipitants:
        calcium = world.levels["calcium-total"]
        usual = world.calcium_with({}, calcium)[0]
        found = [world.calcium_with({name: float(values[i]) for name, values in precipitants.items()}, calcium)
                 for i in range(len(next(iter(precipitants.values()))))]
        shared = bench.among("calcium-ion", "magnesium-ion", "albumin-protein", *precipitants)
        left["calcium-ionised"] = ([np.array([free for free, _ in found]) / usual], shared)
        dissolved = np.array([amount for _, amount in found]) / calcium
        left["calcium-total"] = ([dissolved, (1 + dissolved) / 2], shared)  # what falls out does so slowly: all of it, or half by the time it is read
    if "fluoride-ion" in brought:
        left["urea"] = ([response.urea_read(p, method, 1.0, brought["fluoride-ion"]) for method in ("urease-gldh", "urease-end-point")], bench.taken())
    if "oxalate-2minus" in brought:
        left["ld"] = ([response.ld_read(p, 1.0, brought["oxalate-2minus"])], bench.taken())
    if "calcium-total" in left:
        left["calcium-adjusted"] = left["calcium-total"]
    return left


def _between_methods(bench: Bench, left: list[Array]) -> tuple[Array, Array]:
    """Return the middle of what methods leave, and a spread that reaches all of them."""
    stack = np.array(left)
    middle = (stack.max(axis=0) + stack.min(axis=0)) / 2
    return middle, np.hypot((stack.max(axis=0) - stack.min(axis=0)) / 2, bench.setting("spread-of-computed-change") * (1 - middle))


def _fluid(bench: Bench, cause: sqlite3.Row, share: Array) -> dict[str, Line]:
    """Return the responses to an infusion fluid; the severity is the share of the plasma."""
    fluid = mixing.fluid_of(bench.connection, cause["fluid"])
    brought = {name: value * share for name, value in fluid.items()}
    of_blood = mixing.blood_fraction(share, bench.haematocrit, 0.0)
    held = frozenset((CHEMISTRY, row["id"]) for row in rows(bench.connection, "fluid_concentrations", fluid=cause["fluid"]))
    lines = _mixed(bench, brought, 1 - share, 1 - of_blood, sum(brought.values(), np.zeros_like(share)), held | bench.taken())
    known = {analyte for analyte, row in bench.figures.items() if row["in_blood"] or row["in_plasma"] or _clotting_protein(row)}
    return _with_signs(bench, lines, cause, known | {"osmolality", "anion-gap"}, share / bench.setting("share-of-full-signs"))


def _haemolysis(bench: Bench, cause: sqlite3.Row, free_haemoglobin: Array) -> dict[str, Line]:
    """Return the responses to broken red cells; the severity is free haemoglobin in g/L."""
    p = bench.world.parameters
    volume = haemolysis.lysed_volume(p, free_haemoglobin)
    thinning = bench.taken()
    relative = bench.setting("spread-of-cell-contents")
    doubt = bench.taken()
    lines, computed = {}, set()
    for analyte, row in bench.figures.items():
        grounds = thinning if row["in_plasma"] else frozenset()
        ratio = bench.world.ratios.get(analyte)
        thinned = 1 / (1 + volume) if row["in_plasma"] else np.ones_like(volume)
        shift = np.zeros_like(volume)
        if analyte == "haemolysis-index":
            shift, ratio = free_haemoglobin, 0.0
        elif ratio is not None and row["in_plasma"]:
            shift = volume * ratio * row["mean"] * thinned
            grounds = grounds | doubt | {(CHEMISTRY, bench.ratios[analyte])}
        elif analyte == "total-protein":
            shift, ratio = free_haemoglobin, 0.0
            grounds = grounds | doubt
        if ratio is not None:
            computed.add(analyte)
        lines[analyte] = Line(thinned, shift, (0.1 if analyte == "haemolysis-index" else relative) * shift, grounds=grounds)
    return _with_signs(bench, lines, cause, computed, free_haemoglobin / bench.setting("haemoglobin-of-full-signs"))


def _waiting(bench: Bench, cause: sqlite3.Row, hours: Array, temperature: float) -> dict[str, Line]:
    """Return the responses to blood that waits on its cells at a temperature; the severity is the time in h."""
    p, hct, world = bench.world.parameters, bench.haematocrit, bench.world
    glucose, shared = bench.figures["glucose"]["mean"], bench.taken()
    changes: dict[str, tuple[Array, Grounds]] = {}
    rate = kinetics.glycolysis_rate(p, temperature, haematocrit_=hct)
    used = np.minimum(glucose, rate * hours)
    changes["glucose"] = (-rate * hours, bench.taken())
    lactate = kinetics.lactate_made(p, used)
    changes["lactate"] = (lactate, changes["glucose"][1] | bench.taken())
    acid = kinetics.ph_change(p, np.minimum(lactate, 0.9 * p.value("ionised-calcium", "blood-buffer")))
    changes["ph"] = (acid, changes["lactate"][1] | bench.taken())
    changes["bicarbonate"] = (-np.minimum(bench.setting("bicarbonate-per-lactate") * lactate, 12.0), changes["lactate"][1] | bench.taken())
    ionised = kinetics.ionised_calcium(p, world.levels["calcium-ionised"], ph_change_=acid, lactate_made_=lactate)
    changes["calcium-ionised"] = (ionised - world.levels["calcium-ionised"], changes["ph"][1] | bench.taken())
    changes["potassium"] = (kinetics.potassium_change(p, hours, temperature, glucose, haematocrit_=hct), bench.taken())
    changes["phosphate"] = (kinetics.phosphate_change(p, hours, temperature, glucose, haematocrit_=hct), bench.taken())
    changes["ammonia"] = (kinetics.ammonia_change(p, hours, temperature), bench.taken())
    changes["ld"] = (kinetics.ld_change(p, hours, haematocrit_=hct) * bench.figures["ld"]["mean"], bench.taken())
    relative = bench.setting("spread-of-waiting")
    shared |= bench.taken()
    lines = {analyte: Line(np.ones_like(hours), np.zeros_like(hours), np.zeros_like(hours)) for analyte in bench.figures}
    for analyte, (change, grounds) in changes.items():
        if analyte in lines:
            lines[analyte] = Line(np.ones_like(hours), change, relative * np.abs(change), grounds=shared | grounds)
    return _with_signs(bench, lines, cause, set(changes), hours / bench.setting("hours-of-full-signs"))


def _with_signs(bench: Bench, lines: dict[str, Line], cause: sqlite3.Row, computed: set[str], size: Array) -> dict[str, Line]:
    """Add, where nothing is computed, the sign that the graph knows, with a broad size or that of ``cause_shifts.csv``; where it knows none, doubt.

    Args:
        bench: what responses are computed from.
        lines: the responses so far, by analyte.
        cause: the candidate.
        computed: the analytes whose response is known from arithmetic.
        size: share of the full size of a sign at each severity.
    """
    broad = np.minimum(size, 1.0) * bench.setting("size-of-a-sign")
    judged = frozenset((SIGN, fact) for _, fact in bench.taken())  # the setting behind ``size`` too, the last to be looked up
    signs = {row["analyte"]: row for row in rows(bench.connection, "candidate_signs", cause=cause["factor"])} if cause["factor"] else {}
    sized = {shift["analyte"]: shift for shift in bench.shifts.get(cause["cause"], ())}
    for analyte, line in lines.items():
        sign, own = signs.get(analyte), sized.get(analyte)
        if analyte in computed:
            continue
        if own is not None:
            moved = _moved(bench.figures[analyte], own, np.minimum(size, 1.0))
            lines[analyte] = Line(line.gain * moved.gain, line.shift + moved.shift, np.hypot(line.spread, moved.spread), moved.relative_spread,
                                  grounds=line.grounds | judged | {(PATTERN, own["id"])})
        elif sign is not None and (sign["rises"] or sign["falls"] or sign["unsure"]):
            step = broad * bench.deviation(analyte)
            direction = sign["rises"] - sign["falls"] if not sign["stays"] else 0
            grounds = line.grounds | judged | {(SIGN, fact) for fact in sign["effects"].split(";")}
            lines[analyte] = Line(line.gain, line.shift + direction * step, np.hypot(line.spread, step), grounds=grounds)
    return lines


def _pattern(bench: Bench, cause: sqlite3.Row, severity: Array) -> dict[str, Line]:
    """Return the responses to a cause that is known by its pattern: the rows of ``cause_shifts.csv`` at the severity of 1.

    A change in standard deviations or in the unit grows in step with the severity s; a ratio r becomes r to the power of s. The
    spread of a row is a share of its change, or stands alone where nothing is expected to change.
    """
    lines = {}
    for shift in bench.shifts.get(cause["cause"], ()):
        row = bench.figures.get(shift["analyte"])
        if row is not None:
            lines[shift["analyte"]] = _moved(row, shift, severity)._replace(grounds=frozenset({(PATTERN, shift["id"])}))
    return lines


def _moved(row: sqlite3.Row, shift: sqlite3.Row, severity: Array) -> Line:
    logarithmic, one, none = row["shape"] == "log-normal", np.ones_like(severity), np.zeros_like(severity)
    doubt = shift["spread"] * (abs(shift["change"]) or 1.0)
    if shift["change_kind"] == "absolute":
        return Line(one, severity * shift["change"], severity * doubt)
    if shift["change_kind"] == "sd" and not logarithmic:
        return Line(one, severity * shift["change"] * row["sd"], severity * doubt * row["sd"])
    step = row["sd"] * shift["change"] if shift["change_kind"] == "sd" else np.log(max(1 + shift["change"], 1e-3))
    relative = shift["spread"] * (abs(step) or (row["sd"] if shift["change_kind"] == "sd" else 1.0))
    return Line(np.exp(severity * step), none, none, severity * relative)


_MODELS: dict[str, Callable[[Bench, sqlite3.Row, Array], dict[str, Line]]] = {
    "blood-carry-over": _carry_over,
    "fluid": _fluid,
    "haemolysis": _haemolysis,
    "shift": _pattern,
    "signs": _pattern,
    "delay": lambda bench, cause, hours: _waiting(bench, cause, hours, bench.room_cel),
    "cold-delay": lambda bench, cause, hours: _waiting(bench, cause, hours, bench.cold_cel),
}
