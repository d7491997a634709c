"""Carbon dioxide that leaves a specimen, and oxygen that enters it or is breathed by its cells.

Pressures are in mm[Hg]; figures of the carbon dioxide system are those at 37 Cel, at which results are stated.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kg.chemistry.bounds import Array, celsius, within
from kg.chemistry.kinetics import KELVIN, arrhenius
from kg.chemistry.parameters import Parameters

GAS_PER_PRESSURE = 1000 / 62.363577
"""K mmol/L/mm[Hg]: one over the gas constant in L mm[Hg]/(mol K); CODATA."""


def pco2(parameters: Parameters, bicarbonate: ArrayLike, ph: ArrayLike) -> Array:
    """Return pCO2 in mm[Hg] from bicarbonate in mmol/L and pH.

    Equation: Henderson and Hasselbalch, HCO3 / (s 10^(pH - pK)). Source: textbook; s and pK from memory.
    """
    ratio = 10 ** (within("ph", ph, 4, 11) - parameters.value("carbon-dioxide", "pk"))
    return np.asarray(within("bicarbonate", bicarbonate) / (parameters.value("carbon-dioxide", "solubility") * ratio))


def lost_to_head_space(parameters: Parameters, bicarbonate: ArrayLike, ph: ArrayLike, head_space: ArrayLike,
                       temperature_cel: ArrayLike = 22.0) -> Array:
    """Return the total carbon dioxide, in mmol per litre of serum or plasma, that air in a stoppered tube takes up.

    As gas leaves, pH rises by what protein and phosphate take up: HCO3 = HCO3(0) - b (pH - pH(0)). At the end
    the loss from the liquid equals the content of the air: T(0) - T(pH) = v p(pH) / (R T). Solved for pH by bisection.
    Source: Henderson and Hasselbalch with conservation of mass; b from memory. bandi-1981 (abstract) found more than 2 mmol/L.

    Args:
        parameters: the figures.
        bicarbonate: at the start, mmol/L.
        ph: at the start.
        head_space: v, volume of air to one of liquid.
        temperature_cel: of the air, Cel.
    """
    start, first, air = within("bicarbonate", bicarbonate), within("ph", ph, 6, 9), within("head_space", head_space)
    per_pressure = GAS_PER_PRESSURE / (celsius(temperature_cel) + KELVIN)
    solubility, buffer = parameters.value("carbon-dioxide", "solubility"), parameters.value("carbon-dioxide", "plasma-buffer")
    shape = np.broadcast_shapes(start.shape, first.shape, air.shape, per_pressure.shape)
    low, high = np.broadcast_to(first, shape).astype(np.float64), np.full(shape, 11.0)

    def left(now: Array) -> tuple[Array, Array]:
        ion = np.maximum(start - buffer * (now - first), 0.0)
        pressure = pco2(parameters, ion, now)
        return ion + solubility * pressure, pressure

    total = start + solubility * pco2(parameters, start, first)
    for _ in range(60):
        middle = (low + high) / 2
        content, pressure = left(middle)
        short = total - content < air * pressure * per_pressure
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(total - left((low + high) / 2)[0])


def lost_from_open_cup(parameters: Parameters, bicarbonate: ArrayLike, hours: ArrayLike) -> Array:
    """Return the bicarbonate that an open cup loses, in mmol/L.

    Equation: HCO3 (1 - exp(-k t)). Source: from memory; bandi-1981 and kirschbaum-2003 (abstracts) disagree on the size.
    """
    rate = parameters.value("carbon-dioxide", "open-cup-rate")
    return np.asarray(-within("bicarbonate", bicarbonate) * np.expm1(-rate * within("hours", hours)))


def oxygen_capacity(parameters: Parameters, po2: ArrayLike, haemoglobin: ArrayLike) -> Array:
    """Return how much oxygen blood takes up for one mm[Hg], in mmol/L/mm[Hg].

    Equation: a + Hb dS/dp, S = p^n / (p^n + P50^n) (Hill). Source: textbook; figures from memory.

    Args:
        parameters: the figures.
        po2: p, mm[Hg].
        haemoglobin: Hb, as monomer, mmol/L.
    """
    p = within("po2", po2, 0, 800)
    n, half = parameters.value("oxygen", "hill"), parameters.value("oxygen", "half-saturation")
    relative = np.maximum(p, 1e-9) / half
    slope = n / half * relative ** (n - 1) / (1 + relative**n) ** 2
    return np.asarray(parameters.value("oxygen", "solubility") + within("haemoglobin", haemoglobin) * slope)


def po2_after(parameters: Parameters, po2: ArrayLike, hours: ArrayLike, temperature_cel: ArrayLike, *,
              leukocytes: ArrayLike | None = None, haemoglobin: ArrayLike | None = None, plastic: bool = False, steps: int = 400) -> Array:
    """Return pO2 in mm[Hg] after a wait, stated at 37 Cel.

    Equation: dp/dt = (p_air - p)/tau - q W Arrhenius(T) / capacity(p), by the midpoint rule: air comes through a plastic wall,
    white cells breathe. Source: knowles-2006 (abstract) for tau; q from memory; fox-1979 (abstract) for the effect.

    Args:
        parameters: the figures.
        po2: at the start, mm[Hg].
        hours: at least 0.
        temperature_cel: -2 to 45 Cel.
        leukocytes: W, 10*9/L; the usual count when not given.
        haemoglobin: as monomer, mmol/L; the usual one when not given.
        plastic: whether the wall lets oxygen through.
        steps: of the integration.
    """
    white = within("leukocytes", parameters.value("blood", "leukocyte-count") if leukocytes is None else leukocytes)
    carried = within("haemoglobin", parameters.value("blood", "haemoglobin") if haemoglobin is None else haemoglobin)
    warmth = arrhenius(parameters.value("oxygen", "activation-energy"), temperature_cel, 37.0)
    breathed = 60 * parameters.value("oxygen", "leukocyte-consumption") * white * warmth
    inward = 1 / parameters.value("oxygen", "plastic-time-constant") if plastic else 0.0
    air = parameters.value("oxygen", "air")

    def slope(now: Array) -> Array:
        uptake = np.where(now > 0, breathed / oxygen_capacity(parameters, np.clip(now, 0, 800), carried), 0.0)
        return np.asarray(inward * (air - now) - uptake)

    step = within("hours", hours) / int(within("steps", steps, 1, 100_000))
    pressure = within("po2", po2, 0, 800) + np.zeros(np.broadcast_shapes(step.shape, breathed.shape, carried.shape))
    for _ in range(steps):
        pressure = np.maximum(pressure + step * slope(np.asarray(pressure + step / 2 * slope(pressure))), 0.0)
    return np.asarray(pressure)
