"""What is held likely before the results are looked at: how common a cause is, and what is known of this specimen."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kg.database import rows
from kg.explain.baseline import unscaled
from kg.explain.infer import Prior
from kg.explain.model import OWN_TIME, Array, Cause, Model
from kg.explain.panel import Panel
from kg.questions.common import related
from kg.wording import inside

_NEVER = -math.inf


class Weighed(NamedTuple):
    """Something that was taken into account beforehand, and what it made more or less likely."""

    text: str
    settings: tuple[str, ...] = ()
    """Names of the settings that say by how much."""
    causes: tuple[int, ...] = ()


class Candidates(NamedTuple):
    """Which causes are considered, how likely they are beforehand, and why some are more or less so."""

    prior: Prior
    allowed: list[int]
    because: tuple[Weighed, ...]
    fits: frozenset[str]
    """What the specimen is, as stated or as usual for what was measured, with everything broader and narrower."""


def candidates(connection: sqlite3.Connection, model: Model, panel: Panel, analytes: Iterable[str]) -> Candidates:
    """Weigh the causes by the table of candidates and by what is known of the specimen.

    Args:
        connection: the database.
        model: of the results.
        panel: what is known of the specimen.
        analytes: ids of everything that was measured, from which the material is guessed when it is not stated.
    """
    because: list[Weighed] = []
    usual = _usual_materials(connection, list(analytes))
    materials = (panel.material,) if panel.material else usual
    if not panel.material:
        labels = [inside(row[0]) for row in connection.execute(f"SELECT label FROM concept WHERE id IN ({','.join('?' * len(usual))}) ORDER BY label", usual)]
        because.append(Weighed(f"The specimen material is not stated; it is taken to be {' and '.join(labels)}."))
    fits = _related(connection, materials)
    odds = np.log(np.array([cause.prior for cause in model.causes]) / sum(cause.prior for cause in model.causes))
    odds = odds + additive_odds(connection, model, panel, because) + _fluids(connection, model, panel, because) + _specimen(connection, model, panel, because) + _course(model, panel, because)
    steps = np.stack([_steps(cause, panel) for cause in model.causes])
    because += _earlier(model, panel)
    if panel.hours_since_collection is not None:
        because.append(Weighed(f"No wait on the cells longer than {panel.hours_since_collection:g} h is considered."))
    visible = _visible(model)
    allowed = [i for i, cause in enumerate(model.causes)
               if (not cause.materials or fits & set(cause.materials)) and np.isfinite(steps[i]).any() and visible[i]
               and (not cause.since or panel.earlier)]
    total = np.log(np.exp(odds[allowed]).sum())
    bearing = tuple(one for one in because if not one.causes or set(one.causes) & set(allowed))
    return Candidates(Prior(odds - total, steps), allowed, bearing, frozenset(fits))


def as_not_picked_out(model: Model, before: Candidates) -> Candidates:
    """Return the same causes as common as they are where nobody picked the panel out as odd."""
    odd, ill = model.settings["share-odd"], model.settings["share-ill"]
    causes = before.prior.causes.copy()
    for kind, share in (("artefact", odd), ("in-vivo", ill), ("none", 1 - odd - ill)):
        group = [i for i in before.allowed if model.causes[i].kind == kind]
        if group:
            causes[group] += math.log(share) - math.log(np.exp(causes[group]).sum())
    why = Weighed("What set these results apart is put down to the earlier ones, so they are weighed as a panel that nobody picked out.",
                  ("share-odd", "share-ill"), tuple(before.allowed))
    return before._replace(prior=before.prior._replace(causes=causes), because=(*(one for one in before.because if _MEMORY not in one.settings), why))


_LEAST_SHARE = 1e-3
_MEMORY = "correlation-time"
_WAITING = ("delay", "cold-delay")
_HIGH_HAEMATOCRIT = "high-haematocrit-citrate"


def _visible(model: Model) -> NDArray[np.bool_]:
    """Return which causes at their most severe can be seen in any result beside the variation of the method; the absence of causes too.

    One that cannot be seen is not why anybody finds these results odd.
    """
    usual = unscaled(model, model.mean)
    gain, shift, spread, relative = (part[:, -1] for part in model.effects)
    change = np.abs((gain - 1) * usual + shift) + spread + relative * np.abs(usual)
    return np.asarray((change > model.analytical * np.abs(usual)).any(axis=1) | np.array([cause.kind == "none" for cause in model.causes]))


def _usual_materials(connection: sqlite3.Connection, analytes: list[str]) -> tuple[str, ...]:
    usual = {row["discipline"]: row["material"] for row in rows(connection, "usual_materials")}
    marks = ",".join("?" * len(analytes))
    disciplines = [row[0] for row in connection.execute(f"SELECT DISTINCT discipline FROM analytes WHERE id IN ({marks})", analytes)]
    return tuple(sorted({usual[discipline] for discipline in disciplines if discipline in usual}))


def _related(connection: sqlite3.Connection, concepts: Iterable[str]) -> set[str]:
    return {other for concept in concepts for other in related(connection, concept)}


def additive_odds(connection: sqlite3.Connection, model: Model, panel: Panel, because: list[Weighed]) -> Array:
    """Return what the tubes that were drawn, or those that the laboratory uses, add to the log odds of each carry-over."""
    if panel.tubes_drawn:
        drawn, known = set(panel.tubes_drawn), "the tubes drawn are stated"
    else:
        drawn = {additive for row in rows(connection, "additives_in_use") for additive in row["additives"].split(";")}
        known = "the local catalogue asks for no such tube"
    if not drawn:
        return np.zeros(len(model.causes))
    near = _related(connection, drawn)
    found = np.zeros(len(model.causes))
    for i, cause in enumerate(model.causes):
        if cause.model == "blood-carry-over":
            if cause.additive not in near:
                found[i] = math.log(model.settings["odds-additive-not-drawn"])
                because.append(Weighed(f"{cause.label} is held less likely: {known}.", ("odds-additive-not-drawn",), (i,)))
            elif panel.tubes_drawn:
                found[i] = math.log(model.settings["odds-additive-drawn"])
                because.append(Weighed(f"{cause.label} is held more likely: such a tube was drawn.", ("odds-additive-drawn",), (i,)))
    return found


def _fluids(connection: sqlite3.Connection, model: Model, panel: Panel, because: list[Weighed]) -> Array:
    """Return what the infusions add to the log odds of each fluid: one that holds the same species, in whatever strength, counts as it."""
    found = np.zeros(len(model.causes))
    if not panel.infusions:
        return found
    holds: dict[str, set[str]] = {}
    for row in rows(connection, "fluid_species"):
        holds.setdefault(row["fluid"], set()).add(row["species"])
    others = []
    for i, cause in enumerate(model.causes):
        if cause.model == "fluid":
            running = any(fluid == cause.fluid or holds.get(fluid) == holds.get(cause.fluid) for fluid in panel.infusions)
            found[i] = math.log(model.settings["odds-fluid-running" if running else "odds-fluid-not-running"])
            if running:
                because.append(Weighed(f"{cause.label} is held more likely: it was running.", ("odds-fluid-running",), (i,)))
            else:
                others.append(i)
    if others:
        because.append(Weighed("Other infusion fluids are held less likely: they were not running.", ("odds-fluid-not-running",), tuple(others)))
    return found


def _specimen(connection: sqlite3.Connection, model: Model, panel: Panel, because: list[Weighed]) -> Array:
    """Return what the additive of the stated material adds to the log odds of the causes that are a fault of just that additive."""
    found = np.zeros(len(model.causes))
    row = connection.execute("SELECT additive FROM materials WHERE id = ?", (panel.material,)).fetchone()
    near = _related(connection, [row["additive"]]) if row is not None and row["additive"] else set()
    for i, cause in enumerate(model.causes):
        if cause.additive and cause.model != "blood-carry-over" and cause.additive in near:
            found[i] = math.log(model.settings["odds-additive-in-the-specimen"])
            because.append(Weighed(f"{cause.label} is held more likely: the specimen holds the additive.", ("odds-additive-in-the-specimen",), (i,)))
        if cause.id == _HIGH_HAEMATOCRIT and panel.haematocrit is not None and "haematocrit" not in model.analytes:
            high = panel.haematocrit > model.settings["haematocrit-of-citrate"]
            name = "odds-haematocrit-high" if high else "odds-haematocrit-not-high"
            found[i] += math.log(model.settings[name])
            because.append(Weighed(f"{cause.label} is held {'more' if high else 'less'} likely: the haematocrit is {panel.haematocrit:g}.",
                                   ("haematocrit-of-citrate", name), (i,)))
    return found


def _course(model: Model, panel: Panel, because: list[Weighed]) -> Array:
    """Return what a long wait and earlier results add to the log odds of each cause."""
    found = np.zeros(len(model.causes))
    hours, settings = panel.hours_since_collection, model.settings
    if hours is not None and hours >= settings["hours-of-a-wait"]:
        waits = tuple(i for i, cause in enumerate(model.causes) if cause.model in _WAITING)
        found[list(waits)] += math.log(settings["odds-waited"])
        because.append(Weighed(f"A wait on the cells is held more likely: {hours:g} h since collection.", ("odds-waited", "hours-of-a-wait"), waits))
    if panel.earlier:
        latest = min(past.hours_before for past in panel.earlier)
        share = min(max(latest / settings["onset-of-a-lasting-state"], _LEAST_SHARE), 1.0)
        lasting = tuple(i for i, cause in enumerate(model.causes) if cause.lasting)
        found[list(lasting)] += math.log(share)
        because.append(Weighed(f"States that last are held less likely: results of {latest:g} h before would have shown them.",
                               ("onset-of-a-lasting-state",), lasting))
    return found


def _earlier(model: Model, panel: Panel) -> list[Weighed]:
    """Return how earlier results of what was measured are taken into account, with the figures."""
    seen = {result.analyte for past in panel.earlier for result in past.results} & set(model.analytes)
    own = [name for name in (f"{OWN_TIME}{analyte}" for analyte in sorted(seen)) if name in model.figures]
    return [Weighed("Earlier results count for less the older they are; how fast each result moves in a person is judged.", (_MEMORY, *own))] if seen else []


def _steps(cause: Cause, panel: Panel) -> Array:
    """Return the log shares of the severities of a cause, those that the time and temperature rule out left out."""
    possible = np.ones(len(cause.severity), dtype=bool)
    if cause.model in _WAITING:
        if panel.hours_since_collection is not None:
            possible &= cause.severity <= max(panel.hours_since_collection, 0.0)
        if panel.temperature_cel is not None:
            cold = panel.temperature_cel < _COLD_BELOW
            possible &= cold if cause.model == "cold-delay" else not cold
    shares = np.where(possible, cause.shares, 0.0)
    return np.asarray(np.log(shares / max(float(shares.sum()), 1e-300), out=np.full(len(shares), _NEVER), where=possible))


_COLD_BELOW = 12.0
"""Cel; below it the pump of the cells hardly works, half-way between a refrigerator and a room."""
