"""What broken red cells set free: per g/L of free haemoglobin, from what a cell holds.

What haemoglobin itself does to a reading (its colour, its peroxidase-like reaction, adenylate kinase) is not computed: it
depends on wavelengths and reagents.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kg.chemistry.bounds import Array, InputError, within
from kg.chemistry.parameters import Parameters


def lysed_volume(parameters: Parameters, free_haemoglobin: ArrayLike) -> Array:
    """Return the volume of red cells broken for each volume of plasma.

    Equation: Hb / MCHC. Source: definition of the mean cell haemoglobin concentration (330 g/L, from memory).

    Args:
        parameters: the figures.
        free_haemoglobin: Hb, in plasma, g/L.
    """
    return np.asarray(within("free_haemoglobin", free_haemoglobin) / parameters.value("blood", "haemoglobin-in-cells"))


def relative_change(parameters: Parameters, free_haemoglobin: ArrayLike, ratio: ArrayLike) -> Array:
    """Return the change of an analyte as a share of its own level; below 0 where cells hold less and lysis thins.

    Equation: v (R - 1) / (1 + v). Source: conservation of mass; ratios of cell_contents.csv (frank-1978, read, for potassium,
    lactate dehydrogenase, aspartate aminotransferase and acid phosphatase; others from memory).

    Args:
        parameters: the figures.
        free_haemoglobin: in plasma, g/L.
        ratio: R, concentration in the cell over that in plasma.
    """
    volume = lysed_volume(parameters, free_haemoglobin)
    return np.asarray(volume * (within("ratio", ratio) - 1) / (1 + volume))


def released(parameters: Parameters, level: ArrayLike, free_haemoglobin: ArrayLike, ratio: ArrayLike, usual_level: ArrayLike | None = None) -> Array:
    """Return the level after haemolysis, where the cells hold what they hold whatever the plasma level is.

    Equation: (c + v R c0) / (1 + v), c0 the usual plasma level for which R was stated. Source: conservation of mass.

    Args:
        parameters: the figures.
        level: c, in plasma before lysis, any unit.
        free_haemoglobin: g/L.
        ratio: R.
        usual_level: c0, in the same unit; c when not given.
    """
    before = within("level", level)
    usual = before if usual_level is None else within("usual_level", usual_level)
    volume = lysed_volume(parameters, free_haemoglobin)
    return np.asarray((before + volume * within("ratio", ratio) * usual) / (1 + volume))


def haemoglobin_for_change(parameters: Parameters, relative: ArrayLike, ratio: ArrayLike) -> Array:
    """Return the free haemoglobin in g/L that changes an analyte by a share: the inverse of ``relative_change``.

    Equation: v = d / (R - 1 - d), Hb = v MCHC. Source: own-arithmetic.

    Args:
        parameters: the figures.
        relative: d, between 0 and R - 1.
        ratio: R, above 1.
    """
    r, d = within("ratio", ratio, 1.0), within("relative", relative)
    if np.any(d >= r - 1):
        raise InputError("relative: cells do not hold enough for such a change, however many break")
    return np.asarray(d / (r - 1 - d) * parameters.value("blood", "haemoglobin-in-cells"))


def total_protein(parameters: Parameters, protein: ArrayLike, free_haemoglobin: ArrayLike) -> Array:
    """Return total protein with the haemoglobin that biuret counts as protein, in g/L.

    Equation: (P + Hb (1 + v)) / (1 + v), Hb being stated for the plasma after lysis. Source: haemoglobin is protein; own-arithmetic.
    """
    volume = lysed_volume(parameters, free_haemoglobin)
    return np.asarray(within("protein", protein) / (1 + volume) + within("free_haemoglobin", free_haemoglobin))
