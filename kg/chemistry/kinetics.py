"""What blood does while it waits on its cells: glucose, lactate, potassium, phosphate, enzymes, ammonia, ionised calcium.

Rates are for whole blood that still holds its cells, in a closed tube. Times are in hours from collection, temperatures
in degrees Celsius and constant, concentrations per litre of plasma. Every figure is data; each function says which law it uses.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kg.chemistry.bounds import Array, InputError, celsius, haematocrit, within
from kg.chemistry.parameters import Parameters

GAS_CONSTANT = 8.314462618e-3
"""kJ/(mol K); CODATA, exact since 2019."""
KELVIN = 273.15
INHIBITORS = ("fluoride", "acidified-citrate")


def arrhenius(energy: ArrayLike, temperature_cel: ArrayLike, reference_cel: ArrayLike) -> Array:
    """Return by how much a rate at one temperature exceeds that at another.

    Equation: exp(E/R (1/Tref - 1/T)). Source: Arrhenius, textbook.

    Args:
        energy: E, activation energy, kJ/mol.
        temperature_cel: T, -2 to 45 Cel.
        reference_cel: Tref, Cel.
    """
    inverse = 1 / (celsius(reference_cel) + KELVIN) - 1 / (celsius(temperature_cel) + KELVIN)
    return np.asarray(np.exp(within("energy", energy) / GAS_CONSTANT * inverse))


def glycolysis_rate(parameters: Parameters, temperature_cel: ArrayLike, *, haematocrit_: ArrayLike | None = None,
                    leukocytes: ArrayLike | None = None) -> Array:
    """Return how fast cells use glucose up without an inhibitor, in mmol/L/h.

    Equation: r Arrhenius(T) [(1 - s) H/H0 + s W/W0]. Of zero order: hexokinase is saturated down to very low glucose.
    Source: lippi-2018-glucose (abstract) for r; the share s of white cells is from memory.

    Args:
        parameters: the figures.
        temperature_cel: T, -2 to 45 Cel.
        haematocrit_: H; the usual H0 when not given.
        leukocytes: W, 10*9/L; the usual W0 when not given.
    """
    usual_cells, usual_white = parameters.value("blood", "haematocrit"), parameters.value("blood", "leukocyte-count")
    red = haematocrit(usual_cells if haematocrit_ is None else haematocrit_) / usual_cells
    white = within("leukocytes", usual_white if leukocytes is None else leukocytes) / usual_white
    share = parameters.value("glycolysis", "leukocyte-share")
    warmth = arrhenius(parameters.value("glycolysis", "activation-energy"), temperature_cel,
                       parameters.value("glycolysis", "reference-temperature"))
    return np.asarray(parameters.value("glycolysis", "rate") * warmth * ((1 - share) * red + share * white))


def glycolysing_time(parameters: Parameters, hours: ArrayLike, inhibitor: str | None = None) -> Array:
    """Return how many hours of uninhibited glycolysis a waiting time is worth.

    Equation: none, t; fluoride, a t + (1 - a) tau (1 - exp(-t/tau)): it dies away over the first hours, because enolase
    comes late in the chain; acidified citrate, a t from the first minute.
    Source: mannose-1987, chan-1989, bonetti-2016 (abstracts); tau from memory.

    Args:
        parameters: the figures.
        hours: t, at least 0.
        inhibitor: None, ``fluoride`` or ``acidified-citrate``.
    """
    t = within("hours", hours)
    if inhibitor is None:
        return t
    if inhibitor not in INHIBITORS:
        raise InputError(f"inhibitor: '{inhibitor}' is not one of {', '.join(INHIBITORS)}")
    if inhibitor == "acidified-citrate":
        return np.asarray(parameters.value("glycolysis", "acid-residual") * t)
    left, tau = parameters.value("glycolysis", "fluoride-residual"), parameters.value("glycolysis", "fluoride-time-constant")
    return np.asarray(left * t - (1 - left) * tau * np.expm1(-t / tau))


def glucose_used(parameters: Parameters, glucose: ArrayLike, hours: ArrayLike, temperature_cel: ArrayLike, *,
                 haematocrit_: ArrayLike | None = None, leukocytes: ArrayLike | None = None, inhibitor: str | None = None) -> Array:
    """Return the glucose that cells used up, in mmol/L, at most what was there.

    Equation: min(G0, rate x glycolysing time). Source: see ``glycolysis_rate`` and ``glycolysing_time``.

    Args:
        parameters: the figures.
        glucose: G0, at collection, mmol/L.
        hours: since collection.
        temperature_cel: of the tube, Cel.
        haematocrit_: as a share.
        leukocytes: 10*9/L.
        inhibitor: None, ``fluoride`` or ``acidified-citrate``.
    """
    rate = glycolysis_rate(parameters, temperature_cel, haematocrit_=haematocrit_, leukocytes=leukocytes)
    return np.asarray(np.minimum(within("glucose", glucose), rate * glycolysing_time(parameters, hours, inhibitor)))


def lactate_made(parameters: Parameters, glucose_used_: ArrayLike) -> Array:
    """Return the lactate that glycolysis set free, in mmol/L.

    Equation: 2 x glucose used. Source: stoichiometry of anaerobic glycolysis; red cells have no other way.
    """
    return np.asarray(parameters.value("glycolysis", "lactate-yield") * within("glucose_used", glucose_used_))


def potassium_change(parameters: Parameters, hours: ArrayLike, temperature_cel: ArrayLike, glucose: ArrayLike, *,
                     haematocrit_: ArrayLike | None = None, leukocytes: ArrayLike | None = None) -> Array:
    """Return the change of plasma potassium on unseparated blood, in mmol/L.

    Equation: [J1(T) min(t, tg) + J2(T) max(0, t - tg)] x H/(1-H) over the usual. J1 is leak less pump while there is
    glucose: high in the cold, where the pump stands still, nought near 20 Cel and below it when warm, where the pump
    outruns the leak. J2 holds once glucose is gone, after tg hours. J1 and J2 go by straight lines between known points.
    Source: zavorsky-electrolytes-2021, reuter-2024, trull-2004 (abstracts), lee-2016-delay by arithmetic; the warm end from memory.

    Args:
        parameters: the figures.
        hours: t, at least 0.
        temperature_cel: T, -2 to 45 Cel.
        glucose: at collection, mmol/L.
        haematocrit_: H, as a share.
        leukocytes: 10*9/L.
    """
    fed, starved = _fed_and_starved(parameters, hours, temperature_cel, glucose, haematocrit_, leukocytes)
    with_glucose = parameters.curve("potassium-leak", "net-rate-with-glucose", temperature_cel)
    without = parameters.curve("potassium-leak", "net-rate-without-glucose", temperature_cel)
    return np.asarray((with_glucose * fed + without * starved) * _cells_to_plasma(parameters, haematocrit_))


def phosphate_change(parameters: Parameters, hours: ArrayLike, temperature_cel: ArrayLike, glucose: ArrayLike, *,
                     haematocrit_: ArrayLike | None = None, leukocytes: ArrayLike | None = None) -> Array:
    """Return the change of plasma phosphate on unseparated blood, in mmol/L: down while cells burn glucose, up afterwards.

    Equation: [J1 min(t, tg) + J2 max(0, t - tg)] Arrhenius(T) x H/(1-H) over the usual.
    Source: monneret-2016 and lee-2016-delay (abstracts) by arithmetic; the temperature is taken as that of glycolysis.
    For the arguments see ``potassium_change``.
    """
    fed, starved = _fed_and_starved(parameters, hours, temperature_cel, glucose, haematocrit_, leukocytes)
    first = parameters.value("phosphate-leak", "net-rate-with-glucose")
    then = parameters.value("phosphate-leak", "net-rate-without-glucose")
    warmth = arrhenius(parameters.value("glycolysis", "activation-energy"), temperature_cel,
                       parameters.value("glycolysis", "reference-temperature"))
    return np.asarray((first * fed + then * starved) * warmth * _cells_to_plasma(parameters, haematocrit_))


def ld_change(parameters: Parameters, hours: ArrayLike, *, haematocrit_: ArrayLike | None = None) -> Array:
    """Return the relative change of lactate dehydrogenase on unseparated blood, as a share of the start.

    Equation: k t x H/(1-H) over the usual. Source: from memory, order of size only; studies disagree on the sign in the
    first hours (monneret-2016), and in the cold the activity itself fades.
    """
    rate = parameters.value("ld-leak", "rate") / 100
    return np.asarray(rate * within("hours", hours) * _cells_to_plasma(parameters, haematocrit_))


def ammonia_change(parameters: Parameters, hours: ArrayLike, temperature_cel: ArrayLike) -> Array:
    """Return the rise of ammonia on unseparated blood, in umol/L.

    Equation: k Arrhenius(T) t. Source: from memory, order of size only; chong-2016 finds it faster, and no help from cold.

    Args:
        parameters: the figures.
        hours: t, at least 0.
        temperature_cel: T, -2 to 45 Cel.
    """
    warmth = arrhenius(parameters.value("ammonia-release", "activation-energy"), temperature_cel,
                       parameters.value("glycolysis", "reference-temperature"))
    return np.asarray(parameters.value("ammonia-release", "rate") * warmth * within("hours", hours))


def ph_change(parameters: Parameters, lactate_made_: ArrayLike) -> Array:
    """Return the change of pH of whole blood by the lactic acid that its cells made.

    Equation: -lactate / buffer. Source: definition of the buffer value; the figure is from memory.
    """
    return np.asarray(-within("lactate_made", lactate_made_) / parameters.value("ionised-calcium", "blood-buffer"))


def ionised_calcium(parameters: Parameters, calcium: ArrayLike, *, ph_change_: ArrayLike = 0.0, lactate_made_: ArrayLike = 0.0,
                    heparin: ArrayLike = 0.0) -> Array:
    """Return ionised calcium after acid set it free from protein and lactate and heparin bound some.

    Equation: Ca 10^(a dpH) / (1 + K L) - b h. Source: slope a and constant K from memory (recalled-general), b from haver-1995
    (abstract).

    Args:
        parameters: the figures.
        calcium: Ca, ionised, at the first pH, mmol/L.
        ph_change_: dpH, -1 to 1.
        lactate_made_: L, lactate added since, mmol/L.
        heparin: h, [IU]/mL of blood.
    """
    freed = 10 ** (parameters.value("ionised-calcium", "slope-with-ph") * within("ph_change", ph_change_, -1, 1))
    constant = 10 ** parameters.value("ionised-calcium", "lactate-log10-k") / 1000
    bound = parameters.value("ionised-calcium", "heparin-binding") * within("heparin", heparin)
    free = within("calcium", calcium) * freed / (1 + constant * within("lactate_made", lactate_made_))
    return np.asarray(np.maximum(free - bound, 0.0))


def platelet_potassium(parameters: Parameters, platelets: ArrayLike) -> Array:
    """Return the potassium that platelets set free as blood clots, in mmol/L of serum.

    Equation: b P. Source: graber-1988 (from memory); sevastos-2006 (abstract) finds no proportion: an order of size.

    Args:
        parameters: the figures.
        platelets: P, 10*9/L.
    """
    return np.asarray(parameters.value("platelet-release", "potassium-per-platelets") * within("platelets", platelets))


def _fed_and_starved(parameters: Parameters, hours: ArrayLike, temperature_cel: ArrayLike, glucose: ArrayLike,
                     haematocrit_: ArrayLike | None, leukocytes: ArrayLike | None) -> tuple[Array, Array]:
    """Return the hours with glucose and those without."""
    rate = glycolysis_rate(parameters, temperature_cel, haematocrit_=haematocrit_, leukocytes=leukocytes)
    t, gone = within("hours", hours), within("glucose", glucose) / np.maximum(rate, 1e-12)
    return np.asarray(np.minimum(t, gone)), np.asarray(np.maximum(t - gone, 0.0))


def _cells_to_plasma(parameters: Parameters, haematocrit_: ArrayLike | None) -> Array:
    """Return the volume of cells to that of plasma, over the usual one."""
    usual = parameters.value("blood", "haematocrit")
    h = haematocrit(usual if haematocrit_ is None else haematocrit_)
    return np.asarray(h / (1 - h) / (usual / (1 - usual)))
