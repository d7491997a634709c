"""Mass balances solved by Newton's method in the logarithms of the free concentrations, for many specimens at once.

For each component j the sum of all its forms, dissolved and solid, must be its total:

    ln( sum_i v_ij c_i + sum_s w_sj n_s ) = ln T_j,    ln c_i = ln K_i + sum_j v_ij x_j,

and for each solid s that is present, sum_j w_sj x_j = -ln K_s. The matrix of the step, V' diag(c) V bordered by the
solids, is symmetric and regular: a step that is short enough always lowers the sum of squares of the residuals, so halving
finds one (Dennis and Schnabel 1983, Numerical Methods for Unconstrained Optimization, section 6.5;
recalled). Because the Gibbs energy is convex there is one solution, and one set of solids that belongs to it.
A specimen that does not arrive from the first guess is led there by constants that are raised to their values step by step.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from kg.chemistry.constants import Array

Rows = NDArray[np.intp]

LEAST = 1e-30
"""mol/L; less than this (less than one molecule in a thousand litres) stays wholly free."""
ACCURACY = 1e-9
"""Largest error of a mass balance that passes, relative to the total."""
_ABSENT = -1e4
_HIGHEST = 600.0
_BALANCED = 1e-11
_SETTLED = 1e-6
_LONGEST_STEP = 40.0
_ROUNDS = 60
_HALVINGS = 40
_STAIRS = (16, 128)


@dataclass
class State:
    """Logarithms of the free concentrations, amounts of the solids, and how they were reached."""

    x: Array
    n: Array
    iterations: NDArray[np.int64]
    error: Array

    def put(self, rows: Rows, other: State) -> None:
        """Overwrite some rows."""
        self.x[rows], self.n[rows], self.iterations[rows], self.error[rows] = other.x, other.n, other.iterations, other.error


@dataclass
class _Point:
    """A composition, and by how much it misses the balances."""

    x: Array
    n: Array
    concentrations: Array
    forms: Array
    residual: Array
    merit: Array
    error: Array

    def of(self, rows: Rows | NDArray[np.bool_]) -> _Point:
        return _Point(*(array[rows] for array in vars(self).values()))

    def put(self, rows: Rows | NDArray[np.bool_], other: _Point) -> None:
        for array, new in zip(vars(self).values(), vars(other).values(), strict=True):
            array[rows] = new


@dataclass(frozen=True)
class Balance:
    """Specimens that share their components, products and solids.

    ``counts`` has a row for each free component and then for each product; ``ln_k`` has a column for each of them, and
    one row for all specimens or one for each. The same goes for ``solid_counts`` and ``ln_solid``.
    """

    counts: Array
    ln_k: Array
    solid_counts: Array
    ln_solid: Array
    totals: Array

    def rows(self, rows: Rows | NDArray[np.bool_]) -> Balance:
        """Return some of the specimens."""
        ln_k, ln_solid = (array if len(array) == 1 else array[rows] for array in (self.ln_k, self.ln_solid))
        return Balance(self.counts, ln_k, self.solid_counts, ln_solid, self.totals[rows])

    def with_solids(self, solids: tuple[int, ...]) -> Balance:
        """Return the same specimens with only some of the solids."""
        chosen = list(solids)
        return Balance(self.counts, self.ln_k, self.solid_counts[chosen], self.ln_solid[:, chosen], self.totals)

    def concentrations(self, x: Array) -> Array:
        """Return the concentrations of free components and products."""
        logs = _times(x, self.counts.T)
        logs += self.ln_k
        np.minimum(logs, _HIGHEST, out=logs)
        return np.exp(logs, out=logs)

    def solve(self) -> State:
        """Find every specimen's solids and concentrations.

        A specimen for which no set of solids is right keeps an error above ``ACCURACY``.
        """
        kinds = len(self.solid_counts)
        state = self.with_solids(()).without_solids()
        state.n = self._no_solids()
        undecided = np.flatnonzero(self.supersaturated(state.x).any(axis=1))
        state.error[undecided] = np.inf
        for number in range(1, kinds + 1):
            for solids in combinations(range(kinds), number):
                undecided = undecided[~np.isfinite(state.error[undecided])]
                self._try(state, undecided, solids)
        return state

    def supersaturated(self, x: Array) -> NDArray[np.bool_]:
        """Return which solids would still fall out."""
        return x @ self.solid_counts.T + self.ln_solid > ACCURACY

    def _try(self, state: State, rows: Rows, solids: tuple[int, ...]) -> None:
        """Solve specimens with these solids present, and keep what turns out to be right."""
        needed = np.flatnonzero(self.solid_counts[list(solids)].sum(axis=0))
        rows = rows[np.all(self.totals[np.ix_(rows, needed)] > LEAST, axis=1)]
        if not len(rows):
            return
        here = self.rows(rows)
        found = here.with_solids(solids)._with_all_solids(state.x[rows])
        others = np.setdiff1d(np.arange(len(self.solid_counts)), solids)
        over = here.supersaturated(found.x)[:, others].any(axis=1)
        right = (found.error <= ACCURACY) & np.all(found.n >= 0, axis=1) & ~over
        amounts = np.zeros((len(rows), len(self.solid_counts)))
        amounts[:, list(solids)] = found.n
        state.put(rows[right], State(found.x[right], amounts[right], (state.iterations[rows] + found.iterations)[right], found.error[right]))

    def without_solids(self) -> State:
        """Solve without any solid; specimens that do not arrive go up the stairs of their constants."""
        state = self.newton(self._start(), self._no_solids())
        for steps in _STAIRS:
            late = np.flatnonzero(~(state.error <= ACCURACY))
            if len(late):
                here = self.rows(late)
                stairs = [replace(here, ln_k=here.ln_k * (step / steps)) for step in range(1, steps + 1)]
                state.put(late, _climb(stairs, here._everything_free()))
        return state

    def _with_all_solids(self, x: Array) -> State:
        """Solve with all solids present, from the solution without; the stairs are those of the solubility."""
        state = self.newton(x, self._no_solids())
        for steps in _STAIRS:
            late = np.flatnonzero(~(state.error <= ACCURACY))
            if len(late):
                here, low = self.rows(late), -x[late] @ self.solid_counts.T
                stairs = [replace(here, ln_solid=low + (here.ln_solid - low) * (step / steps)) for step in range(1, steps + 1)]
                state.put(late, _climb(stairs, x[late]))
        return state

    def _no_solids(self) -> Array:
        return np.zeros((len(self.totals), len(self.solid_counts)))

    def newton(self, x: Array, n: Array) -> State:
        """Solve with all the solids of this balance present, from a first guess."""
        size, width = x.shape
        state = State(x.copy(), n.copy(), np.zeros(size, dtype=np.int64), np.full(size, np.inf))
        upper = np.triu_indices(width)
        pairs = self.counts[:, upper[0]] * self.counts[:, upper[1]]
        going = np.arange(size)
        here, point = self, self._at(x, state.n)
        for turn in range(1, _ROUNDS + 1):
            arrived, point = here._advance(point, pairs, upper)
            done = arrived if turn < _ROUNDS else np.ones(len(arrived), dtype=bool)
            if done.any():
                gone = going[done]
                state.put(gone, State(point.x[done], point.n[done], np.full(len(gone), turn), point.error[done]))
                going, here, point = going[~done], here.rows(~done), point.of(~done)
            if not len(going):
                break
        return state

    def _advance(self, point: _Point, pairs: Array, upper: tuple[Rows, Rows]) -> tuple[NDArray[np.bool_], _Point]:
        """Take one step, halved until it is short enough; return which specimens have arrived, and where all are."""
        step_x, step_n = self._step(point, pairs, upper)
        length = _LONGEST_STEP / np.maximum(np.abs(step_x).max(axis=1, initial=0.0), _LONGEST_STEP)
        new = self._at(point.x + length[:, None] * step_x, point.n + length[:, None] * step_n)
        for _ in range(_HALVINGS):
            enough = (new.merit <= (1.0 - 1e-4 * length) * point.merit) | (new.error <= _BALANCED)
            far = np.flatnonzero(~enough)
            if not len(far):
                break
            length[far] /= 2.0
            new.put(far, self.rows(far)._at(point.x[far] + length[far, None] * step_x[far],
                                            point.n[far] + length[far, None] * step_n[far]))
        moved = length * np.abs(step_x).max(axis=1, initial=0.0)
        return (new.error <= _BALANCED) & (moved <= _SETTLED), new

    def _at(self, x: Array, n: Array) -> _Point:
        """Evaluate the balances of a composition."""
        present = self.totals > LEAST
        concentrations = self.concentrations(x)
        forms = _times(concentrations, self.counts) + n @ self.solid_counts
        with np.errstate(invalid="ignore", divide="ignore"):
            balance = np.log(np.where(present, forms / self.totals, 1.0))
        residual = np.hstack([balance, x @ self.solid_counts.T + self.ln_solid])
        error = np.max(np.abs(forms - self.totals) / np.where(present, self.totals, np.inf), axis=1, initial=0.0)
        return _Point(x, n, concentrations, forms, residual, np.einsum("ij,ij->i", residual, residual), error)

    def _step(self, point: _Point, pairs: Array, upper: tuple[Rows, Rows]) -> tuple[Array, Array]:
        """Return the Newton step, from a matrix scaled to a diagonal of ones."""
        size, width = point.x.shape
        kinds = len(self.solid_counts)
        present = self.totals > LEAST
        matrix = np.zeros((size, width + kinds, width + kinds))
        products = _times(point.concentrations, pairs)
        matrix[:, upper[0], upper[1]] = products
        matrix[:, upper[1], upper[0]] = products
        inner = matrix[:, :width, :width]
        diagonal = np.einsum("nii->ni", inner)
        diagonal[~present] = 1.0
        scale = 1.0 / np.sqrt(diagonal)
        inner *= scale[:, :, None] * scale[:, None, :]
        diagonal += 1e-15
        right = -point.residual[:, :, None]
        right[:, :width, 0] *= scale * point.forms
        if not kinds:
            return np.linalg.solve(matrix, right)[:, :, 0] * scale, point.n
        border = self.solid_counts * scale[:, None, :]
        amount = 1.0 / np.sqrt(np.einsum("nsj,nsj->ns", border, border))
        right[:, width:, 0] *= amount
        border *= amount[:, :, None]
        matrix[:, width:, :width] = border
        matrix[:, :width, width:] = border.swapaxes(1, 2)
        solved = np.linalg.solve(matrix, right)[:, :, 0]
        return solved[:, :width] * scale, solved[:, width:] * amount

    def _start(self) -> Array:
        """Guess the free concentrations: each component is lowered until its forms about fit its total.

        Repeated x_j += ln(T_j / sum of forms) / 2, cheap steps that come near from far away.
        """
        x = self._everything_free()
        present = self.totals > LEAST
        logs = x.copy()
        for _ in range(8):
            sums = _times(self.concentrations(x), self.counts)
            x += np.where(present, 0.5 * (logs - np.log(np.where(present, sums, 1.0))), 0.0)
        return x

    def _everything_free(self) -> Array:
        present = self.totals > LEAST
        return np.where(present, np.log(np.where(present, self.totals, 1.0)), _ABSENT)


def _climb(stairs: Iterable[Balance], x: Array) -> State:
    """Solve balances one after the other, each from the solution of the last."""
    state: State | None = None
    for stair in stairs:
        new = stair.newton(x, stair._no_solids()) if state is None else stair.newton(state.x, state.n)
        new.iterations += 0 if state is None else state.iterations
        state = new
    assert state is not None
    return state


def _times(rows: Array, matrix: Array) -> Array:
    """Multiply rows by a matrix in blocks too small to be spread over threads.

    For matrices of this size the threads of a linear algebra library wait for each other a hundred times longer than they work
    whenever the machine is busy.
    """
    block = max(1, 200_000 // max(1, matrix.size))
    if len(rows) <= block:
        return rows @ matrix
    product = np.empty((len(rows), matrix.shape[1]))
    for first in range(0, len(rows), block):
        np.matmul(rows[first:first + block], matrix, out=product[first:first + block])
    return product
