"""Mass balances solved by Newton's method in the logarithms of the free concentrations, for many specimens at once.

For each component j the sum of all its forms must be its total less what is solid:

    ln( sum_i v_ij c_i ) = ln( T_j - sum_s w_sj n_s ),    ln c_i = ln K_i + sum_j v_ij x_j,

and for each solid s that is present, sum_j w_sj x_j = -ln K_s. All sums are positive, and the matrix of the step,
V' diag(c) V bordered by the solids, is regular: a step that is short enough always lowers the sum of squares of the
residuals, so halving finds one (Dennis and Schnabel 1983, Numerical Methods for Unconstrained Optimization, section 6.5;
recalled). Because the Gibbs energy is convex there is one solution, and one set of solids that belongs to it.
"""

from __future__ import annotations

from dataclasses import dataclass
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
_BALANCED = 1e-11
_SETTLED = 1e-6
_STEP = 40.0
_ROUNDS = 400
_HALVINGS = 50


@dataclass
class State:
    """Logarithms of the free concentrations, amounts of the solids, and how they were reached."""

    x: Array
    n: Array
    iterations: NDArray[np.int64]
    error: Array

    def of(self, rows: Rows) -> State:
        """Return a copy of some rows."""
        return State(self.x[rows], self.n[rows], self.iterations[rows], self.error[rows])

    def put(self, rows: Rows, other: State) -> None:
        """Overwrite some rows."""
        self.x[rows], self.n[rows], self.iterations[rows], self.error[rows] = other.x, other.n, other.iterations, other.error


@dataclass(frozen=True)
class Balance:
    """Specimens that share their components, products and solids.

    ``counts`` has a row for each free component and then for each product; ``ln_k`` a column for each of them.
    """

    counts: Array
    ln_k: Array
    solid_counts: Array
    ln_solid: Array
    totals: Array

    def rows(self, rows: Rows, solids: tuple[int, ...]) -> Balance:
        """Return some specimens, with only some of the solids."""
        chosen = list(solids)
        return Balance(self.counts, self.ln_k[rows], self.solid_counts[chosen], self.ln_solid[np.ix_(rows, chosen)], self.totals[rows])

    def concentrations(self, x: Array) -> Array:
        """Return the concentrations of free components and products."""
        concentrations: Array = np.exp(np.minimum(self.ln_k + x @ self.counts.T, 600.0))
        return concentrations

    def solve(self) -> State:
        """Find every specimen's solids and concentrations.

        A specimen for which none of the sets of solids is right keeps an error above ``ACCURACY``.
        """
        size, kinds = self.ln_solid.shape
        everyone = np.arange(size)
        state = self.rows(everyone, ()).newton(_start(self))
        state.n = np.zeros((size, kinds))
        undecided = everyone[self.supersaturated(state).any(axis=1)]
        state.error[undecided] = np.inf
        for number in range(1, kinds + 1):
            for solids in combinations(range(kinds), number):
                undecided = undecided[~np.isfinite(state.error[undecided])]
                self._try(state, undecided, solids)
        return state

    def supersaturated(self, state: State) -> NDArray[np.bool_]:
        """Return which solids would still fall out."""
        return state.x @ self.solid_counts.T + self.ln_solid > ACCURACY

    def _try(self, state: State, rows: Rows, solids: tuple[int, ...]) -> None:
        """Solve specimens with these solids present, and keep what turns out to be right."""
        needed = np.flatnonzero(self.solid_counts[list(solids)].sum(axis=0))
        rows = rows[np.all(self.totals[np.ix_(rows, needed)] > LEAST, axis=1)]
        if not len(rows):
            return
        found = self.rows(rows, solids).newton(state.x[rows])
        trial = State(found.x, np.zeros((len(rows), len(self.solid_counts))), state.iterations[rows] + found.iterations, found.error)
        trial.n[:, list(solids)] = found.n
        others = np.setdiff1d(np.arange(len(self.solid_counts)), solids)
        over = self.rows(rows, tuple(others.tolist())).supersaturated(trial)
        right = (trial.error <= ACCURACY) & np.all(found.n >= 0, axis=1) & ~over.any(axis=1)
        state.put(rows[right], trial.of(np.flatnonzero(right)))

    def newton(self, x: Array) -> State:
        """Solve with all the solids of this balance present, from a first guess of the logarithms."""
        size, kinds = len(x), len(self.solid_counts)
        state = State(x.copy(), np.zeros((size, kinds)), np.zeros(size, dtype=np.int64), np.full(size, np.inf))
        pairs = (self.counts[:, :, None] * self.counts[:, None, :]).reshape(len(self.counts), -1)
        going = np.arange(size)
        for _ in range(_ROUNDS):
            if not len(going):
                break
            here = self.rows(going, tuple(range(kinds)))
            part = state.of(going)
            settled = here._advance(part, pairs)
            part.iterations += 1
            state.put(going, part)
            going = going[~settled]
        return state

    def _advance(self, state: State, pairs: Array) -> NDArray[np.bool_]:
        """Take one damped step in place; return which specimens have arrived."""
        residual, sums, left, concentrations = self._residual(state.x, state.n)
        step_x, step_n = self._step(residual, sums, left, concentrations @ pairs)
        length = np.minimum(1.0, _STEP / np.maximum(np.abs(step_x).max(axis=1), _STEP))
        with np.errstate(divide="ignore", invalid="ignore"):
            shrink = (step_n @ self.solid_counts) / left
        length = np.minimum(length, 0.99 / np.maximum(np.nan_to_num(shrink).max(axis=1, initial=0.0), 0.99))
        merit = (residual**2).sum(axis=1)
        x, n = state.x.copy(), state.n.copy()
        trying = np.arange(len(x))
        for _ in range(_HALVINGS):
            x[trying] = state.x[trying] + length[trying, None] * step_x[trying]
            n[trying] = state.n[trying] + length[trying, None] * step_n[trying]
            there = self.rows(trying, tuple(range(len(self.solid_counts))))
            new, sums, left, _ = there._residual(x[trying], n[trying])
            state.error[trying] = there._error(sums, left)
            lower = (new**2).sum(axis=1) <= (1.0 - 1e-4 * length[trying]) * merit[trying]
            trying = trying[~(lower | (state.error[trying] <= _BALANCED))]
            if not len(trying):
                break
            length[trying] /= 2.0
        moved = np.abs(length[:, None] * step_x).max(axis=1)
        state.x, state.n = x, n
        stuck = length < 0.5**40
        return (state.error <= _BALANCED) & (moved <= _SETTLED) | stuck

    def _residual(self, x: Array, n: Array) -> tuple[Array, Array, Array, Array]:
        """Return residuals of components and solids, the sums of forms, what is not solid, and the concentrations."""
        concentrations = self.concentrations(x)
        sums = concentrations @ self.counts
        left = self.totals - n @ self.solid_counts
        present = self.totals > LEAST
        balance = np.log(np.where(present, sums, 1.0) / np.where(present, left, 1.0))
        return np.hstack([balance, x @ self.solid_counts.T + self.ln_solid]), sums, left, concentrations

    def _error(self, sums: Array, left: Array) -> Array:
        present = self.totals > LEAST
        error: Array = np.max(np.abs(sums - left) / np.where(present, self.totals, np.inf), axis=1, initial=0.0)
        return error

    def _step(self, residual: Array, sums: Array, left: Array, products: Array) -> tuple[Array, Array]:
        """Return the Newton step, from a matrix scaled to a diagonal of ones."""
        size, kinds = len(residual), len(self.solid_counts)
        width = sums.shape[1]
        matrix = np.zeros((size, width + kinds, width + kinds))
        inner = matrix[:, :width, :width]
        inner[:] = products.reshape(size, width, width)
        present = self.totals > LEAST
        diagonal = np.einsum("nii->ni", inner)
        diagonal[~present] = 1.0
        scale = 1.0 / np.sqrt(diagonal)
        inner *= scale[:, :, None] * scale[:, None, :]
        diagonal += 1e-15
        amount = self._largest_solids()
        ratio = np.where(present, sums / np.where(present, left, 1.0), 0.0)
        matrix[:, :width, width:] = (scale * ratio)[:, :, None] * self.solid_counts.T * amount[:, None, :]
        matrix[:, width:, :width] = self.solid_counts * scale[:, None, :]
        right = -residual
        right[:, :width] *= scale * sums
        solved = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
        return solved[:, :width] * scale, solved[:, width:] * amount

    def _largest_solids(self) -> Array:
        """Return how much of each solid could form at most."""
        with np.errstate(divide="ignore"):
            most = self.totals[:, None, :] / self.solid_counts
        largest: Array = np.min(np.where(self.solid_counts > 0, most, np.inf), axis=2, initial=np.inf)
        return largest


def _start(balance: Balance) -> Array:
    """Guess the free concentrations: each component is lowered until its strongest forms fit its total.

    Repeated x_j += ln(T_j / sum of forms) / 2, cheap steps that come near from far away.
    """
    present = balance.totals > LEAST
    logs = np.log(np.where(present, balance.totals, 1.0))
    x = np.where(present, logs, _ABSENT)
    for _ in range(12):
        sums = balance.concentrations(x) @ balance.counts
        x = np.where(present, x + 0.5 * (logs - np.log(np.where(present, sums, 1.0))), _ABSENT)
    return x
