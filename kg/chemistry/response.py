"""What a method reads, given the species that are there.

The specimen's own equilibrium (who holds which metal) is computed elsewhere and comes in as an argument: free
concentrations, or amounts held. Here the reagent has its say: a dye competes with the ligand, an enzyme lacks its
metal or is inhibited, an electrode sees a litre of water where the report speaks of a litre of plasma.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from kg.chemistry.bounds import Array, fraction, within
from kg.chemistry.parameters import Parameters

TINY = 1e-30


def water_share(parameters: Parameters, total_protein: ArrayLike, lipid: ArrayLike) -> Array:
    """Return the share of a volume of plasma that is water.

    Equation: (99.1 - 0.1 L - 0.07 P) %. Source: waugh-1969 (from memory).

    Args:
        parameters: the figures.
        total_protein: P, g/L.
        lipid: L, total lipid, g/L.
    """
    pure, per_lipid, per_protein = (parameters.value("plasma-water", name) for name in
                                    ("water-share-without-solids", "displaced-by-lipid", "displaced-by-protein"))
    share = (pure - per_lipid * within("lipid", lipid, high=500) - per_protein * within("total_protein", total_protein, high=500)) / 100
    return np.asarray(within("water_share", share, 0.05, 1.0))


def electrode(parameters: Parameters, per_litre_of_water: ArrayLike, total_protein: ArrayLike, lipid: ArrayLike, *, direct: bool) -> Array:
    """Return what an ion-selective electrode reports for an ion of the plasma water.

    Equation: indirect, c w (it dilutes a volume of plasma); direct, c w0 (it sees the water and is set to report as at the
    usual water share w0). Source: fortgens-2011 (abstract) for the principle, waugh-1969 (from memory) for w.

    Args:
        parameters: the figures.
        per_litre_of_water: c, mmol for each litre of plasma water.
        total_protein: g/L.
        lipid: total lipid, g/L.
        direct: whether the electrode dips into undiluted plasma.
    """
    usual = (parameters.value("plasma-water", "usual-protein"), parameters.value("plasma-water", "usual-lipid"))
    share = water_share(parameters, *usual) if direct else water_share(parameters, total_protein, lipid)
    return np.asarray(within("concentration", per_litre_of_water) * share)


def compete(hub: ArrayLike, partners: Mapping[str, tuple[ArrayLike, ArrayLike]]) -> dict[str, Array]:
    """Return how much of one thing each of several partners holds at equilibrium, all one to one.

    Equation: h (1 + sum T_i K_i / (1 + K_i h)) = H, solved for the free h by bisection of its logarithm; partner i holds
    T_i K_i h / (1 + K_i h). The left side grows with h, so there is one solution. Source: law of mass action.

    Args:
        hub: H, total of what is shared out (a metal among ligands, or a ligand among metals), mmol/L.
        partners: for each its total in mmol/L and its apparent constant in L/mmol, both at least 0.

    Returns:
        what each partner holds, mmol/L, and under ``""`` what is left free.
    """
    total = within("hub", hub)
    given = [(within(f"{name} total", t), within(f"{name} constant", k)) for name, (t, k) in partners.items()]
    shape = np.broadcast_shapes(total.shape, *(part.shape for pair in given for part in pair))
    high = np.log(np.broadcast_to(np.maximum(total, TINY), shape).astype(np.float64))
    demand = np.log1p(sum((t * k for t, k in given), np.zeros(shape)))
    low = high - demand
    for _ in range(80):
        middle = (low + high) / 2
        free = np.exp(middle)
        over = free * (1 + sum((t * k / (1 + k * free) for t, k in given), np.zeros(shape))) > total
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    free = np.where(total > 0, np.exp((low + high) / 2), 0.0)
    held = {name: np.asarray(t * k * free / (1 + k * free)) for name, (t, k) in zip(partners, given, strict=True)}
    return {**held, "": np.asarray(free)}


def dye_calcium(parameters: Parameters, method: str, total: ArrayLike, ligands: Mapping[str, tuple[ArrayLike, ArrayLike]]) -> Array:
    """Return the total calcium that a dye method reports.

    The specimen is diluted into the reagent, where dye and ligands share the calcium at the pH of the reagent. What
    the dye holds is read against a specimen of the same calcium without ligand, as a calibrated method does.
    Equation: total x held(with ligands) / held(without). Source: law of mass action; the affinities are data.

    Args:
        parameters: the figures.
        method: id of the method (``ocpc-calcium``, ``arsenazo-calcium``, ``nm-bapta-calcium``).
        total: calcium in the specimen, in solution, mmol/L; what fell out as a solid has gone before.
        ligands: for each its total in the specimen, mmol/L, and the decimal logarithm of its apparent constant for
            calcium at the pH of the reagent, L/mol.
    """
    dilution = parameters.value(method, "dilution")
    dye = (parameters.value(method, "dye-concentration"), 10 ** parameters.value(method, "dye-log10-k") / 1000)
    calcium = within("calcium", total) / dilution
    others = {name: (within(name, amount) / dilution, 10 ** within(f"{name} log10_k", k, -20, 40) / 1000)
              for name, (amount, k) in ligands.items()}
    with_ligand, without = compete(calcium, {"dye": dye, **others})["dye"], compete(calcium, {"dye": dye})["dye"]
    return np.asarray(within("calcium", total) * np.where(calcium > 0, with_ligand / np.maximum(without, TINY), 1.0))


def calcium_recovered(parameters: Parameters, calcium: ArrayLike, edta: ArrayLike) -> Array:
    """Return the share of total calcium that is read by a method that wins calcium back from a little EDTA.

    Equation: 1 - min(1, c / Ca)^n. Source: none for the form; n makes the loss the 1 % that chadwick-2018 (abstract, cq-003) found, and
    with as much EDTA as calcium all is lost.

    Args:
        parameters: the figures.
        calcium: Ca, in the specimen, mmol/L.
        edta: c, in the specimen, mmol/L.
    """
    steepness = parameters.value("recovering-calcium-method", "steepness")
    share = within("edta", edta) / np.maximum(within("calcium", calcium), TINY)
    return np.asarray(1 - np.minimum(share, 1.0) ** steepness)


def chelator_loss(parameters: Parameters, method: str, chelator: ArrayLike) -> Array:
    """Return the share of the result that is left when a chelator is in the specimen, where only that was measured.

    Equation: 1 / (1 + (c / half)^n). Source: edta-mg-fe-assay-preprint (abstract) for the halving concentrations.

    Args:
        parameters: the figures.
        method: id of the method (``xylidyl-blue-magnesium``, ``pdts-iron``).
        chelator: c, EDTA in the specimen, mmol/L.
    """
    half, steepness = parameters.value(method, "half-concentration"), parameters.value(method, "steepness")
    return np.asarray(1 / (1 + (within("chelator", chelator) / half) ** steepness))


def metal_read(parameters: Parameters, method: str, total: ArrayLike, held: ArrayLike) -> Array:
    """Return the metal that a method reads when part of it is held by a chelator.

    Equation: total - (1 - recovery) held. Source: recovery by method, in the data (``enzymatic-magnesium`` and the flame 1).

    Args:
        parameters: the figures.
        method: id of the method.
        total: metal in the specimen, any unit.
        held: the part of it that the chelator holds in the specimen, same unit.
    """
    amount, bound = within("total", total), within("held", held)
    within("held", bound - amount, -np.inf, 1e-9 * float(np.max(amount, initial=1.0)))
    return np.asarray(np.maximum(amount - (1 - parameters.value(method, "recovery")) * bound, 0.0))


def alp_activity(parameters: Parameters, free_zinc: ArrayLike, free_magnesium: ArrayLike, usual_zinc: ArrayLike,
                 usual_magnesium: ArrayLike, method: str = "ifcc-alp") -> Array:
    """Return the share of the alkaline phosphatase activity that is left when its metals are taken away.

    Equation: s(Zn) s(Mg) over the same at the usual free concentrations, with s(x) = x / (x + K): the enzyme works
    where both sites are filled. Losing zinc takes time; this is the end of it. Source: alp-zn-mg-rat (abstract) for the need
    of both; the constants are data.

    Args:
        parameters: the figures.
        free_zinc, free_magnesium: free ions in the specimen, mmol/L.
        usual_zinc, usual_magnesium: the same without the chelator, mmol/L.
        method: id of the method.
    """
    share: Array = np.ones(())
    for metal, free, usual in (("zinc", free_zinc, usual_zinc), ("magnesium", free_magnesium, usual_magnesium)):
        k = parameters.value(method, f"{metal}-half-saturation")
        now, before = within(f"free_{metal}", free), within(f"usual_{metal}", usual, TINY)
        share = share * (now / (now + k)) / (before / (before + k))
    return np.asarray(share)


def inhibited(parameters: Parameters, method: str, inhibitor: ArrayLike) -> Array:
    """Return the activity that an enzyme of specimen or reagent keeps in the reaction.

    Equation: 1 / (1 + c / (d Ki)). Source: emerson-wilkinson-1965 (abstract) for oxalate; fluoride and urease from memory,
    the principle from todd-hausinger-2000 (abstract: urea does not protect).

    Args:
        parameters: the figures.
        method: id of the method (``ld-lactate-to-pyruvate`` for oxalate, ``urease-gldh`` and ``urease-end-point`` for fluoride).
        inhibitor: c, in the specimen, mmol/L.
    """
    in_reaction = within("inhibitor", inhibitor) / parameters.value(method, "dilution")
    return np.asarray(1 / (1 + in_reaction / parameters.value(method, "inhibition-constant")))


def urea_read(parameters: Parameters, method: str, urea: ArrayLike, fluoride: ArrayLike) -> Array:
    """Return the urea that a urease method reports when fluoride is in the specimen.

    Equation: urea (1 - exp(-a e)) / (1 - exp(-e)), a the activity left, e the length of the reaction in time constants: a
    rate method (small e) loses in step with the enzyme, an end point (large e) only when the enzyme can no longer finish.
    Source: first-order reaction; the figures are from memory.

    Args:
        parameters: the figures.
        method: ``urease-gldh`` or ``urease-end-point``.
        urea: in the specimen, mmol/L.
        fluoride: in the specimen, mmol/L.
    """
    length = parameters.value(method, "reaction-length")
    done = np.expm1(-length * inhibited(parameters, method, fluoride)) / np.expm1(-length)
    return np.asarray(within("urea", urea) * fraction("reaction", done))


def ld_read(parameters: Parameters, ld: ArrayLike, oxalate: ArrayLike, method: str = "ld-lactate-to-pyruvate") -> Array:
    """Return the lactate dehydrogenase activity read when oxalate is in the specimen; see ``inhibited``.

    Args:
        parameters: the figures.
        ld: activity in the specimen, any unit.
        oxalate: in solution in the specimen, mmol/L.
        method: id of the method.
    """
    return np.asarray(within("ld", ld) * inhibited(parameters, method, oxalate))
