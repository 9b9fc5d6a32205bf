"""The columns of a count model: products with them, the equations, and the rows' leverages.

Columns are R (n, m): the fixed columns that are coefficients, then the random terms that are not
absorbed, side by side. The absorbed term has a value a row, in q groups. The letters are those of
counts_laplace.

Two forms with the same results: `DenseColumns` for any terms, and that of counts_grouped for a
season's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from pipeline.models.counts_family import Array

Codes = NDArray[np.intp]


@dataclass(frozen=True)
class Factor:
    """H by blocks: D = diag(d) (q,) of the absorbed term, C (q, m) beside it, and the Cholesky
    factor of the Schur complement S (m, m) of the rest."""

    d: Array
    C: Array
    S: Array

    @property
    def logdet(self) -> float:
        return float(np.sum(np.log(self.d)) + 2.0 * np.sum(np.log(np.diag(self.S))))

    def solve(self, top: Array, rest: Array) -> tuple[Array, Array]:
        """H^-1 (top, rest) for vectors (q,), (m,)."""
        below = self._solve_rest(rest - self.C.T @ (top / self.d))
        return (top - self.C @ below) / self.d, below

    def inverse_rest(self) -> Array:
        """The block of H^-1 that belongs to the columns of R, (m, m)."""
        return self._solve_rest(np.eye(self.C.shape[1]))

    def _solve_rest(self, rhs: Array) -> Array:
        return np.asarray(lapack.dpotrs(self.S, rhs, lower=1)[0]) if rhs.size else rhs


class Leverages(Protocol):
    """Shares of b_i' H^-1 b_i, b_i being row i of B; (n,) each.

    absorbed: d/d sigma of half the leverage, over the absorbed term's weight. weighted(c): the
    same for columns of weights c (m,): 1 in a block for its sigma, `scale` for all of R.
    """

    @property
    def absorbed(self) -> Array: ...

    def weighted(self, c: Array) -> Array: ...


class Columns(Protocol):
    """R and the absorbed term; sums over groups are of rows times the term's values."""

    @property
    def width(self) -> int: ...

    def at(self, v: Array) -> Array:
        """R v, (n,)."""

    def back(self, x: Array) -> Array:
        """R' x, (m,)."""

    def equations(self, w: Array, sigma: float, scale: Array) -> tuple[Array, Array, Array]:
        """d, C and the Schur complement without its ridge, at weights w (n,)."""

    def leverages(self, factor: Factor, E: Array, sigma: float, scale: Array) -> Leverages:
        """E: factor.inverse_rest()."""


@dataclass(frozen=True)
class DenseColumns:
    """R (n, m) and the absorbed term's design Z (n, q), dense or sparse; codes, values (n,)."""

    R: Array
    Z: Any
    codes: Codes
    values: Array

    @property
    def width(self) -> int:
        return int(self.R.shape[1])

    def at(self, v: Array) -> Array:
        return np.asarray(self.R @ v)

    def back(self, x: Array) -> Array:
        return np.asarray(self.R.T @ x)

    def equations(self, w: Array, sigma: float, scale: Array) -> tuple[Array, Array, Array]:
        wR = w[:, None] * self.R
        squares = np.bincount(self.codes, w * self.values**2, self.Z.shape[1])
        d = np.asarray(sigma**2 * squares + 1.0, float)
        C = sigma * np.asarray(self.Z.T @ wR) * scale
        return d, C, scale[:, None] * (self.R.T @ wR) * scale - C.T @ (C / d[:, None])

    def leverages(self, factor: Factor, E: Array, sigma: float, scale: Array) -> Leverages:
        G = factor.C / factor.d[:, None]
        F = -G @ E
        corner = 1.0 / factor.d - np.einsum("ij,ij->i", F, G)
        beside = (self.R * F[self.codes]) @ scale
        absorbed = self.values * (corner[self.codes] * sigma * self.values + beside)
        own = (sigma * self.values)[:, None] * F[self.codes]
        return _DenseLeverages(absorbed, self.R * (self.R @ (scale[:, None] * E) + own))


@dataclass(frozen=True)
class _DenseLeverages:
    absorbed: Array
    shares: Array

    def weighted(self, c: Array) -> Array:
        return np.asarray(self.shares @ c)
