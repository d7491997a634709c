"""Equilibrium speciation: which ligand holds which metal, what stays free, what falls out.

pH, temperature and ionic strength are given, not computed; ``kg.chemistry.activity`` states the activity model, and
``kg.chemistry.balance`` how the mass balances are solved. Every constant is a row of ``equilibrium_constants``.
Not modelled: iron on transferrin, copper on caeruloplasmin and albumin, calcium and magnesium with hydrogencarbonate,
phosphate and lactate, and the slowness with which solids form.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kg.chemistry.activity import LN10, conditional_log10_k
from kg.chemistry.balance import ACCURACY, LEAST, Balance, State
from kg.chemistry.constants import Array, ChemistryError, Constants, Reactions

MOST = 1e6
"""mol/L; more than this is a slip of the pen."""
_PH = ("pH", 0.0, 14.0, "")
_TEMPERATURE = ("temperature", 0.0, 100.0, " Cel")
_IONIC_STRENGTH = ("ionic strength", 0.0, 0.5, " mol/L, where the Davies equation ends")


@dataclass(frozen=True)
class Speciation:
    """The forms of every component at equilibrium, in mol/L."""

    free: dict[str, float]
    complexes: dict[str, float]
    solids: dict[str, float]
    iterations: int
    residual: float
    """Largest error of a mass balance, relative to the total."""


@dataclass(frozen=True)
class Speciations:
    """The same for many specimens at once: arrays of specimens x components, products and solids."""

    components: tuple[str, ...]
    products: tuple[str, ...]
    solid_names: tuple[str, ...]
    totals: Array
    free: Array
    complexes: Array
    solids: Array
    counts: Array
    """How many of each component (columns) a product (rows) holds."""
    solid_counts: Array
    iterations: NDArray[np.int64]
    residual: Array

    def __len__(self) -> int:
        """Return the number of specimens."""
        return len(self.free)

    def __getitem__(self, index: int) -> Speciation:
        """Return one specimen."""
        return Speciation(dict(zip(self.components, self.free[index].tolist(), strict=True)),
                          dict(zip(self.products, self.complexes[index].tolist(), strict=True)),
                          dict(zip(self.solid_names, self.solids[index].tolist(), strict=True)),
                          int(self.iterations[index]), float(self.residual[index]))

    def __iter__(self) -> Iterator[Speciation]:
        """Return the specimens one by one."""
        return (self[index] for index in range(len(self)))

    def free_of(self, component: str) -> Array:
        """Return the free concentration of a component in every specimen; 0 where none was given."""
        if component not in self.components:
            return np.zeros(len(self))
        return self.free[:, self.components.index(component)]

    def held(self, component: str, by: str) -> Array:
        """Return how much of a component is dissolved or on sites together with another, in every specimen."""
        if not {component, by} <= set(self.components):
            return np.zeros(len(self))
        own, other = (self.counts[:, self.components.index(name)] for name in (component, by))
        amount: Array = self.complexes @ np.where(other > 0, own, 0.0)
        return amount


def solve(totals: Mapping[str, float], pH: float = 7.4, temperature_cel: float = 37.0, ionic_strength: float = 0.16, *,
          constants: Constants, solids: Collection[str] | None = None) -> Speciation:
    """Solve one specimen.

    Args:
        totals: total concentration of each species present, in mol/L; a protein in molecules, not sites.
        pH: negative logarithm of the hydron activity.
        temperature_cel: temperature in Cel.
        ionic_strength: in mol/L.
        constants: the constants to use.
        solids: the solids that may form; all that the constants know when not given, none when empty.

    Raises:
        ChemistryError: a name is unknown, a quantity is not possible, or no solution was found.
    """
    return solve_many({name: [value] for name, value in totals.items()}, pH, temperature_cel, ionic_strength,
                      constants=constants, solids=solids)[0]


def solve_many(totals: Mapping[str, ArrayLike], pH: ArrayLike = 7.4, temperature_cel: ArrayLike = 37.0,
               ionic_strength: ArrayLike = 0.16, *, constants: Constants, solids: Collection[str] | None = None) -> Speciations:
    """Solve many specimens at once; each quantity is one number or an array with one for each specimen.

    See ``solve`` for the arguments and errors.
    """
    given = {name: _quantity(values, name, 0.0, MOST, " mol/L") for name, values in totals.items()}
    conditions = [_quantity(pH, *_PH), _quantity(temperature_cel, *_TEMPERATURE), _quantity(ionic_strength, *_IONIC_STRENGTH)]
    sizes = {len(values) for values in [*given.values(), *conditions]} - {1}
    if len(sizes) > 1:
        raise ChemistryError(f"the quantities have different lengths ({', '.join(map(str, sorted(sizes)))})")
    size = sizes.pop() if sizes else 1
    present, amounts = _amounts(given, size, constants)
    dissolved = _possible(constants.dissolved, present)
    solid = _allowed(_possible(constants.solids, present), solids, constants)
    charge = constants.charge[present]
    ln_k, ln_solid = (conditional_log10_k(part, charge, *conditions) * LN10 for part in (dissolved, solid))
    balance = Balance(np.vstack([np.eye(len(charge)), dissolved.counts]), np.hstack([np.zeros((len(ln_k), len(charge))), ln_k]),
                      solid.counts, ln_solid, amounts)
    names = tuple(name for name, is_present in zip(constants.components, present, strict=True) if is_present)
    return _result(balance, balance.solve(), names, dissolved, solid)


def _quantity(values: ArrayLike, name: str, low: float, high: float, unit: str) -> Array:
    try:
        array = np.atleast_1d(np.asarray(values, dtype=float))
    except (TypeError, ValueError) as error:
        raise ChemistryError(f"{name}: not a number") from error
    if array.ndim != 1 or not len(array):
        raise ChemistryError(f"{name}: one number, or a list with one for each specimen, is needed")
    wrong = array[~((array >= low) & (array <= high))]
    if len(wrong):
        raise ChemistryError(f"{name}: {wrong[0]:g} is not between {low:g} and {high:g}{unit}")
    return array


def _amounts(given: Mapping[str, Array], size: int, constants: Constants) -> tuple[NDArray[np.bool_], Array]:
    """Return which components take part, and their totals as specimens x components."""
    unknown = sorted(set(given) - set(constants.species))
    if unknown:
        raise ChemistryError(f"{unknown[0]}: no constant is known for it; known are {', '.join(sorted(set(constants.species)))}")
    present = np.array([name in given for name in constants.species], dtype=bool)
    columns = [np.broadcast_to(given[name] * sites, size)
               for name, sites in zip(constants.species, constants.sites, strict=True) if name in given]
    return present, np.stack(columns, axis=1) if columns else np.zeros((size, 0))


def _possible(reactions: Reactions, present: NDArray[np.bool_]) -> Reactions:
    """Return the reactions among the components that take part."""
    return reactions.only(~np.any(reactions.counts[:, ~present] > 0, axis=1), present)


def _allowed(reactions: Reactions, solids: Collection[str] | None, constants: Constants) -> Reactions:
    """Return the solids that the caller allows."""
    if solids is None:
        return reactions
    unknown = sorted(set(solids) - set(constants.solids.products))
    if unknown:
        raise ChemistryError(f"{unknown[0]}: no such solid is known; known are {', '.join(constants.solids.products)}")
    everything = np.ones(reactions.counts.shape[1], dtype=bool)
    return reactions.only(np.array([name in solids for name in reactions.products], dtype=bool), everything)


def _result(balance: Balance, state: State, components: tuple[str, ...], dissolved: Reactions, solid: Reactions) -> Speciations:
    failed = np.flatnonzero(~(state.error <= ACCURACY))
    if len(failed):
        raise ChemistryError(f"no equilibrium was found for specimen {failed[0] + 1} of {len(state.error)}")
    concentrations = balance.concentrations(state.x)
    width = len(components)
    free = np.where(balance.totals > LEAST, concentrations[:, :width], balance.totals)
    return Speciations(components, dissolved.products, solid.products, balance.totals, free, concentrations[:, width:], state.n,
                       dissolved.counts, solid.counts, state.iterations, state.error)
