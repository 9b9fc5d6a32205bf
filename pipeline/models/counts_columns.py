"""The columns of a count model: products with them, the equations, and the rows' leverages.

Columns are R (n, m): the fixed columns that are coefficients, then the random terms that are not
absorbed, side by side. The absorbed term has a value a row, in q groups. The letters are those of
counts_laplace.

A run uses few of the columns (its day, its driver, what it was set to), so that all is sums over
the entries of R that are not zero and over the pairs of them that share a row, or a group of the
absorbed term.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import lapack

from pipeline.models.counts_family import Array

Codes = NDArray[np.intp]


@dataclass(frozen=True)
class Cells:
    """The entries that are not zero of a matrix of m columns, row by row, and their pairs.

    row, place: (e,). left, right: (pairs,), entries of the same row, each two once and each with
    itself, so that place[left] <= place[right]; flat: their cell in (m, m).
    """

    row: Codes
    place: Codes
    left: Codes
    right: Codes
    flat: Codes
    m: int

    @staticmethod
    def of(row: Codes, place: Codes, m: int) -> Cells:
        """row, place: (e,), sorted by both."""
        later = np.searchsorted(row, row, side="right") - np.arange(len(row))
        left = np.repeat(np.arange(len(row)), later)
        right = left + np.arange(len(left)) - np.repeat(np.cumsum(later) - later, later)
        return Cells(row, place, left, right, place[left] * m + place[right], m)

    def square(self, products: Array) -> Array:
        """The sums of products (pairs,) by cell, (m, m), in the upper triangle."""
        flat = np.bincount(self.flat, products, self.m * self.m)
        return np.asarray(flat, float).reshape(self.m, self.m)

    @cached_property
    def pair_row(self) -> Codes:
        """The row of each pair, (pairs,)."""
        return self.row[self.left]

    @cached_property
    def twice(self) -> Array:
        """How often a pair stands in a square, (pairs,): 1 for an entry with itself, else 2."""
        return np.where(self.left == self.right, 1.0, 2.0)


@dataclass(frozen=True)
class Factor:
    """H by blocks: D = diag(d) (q,) of the absorbed term, C (q, m) beside it as its entries c in
    `cells`, and the Cholesky factor L of the Schur complement of the rest, (m, m)."""

    d: Array
    c: Array
    cells: Cells
    L: Array

    @property
    def logdet(self) -> float:
        return float(np.sum(np.log(self.d)) + 2.0 * np.sum(np.log(np.diag(self.L))))

    def solve(self, top: Array, rest: Array) -> tuple[Array, Array]:
        """H^-1 (top, rest) for vectors (q,), (m,)."""
        row, place = self.cells.row, self.cells.place
        rest = rest - np.bincount(place, self.c * (top / self.d)[row], len(rest))
        if rest.size:
            rest = lapack.dpotrs(self.L, rest, lower=1)[0]
        return (top - np.bincount(row, self.c * rest[place], len(top))) / self.d, rest

    @cached_property
    def inverse_rest(self) -> Array:
        """The block of H^-1 that belongs to the columns of R, (m, m)."""
        if not self.L.size:
            return self.L
        lower = np.tril(lapack.dpotri(self.L, lower=1)[0])
        return np.asarray(lower + np.tril(lower, -1).T)

    @cached_property
    def beside(self) -> Array:
        """The block of H^-1 between the absorbed term and R, in the cells of C alone, (e,)."""
        cells, E = self.cells, self.inverse_rest.ravel()[self.cells.flat]
        apart = cells.left != cells.right
        one = np.bincount(cells.left, self.c[cells.right] * E, len(self.c))
        other = np.bincount(cells.right[apart], (self.c[cells.left] * E)[apart], len(self.c))
        return np.asarray(-(one + other) / self.d[cells.row])

    @cached_property
    def inverse_absorbed(self) -> Array:
        """The diagonal of H^-1 in the absorbed term, (q,)."""
        carried = np.bincount(self.cells.row, self.beside * self.c, len(self.d))
        return np.asarray((1.0 - carried) / self.d)


@dataclass(frozen=True)
class Columns:
    """R (n, m) and the absorbed term: codes, values (n,), in q groups.

    cells, value: of R. groups: cells of C (q, m); group_of: (e,), in which of these an entry of R
    lies.
    """

    R: Any
    transposed: Any
    codes: Codes
    values: Array
    q: int
    cells: Cells
    value: Array
    products: Array
    groups: Cells
    group_of: Codes

    @staticmethod
    def of(R: Any, codes: Codes, values: Array, q: int) -> Columns:
        """R: (n, m), sparse."""
        R = sparse.csr_array(R)
        R.eliminate_zeros()
        R.sort_indices()
        n, m = R.shape
        row, place = np.repeat(np.arange(n), np.diff(R.indptr)), R.indices.astype(np.intp)
        cells = Cells.of(row, place, m)
        kept, group_of = np.unique(codes[row] * max(m, 1) + place, return_inverse=True)
        groups = Cells.of(kept // max(m, 1), kept % max(m, 1), m)
        products = R.data[cells.left] * R.data[cells.right]
        transposed = sparse.csr_array(R.T)
        return Columns(R, transposed, codes, values, q, cells, R.data, products, groups, group_of)

    @property
    def width(self) -> int:
        return int(self.R.shape[1])

    def at(self, v: Array) -> Array:
        """R v, (n,)."""
        return np.asarray(self.R @ v)

    def back(self, x: Array) -> Array:
        """R' x, (m,)."""
        return np.asarray(self.transposed @ x)

    def factorise(self, w: Array, sigma: float, scale: Array, ridge: Array) -> Factor:
        """H at weights w (n,); ridge (m,) is added to the diagonal of R's block."""
        squares = np.bincount(self.codes, w * self.values**2, self.q)
        d = np.asarray(1.0 + sigma**2 * squares, float)
        by_entry = (w * self.values)[self.cells.row] * self.value
        sums = np.bincount(self.group_of, by_entry, len(self.groups.row))
        c = np.asarray(sigma * sums * scale[self.groups.place], float)
        of = self.groups
        S = scale[:, None] * self.cells.square(w[self.cells.pair_row] * self.products) * scale
        S -= of.square(c[of.left] * (c / d[of.row])[of.right])
        S[np.diag_indices_from(S)] += ridge
        # Called directly: the checks of scipy's wrapper cost more than the factor of a test day.
        L, failed = lapack.dpotrf(S.T, lower=1, overwrite_a=1) if S.size else (S, 0)
        if failed:
            raise np.linalg.LinAlgError("the Hessian of the count model is not positive definite")
        return Factor(d, c, self.groups, L)

    def leverages(self, factor: Factor, sigma: float, scale: Array) -> Array:
        """b_i' H^-1 b_i, b_i being row i of B, (n,)."""
        cells, n = self.cells, len(self.codes)
        inverse = (scale[:, None] * factor.inverse_rest * scale).ravel()[cells.flat]
        own = np.bincount(cells.pair_row, inverse * self.products * cells.twice, n)
        beside = self.value * scale[cells.place] * factor.beside[self.group_of]
        across = 2.0 * sigma * self.values * np.bincount(cells.row, beside, n)
        alone = (sigma * self.values) ** 2 * factor.inverse_absorbed[self.codes]
        return np.asarray(own + across + alone, float)
