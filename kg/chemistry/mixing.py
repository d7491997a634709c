"""Mixing in the plasma phase: carry-over of blood and of additive, infusion fluids, dilution, filling, citrate.

Ions and small molecules live in the plasma, outside the red cells, so that a small volume of fluid counts for
more than its share of the blood. Concentrations are per litre of plasma; volumes may have any unit, as long as it
is one and the same. Volume is taken as additive. Solutes that soon enter red cells (glucose, urea) are not followed there:
the model speaks of the plasma as it is before they do.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from kg.chemistry.bounds import Array, InputError, fraction, haematocrit, within
from kg.chemistry.parameters import Parameters
from kg.database import rows

Plasma = Mapping[str, ArrayLike]
"""Concentrations by species or analyte, per litre of plasma; each in the unit in which both sides of a mixture are given."""


class Dose(NamedTuple):
    """What a tube of an additive holds.

    ``concentrations`` are per litre of blood at nominal filling for a dry additive, and per litre of the
    solution for a liquid one; ``blood_to_additive`` is the volume of blood to one of solution, None when dry.
    """

    additive: str
    concentrations: dict[str, float]
    blood_to_additive: float | None = None


def blood_share(blood_fraction: ArrayLike, haematocrit_: ArrayLike, contaminant_haematocrit: ArrayLike) -> Array:
    """Return the share of the plasma that came with contaminating blood.

    Equation: f (1 - Hc) / (f (1 - Hc) + (1 - f) (1 - H)).
    Source: conservation of volume; own-arithmetic.

    Args:
        blood_fraction: f, volume of contaminating blood in the final volume of blood, 0 to 1.
        haematocrit_: H, haematocrit of the blood that belongs in the tube, 0 to below 1.
        contaminant_haematocrit: Hc, haematocrit of the contaminating blood, 0 to below 1.
    """
    f = fraction("blood_fraction", blood_fraction)
    foreign = f * (1 - haematocrit(contaminant_haematocrit, "contaminant_haematocrit"))
    own = (1 - f) * (1 - haematocrit(haematocrit_))
    return np.asarray(foreign / (foreign + own))


def fluid_share(fluid_fraction: ArrayLike, haematocrit_: ArrayLike) -> Array:
    """Return the share of the plasma that is a fluid without cells.

    Equation: f / (f + (1 - f) (1 - H)), which is ``blood_share`` with Hc = 0. Source: conservation of volume; own-arithmetic.

    Args:
        fluid_fraction: f, volume of fluid in the final volume of the specimen, 0 to 1.
        haematocrit_: H, haematocrit of the blood, 0 to below 1.
    """
    f = fraction("fluid_fraction", fluid_fraction)
    return blood_share(f, haematocrit_, 0.0)


def blood_fraction(share: ArrayLike, haematocrit_: ArrayLike, contaminant_haematocrit: ArrayLike) -> Array:
    """Return the volume fraction of contaminating blood that gives a share of the plasma: the inverse of ``blood_share``.

    Equation: f = p (1 - H) / (p (1 - H) + (1 - p) (1 - Hc)). Source: own-arithmetic.
    """
    p = fraction("share", share)
    own = p * (1 - haematocrit(haematocrit_))
    foreign = (1 - p) * (1 - haematocrit(contaminant_haematocrit, "contaminant_haematocrit"))
    return np.asarray(own / (own + foreign))


def mix(plasma: Plasma, contaminant: Plasma, share: ArrayLike) -> dict[str, Array]:
    """Return a plasma after a share of it was replaced by something else; amounts are conserved.

    Equation: c = (1 - p) c_own + p c_foreign. Source: conservation of mass; own-arithmetic.

    Args:
        plasma: concentrations in the plasma itself.
        contaminant: concentrations in what came in; what it does not name, it does not hold.
        share: p, from ``blood_share`` or ``fluid_share``, 0 to 1.
    """
    p = fraction("share", share)
    return {name: np.asarray((1 - p) * within(name, plasma.get(name, 0.0)) + p * within(name, contaminant.get(name, 0.0)))
            for name in dict.fromkeys([*plasma, *contaminant])}


def concentration_after_filling(nominal: ArrayLike, fill: ArrayLike) -> Array:
    """Return the concentration of a dry additive in blood that does not fill the tube as it should.

    Equation: c / fill; the amount in the tube stays the same. Source: conservation of mass; own-arithmetic.

    Args:
        nominal: c, per litre of blood at nominal filling.
        fill: blood drawn over the nominal volume, above 0 (0.5 is half full, 1.1 over-filled).
    """
    return np.asarray(within("concentration", nominal) / _filled(fill))


def plasma_kept(blood_to_additive: ArrayLike, haematocrit_: ArrayLike, fill: ArrayLike = 1.0) -> Array:
    """Return the share of the plasma phase that is still plasma after a liquid additive thinned it.

    Equation: r f (1 - H) / (1 + r f (1 - H)). Source: conservation of volume; reneke-1998 uses r = 9; own-arithmetic.

    Args:
        blood_to_additive: r, volumes of blood to one of solution at nominal filling.
        haematocrit_: H, 0 to below 1.
        fill: f, blood drawn over the nominal volume.
    """
    plasma = within("blood_to_additive", blood_to_additive) * _filled(fill) * (1 - haematocrit(haematocrit_))
    return np.asarray(plasma / (1 + plasma))


def in_tube(plasma: Plasma, dose: Dose, haematocrit_: ArrayLike, fill: ArrayLike = 1.0) -> dict[str, Array]:
    """Return the plasma of blood drawn into a tube with an additive.

    Equation: dry, c + a / (fill (1 - H)); liquid, ``mix`` with the share left by ``plasma_kept``.
    Source: conservation of mass; own-arithmetic.

    Args:
        plasma: concentrations in the patient's plasma.
        dose: what the tube holds.
        haematocrit_: H, 0 to below 1.
        fill: blood drawn over the nominal volume.
    """
    if dose.blood_to_additive is not None:
        return mix(plasma, dose.concentrations, 1 - plasma_kept(dose.blood_to_additive, haematocrit_, fill))
    added = {name: concentration_after_filling(amount, fill) / (1 - haematocrit(haematocrit_))
             for name, amount in dose.concentrations.items()}
    return {name: np.asarray(within(name, plasma.get(name, 0.0)) + added.get(name, 0.0)) for name in dict.fromkeys([*plasma, *added])}


def carry_over(plasma: Plasma, dose: Dose, blood_fraction_: ArrayLike, haematocrit_: ArrayLike,
               contaminant_haematocrit: ArrayLike | None = None, *, contaminant: Plasma | None = None,
               fill: ArrayLike = 1.0) -> dict[str, Array]:
    """Return a plasma after whole blood from a tube with an additive got into it.

    The contaminating volume is what was poured or carried: blood with its additive, a liquid one included. Its plasma
    phase is (1 + r f (1 - H)) / (1 + r f) of it for a liquid additive and 1 - H for a dry one.
    Source: conservation of mass and volume; own-arithmetic.

    Args:
        plasma: concentrations in the plasma that belongs in the tube.
        dose: the additive of the other tube.
        blood_fraction_: volume of it in the final volume, 0 to 1.
        haematocrit_: of the blood that belongs in the tube.
        contaminant_haematocrit: of the blood in the other tube before its additive; the same when not given.
        contaminant: plasma of that blood before its additive; the same patient's when not given.
        fill: how far the other tube was filled.
    """
    other = haematocrit(haematocrit_ if contaminant_haematocrit is None else contaminant_haematocrit, "contaminant_haematocrit")
    inside = in_tube(plasma if contaminant is None else contaminant, dose, other, fill)
    cells = other
    if dose.blood_to_additive is not None:
        blood = dose.blood_to_additive * _filled(fill)
        cells = other * blood / (1 + blood)
    return mix(plasma, inside, blood_share(blood_fraction_, haematocrit_, cells))


def neat_additive(plasma: Plasma, solution: Plasma, volume: ArrayLike, blood_volume: ArrayLike,
                  haematocrit_: ArrayLike) -> dict[str, Array]:
    """Return a plasma after additive solution itself, without blood, got into the tube.

    Equation: ``mix`` with ``fluid_share`` of v / (v + V). Source: conservation of mass; own-arithmetic.

    Args:
        plasma: concentrations in the plasma.
        solution: concentrations in the additive solution.
        volume: v, of the solution.
        blood_volume: V, of the blood, in the same unit, above 0.
        haematocrit_: H, 0 to below 1.
    """
    v, blood = within("volume", volume), _positive("blood_volume", blood_volume)
    return mix(plasma, solution, fluid_share(v / (v + blood), haematocrit_))


def infuse(plasma: Plasma, fluid: Plasma, fluid_fraction: ArrayLike, haematocrit_: ArrayLike) -> dict[str, Array]:
    """Return a plasma after an infusion fluid got into the specimen.

    Equation: ``mix`` with ``fluid_share``. Source: conservation of mass; own-arithmetic.
    """
    return mix(plasma, fluid, fluid_share(fluid_fraction, haematocrit_))


def drawn_from_cells(added_osmoles: ArrayLike, haematocrit_: ArrayLike, osmolality: ArrayLike, cell_water: ArrayLike) -> Array:
    """Return the share of the plasma that is water drawn out of red cells by salt that stays outside.

    Equation: x = n w / (O (V + w) + n), share x / (V + x), with V = 1 - H and w = H b (Boyle and van 't Hoff: the number
    of osmoles inside and outside stays, water moves until both are equally concentrated).
    Source: textbook, recalled-general. Salt that enters the cells, as fluoride does in part, draws less.

    Args:
        added_osmoles: n, mosm per litre of blood.
        haematocrit_: H, 0 to below 1.
        osmolality: O, of the blood before, mosm/L.
        cell_water: b, share of the red-cell volume that takes part.
    """
    n, h = within("added_osmoles", added_osmoles), haematocrit(haematocrit_)
    water = h * fraction("cell_water", cell_water)
    plasma = 1 - h
    drawn = n * water / (_positive("osmolality", osmolality) * (plasma + water) + n)
    return np.asarray(drawn / (plasma + drawn))


def plasma_citrate(solution: ArrayLike, haematocrit_: ArrayLike, fill: ArrayLike = 1.0, blood_to_additive: ArrayLike = 9.0) -> Array:
    """Return the citrate in the plasma of a citrate tube, in the unit of the solution.

    Equation: M / (1 + r f (1 - H)). Source: own-arithmetic (ci-0067 to ci-0089).
    """
    return np.asarray(within("solution", solution) * (1 - plasma_kept(blood_to_additive, haematocrit_, fill)))


def citrate_for_blood(blood_volume: ArrayLike, haematocrit_: ArrayLike) -> Array:
    """Return the volume of citrate for a volume of blood, by the formula of the guideline.

    Equation: 1.85e-3 (100 - Hct%) V. Source: clsi-h21 (from memory), clinicaldiagnotics-citrate (read): ci-0001 to ci-0003.

    Args:
        blood_volume: V, of the blood, in the unit in which the citrate is wanted.
        haematocrit_: as a share, 0 to below 1 (advised from 0.55 on).
    """
    return np.asarray(1.85e-3 * 100 * (1 - haematocrit(haematocrit_)) * _positive("blood_volume", blood_volume))


def citrate_for_total(total_volume: ArrayLike, haematocrit_: ArrayLike) -> Array:
    """Return the volume of citrate for a total volume of blood and citrate.

    Equation: V (100 - Hct%) / (595 - Hct%); the exact 9:1 tube at haematocrit 0.45. Source: nccls-formula-secondary (read, ci-0005).
    One source (fritsma-siniard-citrate, ci-0004) puts the volume of blood here, which leaves less citrate.
    """
    percent = 100 * haematocrit(haematocrit_)
    return np.asarray(_positive("total_volume", total_volume) * (100 - percent) / (595 - percent))


def citrate_by_line(total_volume: ArrayLike, haematocrit_: ArrayLike) -> Array:
    """Return the volume of citrate for a total volume, by a straight line through a handbook table.

    Equation: (0.1555 - 0.00135 Hct%) V. Source: nccls-formula-secondary (read, ci-0006).
    """
    return np.asarray((0.1555 - 0.135 * haematocrit(haematocrit_)) * _positive("total_volume", total_volume))


def citrate_as_at(blood_volume: ArrayLike, haematocrit_: ArrayLike, anchor: ArrayLike = 0.45, blood_to_additive: ArrayLike = 9.0) -> Array:
    """Return the volume of citrate that gives the same plasma citrate as an ordinary tube at an ordinary haematocrit.

    Equation: V (1 - H) / (r (1 - H0)); H0 = 0.40 is the formula with 1.85e-3. Source: own-arithmetic (ci-0032, ci-0033).
    """
    plasma = _positive("blood_volume", blood_volume) * (1 - haematocrit(haematocrit_))
    return np.asarray(plasma / (_positive("blood_to_additive", blood_to_additive) * (1 - haematocrit(anchor, "anchor"))))


def dose_of(parameters: Parameters, additive: str, *, neat: bool = False) -> Dose:
    """Return what a tube of an additive holds.

    Args:
        parameters: the figures.
        additive: its id.
        neat: the additive itself, before any blood, where it is a solution.

    Raises:
        InputError: no dose is known.
    """
    for kind in ("neat-concentration", "solution-concentration") if neat else ("solution-concentration", "blood-concentration"):
        found = parameters.every("tube", kind, condition=additive)
        if found:
            ratio = parameters.every("tube", "blood-to-additive", condition=additive) if kind == "solution-concentration" else []
            return Dose(additive, {figure.about: figure.value for figure in found}, ratio[0].value if ratio else None)
    raise InputError(f"additive: no dose is known for '{additive}'{' as a solution' if neat else ''}")


def fluid_of(connection: sqlite3.Connection, fluid: str) -> dict[str, float]:
    """Return the concentrations of an infusion fluid by species; the middle where sources or the ends of a range differ.

    Args:
        connection: the database.
        fluid: its id.

    Raises:
        InputError: the composition of the fluid is not known.
    """
    found: dict[str, list[float]] = {}
    for row in rows(connection, "fluid_concentrations", fluid=fluid):
        found.setdefault(row["species"], []).append(row["value"])
    if not found:
        raise InputError(f"fluid: the composition of '{fluid}' is not known")
    return {species: (min(values) + max(values)) / 2 for species, values in found.items()}


def _positive(name: str, value: ArrayLike) -> Array:
    return within(name, value, np.finfo(np.float64).tiny)


def _filled(fill: ArrayLike) -> Array:
    return _positive("fill", fill)
