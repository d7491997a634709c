"""What a constant is worth at the temperature, ionic strength and pH of the specimen.

Model: Davies equation for ions, log10 g = -A z^2 (sqrt(I) / (1 + sqrt(I)) - 0.3 I); 0.1 I for uncharged species;
activity of water 1; pH is the negative logarithm of the hydron *activity*, which is what a glass electrode reports.
Constants are brought to temperature by van 't Hoff with a constant enthalpy, where one is known. Concentrations are per
kilogram of water and are taken for those per litre, of which they differ by less than 1 %.
"""

from __future__ import annotations

import numpy as np

from kg.chemistry.constants import Array, Reactions

KELVIN = 273.15
GAS_CONSTANT = 8.314462618e-3
"""kJ/(mol K); CODATA, exact since 2019."""
LN10 = float(np.log(10.0))


def permittivity(temperature_cel: Array) -> Array:
    """Return the relative permittivity of water.

    Malmberg and Maryott 1956, J Res Natl Bur Stand 56:1-8 (polynomial recalled, valid from 0 to 100 Cel).
    """
    t = temperature_cel
    return 87.740 - 0.40008 * t + 9.398e-4 * t**2 - 1.410e-6 * t**3


def density(temperature_cel: Array) -> Array:
    """Return the density of water in kg/L, by a usual rational formula (recalled; within 0.01 % from 0 to 100 Cel)."""
    t = temperature_cel
    return 1.0 - (t + 288.9414) * (t - 3.9863) ** 2 / (508929.2 * (t + 68.12963))


def debye_hueckel_slope(temperature_cel: Array) -> Array:
    """Return A of the Debye-Hueckel limiting law, in (kg/mol)^0.5: 1.8246e6 density^0.5 (permittivity x kelvin)^-1.5.

    The factor follows from natural constants (textbook, recalled).
    """
    return 1.8246e6 * np.sqrt(density(temperature_cel)) * (permittivity(temperature_cel) * (temperature_cel + KELVIN)) ** -1.5


def log10_activity_coefficient(charge: Array, ionic_strength: Array, temperature_cel: Array) -> Array:
    """Return log10 of the activity coefficient by the Davies equation; 0.1 I for uncharged species."""
    root = np.sqrt(ionic_strength)
    davies = -debye_hueckel_slope(temperature_cel) * charge**2 * (root / (1.0 + root) - 0.3 * ionic_strength)
    return np.where(charge == 0.0, 0.1 * ionic_strength, davies)


def conditional_log10_k(reactions: Reactions, charge: Array, ph: Array, temperature_cel: Array, ionic_strength: Array) -> Array:
    """Return constants that hold for concentrations, the hydrons folded in.

    Args:
        reactions: what is formed.
        charge: the charge of each component.
        ph, temperature_cel, ionic_strength: conditions, one for each specimen.

    Returns:
        an array of specimens x reactions.
    """
    with np.errstate(invalid="ignore"):
        inverse = 1.0 / (reactions.temperature + KELVIN) - 1.0 / (temperature_cel[:, None] + KELVIN)
        heat = np.nan_to_num(reactions.enthalpy / (GAS_CONSTANT * LN10) * inverse)
    here = log10_activity_coefficient(charge, ionic_strength[:, None], temperature_cel[:, None]) @ reactions.counts.T
    here = here - _of_product(reactions, ionic_strength[:, None], temperature_cel[:, None])
    crowding = np.where(reactions.phase == "site", 0.0, np.nan_to_num(here - _where_measured(reactions, charge)))
    return reactions.log10_k + heat + crowding - reactions.hydrons * ph[:, None]


def _of_product(reactions: Reactions, ionic_strength: Array, temperature_cel: Array) -> Array:
    """Return log10 of the product's activity coefficient; a solid has none."""
    return np.where(reactions.phase == "solid", 0.0, log10_activity_coefficient(reactions.charge, ionic_strength, temperature_cel))


def _where_measured(reactions: Reactions, charge: Array) -> Array:
    """Return the same balance of activity coefficients at the ionic strength of the constant, where hydrons are concentrations."""
    strength, temperature = reactions.ionic_strength, reactions.temperature
    ions = log10_activity_coefficient(charge, strength[:, None], temperature[:, None])
    hydron = log10_activity_coefficient(np.array(1.0), strength, temperature)
    balance: Array = np.sum(reactions.counts * ions, axis=1) + reactions.hydrons * hydron
    return balance - _of_product(reactions, strength, temperature)
