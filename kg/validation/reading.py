"""What the methods of one laboratory read of a specimen, given what came into it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kg.chemistry import response
from kg.chemistry.equilibrium import solve
from kg.chemistry.experiment import ALBUMIN, World
from kg.explain.model import Array
from kg.validation.laboratories import DYES, RECOVERING, Laboratory

_ALBUMIN_MASS = 66.5
"""g/mmol, as for ``kg.chemistry.experiment.ALBUMIN``."""
_IONS = ("sodium", "potassium", "chloride")
_METALS = {"calcium-ion": "calcium-total", "magnesium-ion": "magnesium-total", "zinc-ion": "zinc"}
_PRECIPITANTS = ("citrate-3minus", "oxalate-2minus")
_NEED_IONS = {"alp", "calcium-ionised", "zinc"}


def read(world: World, laboratory: Laboratory, before: Mapping[str, Array], after: Mapping[str, Array], brought: Mapping[str, Array],
         loss: Array) -> dict[str, Array]:
    """Return what is reported.

    Args:
        world: figures, usual levels and constants.
        laboratory: whose methods read.
        before: plasma as it should have been, by analyte.
        after: plasma as it is.
        brought: species of an additive in it, mmol/L.
        loss: how far the loss of metal from alkaline phosphatase has got, as a power of the share left at its end.
    """
    found = dict(after)
    if "edta-4minus" in brought:
        found.update(_under_edta(world, laboratory, after, brought["edta-4minus"], loss))
    precipitants = {name: brought[name] for name in _PRECIPITANTS if name in brought}
    if precipitants:
        found.update(_fallen_out(world, after, precipitants))
    p = laboratory.parameters
    if "fluoride-ion" in brought and "urea" in found:
        found["urea"] = response.urea_read(p, laboratory.urea, found["urea"], brought["fluoride-ion"])
    if "oxalate-2minus" in brought and "ld" in found:
        found["ld"] = response.ld_read(p, found["ld"], brought["oxalate-2minus"])
    if laboratory.direct_electrode and "total-protein" in before:
        found.update(_by_direct_electrode(laboratory, before["total-protein"], found))
    return found


def _by_direct_electrode(laboratory: Laboratory, protein: Array, found: Mapping[str, Array]) -> dict[str, Array]:
    """Return ions as read in plasma water, of which there is more where protein was thinned; the population holds what it read before."""
    p, now = laboratory.parameters, found["total-protein"]
    lipid = p.value("plasma-water", "usual-lipid")
    change = response.water_share(p, protein, lipid) / response.water_share(p, now, lipid * np.minimum(now / np.maximum(protein, 1.0), 1.0))
    return {ion: found[ion] * change for ion in _IONS if ion in found}


def _under_edta(world: World, laboratory: Laboratory, plasma: Mapping[str, Array], edta: Array, loss: Array) -> dict[str, Array]:
    p, found = laboratory.parameters, {}
    if "calcium-total" in plasma:
        found["calcium-total"] = _calcium_read(world, laboratory, plasma["calcium-total"], edta)
    if "magnesium-total" in plasma and laboratory.magnesium == "xylidyl-blue-magnesium":
        found["magnesium-total"] = plasma["magnesium-total"] * response.chelator_loss(p, laboratory.magnesium, edta)
    if "iron" in plasma and laboratory.iron == "pdts-iron":
        found["iron"] = plasma["iron"] * response.chelator_loss(p, laboratory.iron, edta)
    if _NEED_IONS & plasma.keys():
        usual, now = (_ions(world, plasma, amount) for amount in (np.zeros_like(edta), edta))
        if "alp" in plasma:
            left = response.alp_activity(p, now["zinc-ion"], now["magnesium-ion"], usual["zinc-ion"], usual["magnesium-ion"])
            found["alp"] = plasma["alp"] * left**loss
        if "calcium-ionised" in plasma:
            found["calcium-ionised"] = plasma["calcium-ionised"] * now["calcium-ion"] / usual["calcium-ion"]
        if "zinc" in plasma:
            held = np.minimum(1000 * now["zinc-held"], plasma["zinc"])
            found["zinc"] = response.metal_read(p, "free-zinc-colorimetry", plasma["zinc"], held)
    return found


def _calcium_read(world: World, laboratory: Laboratory, calcium: Array, edta: Array) -> Array:
    p, method = laboratory.parameters, laboratory.calcium
    if method in DYES:
        return response.dye_calcium(p, method, calcium, {"edta": (edta, world.edta_log10_k(p.value(method, "reagent-ph")))})
    return np.asarray(calcium * (1 - np.minimum(edta / np.maximum(calcium, 1e-9), 1) ** p.value(RECOVERING, "steepness")))


def _totals(world: World, plasma: Mapping[str, Array], i: int) -> dict[str, float]:
    """Return calcium, magnesium, zinc and albumin of one specimen in mmol/L, the usual ones where they were not measured."""
    per = {"zinc-ion": 1000.0}
    found = {species: float(plasma[name][i]) if name in plasma else world.levels[name] for species, name in _METALS.items()}
    found = {species: value / per.get(species, 1.0) for species, value in found.items()}
    return {**found, "albumin-protein": float(plasma["albumin"][i]) / _ALBUMIN_MASS if "albumin" in plasma else ALBUMIN}


def _ions(world: World, plasma: Mapping[str, Array], edta: Array) -> dict[str, Array]:
    """Return free metals of each specimen, mmol/L, and under ``zinc-held`` the zinc that EDTA holds; solved one by one."""
    found: dict[str, list[float]] = {name: [] for name in (*_METALS, "zinc-held")}
    for i, amount in enumerate(edta):
        totals = {**_totals(world, plasma, i), "edta-4minus": float(amount)}
        solved = solve({name: value / 1000 for name, value in totals.items()}, constants=world.constants, solids=())
        for metal in _METALS:
            found[metal].append(1000 * solved.free[metal])
        found["zinc-held"].append(1000 * sum(value for name, value in solved.complexes.items() if name.startswith("zinc") and name.endswith("edta")))
    return {name: np.array(values) for name, values in found.items()}


def _fallen_out(world: World, plasma: Mapping[str, Array], ligands: Mapping[str, Array]) -> dict[str, Array]:
    """Return calcium that is still in solution with citrate or oxalate, and the change of its free part; solved one by one."""
    if not {"calcium-total", "calcium-ionised"} & plasma.keys():
        return {}
    dissolved, free = [], []
    for i in range(len(next(iter(ligands.values())))):
        totals = {name: value for name, value in _totals(world, plasma, i).items() if name != "zinc-ion"}
        usual, now = (solve({name: value / 1000 for name, value in {**totals, **extra}.items()}, constants=world.constants)
                      for extra in ({}, {name: float(values[i]) for name, values in ligands.items()}))
        fallen = 1000 * sum(amount for name, amount in now.solids.items() if name.startswith("calcium"))
        dissolved.append(totals["calcium-ion"] - fallen)
        free.append(now.free["calcium-ion"] / usual.free["calcium-ion"])
    found = {"calcium-total": np.array(dissolved)} if "calcium-total" in plasma else {}
    return {**found, "calcium-ionised": plasma["calcium-ionised"] * np.array(free)} if "calcium-ionised" in plasma else found
