"""Block-arrow equations: one block a part, and a border that all parts share.

With K = A' W A, S scaling the penalised columns to unit variance and E = diag(0, I),
C = S' K S + E is factorised part by part (own columns i, border b):

    D_i = (S' K S + E)_ii,   X_i = S D_i^-1 S',   F_i = -X_i K_ib,
    T = K_bb + sum_i K_bi F_i,   S_b' T S_b + E_b the Schur complement.

Then S C^-1 S' = diag(X_i, 0) + F B F' with F = (F_i; I) and B = S_b (Schur complement)^-1 S_b'.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import cho_solve, cholesky, lapack, solve_triangular

from pipeline.models.engine.parts import Part, square
from pipeline.models.engine.rows import Array, Codes


class NotPositiveError(ValueError):
    """The covariance at this theta is not positive definite."""


@dataclass(frozen=True)
class Scaling:
    """S. scale: (k,), 1 for fixed columns. penalised: (k,), 1 or 0. tied: (columns, lower root)
    of the blocks whose covariance is not a multiple of the identity; they stand in the border."""

    scale: Array
    penalised: Array
    tied: tuple[tuple[Codes, Array], ...] = ()

    def border(self, border: Codes) -> Array:
        """S_b, (b, b), or its diagonal (b,) where it is one."""
        if not self.tied:
            return self.scale[border]
        out = np.diag(self.scale[border])
        for columns, root in self.tied:
            place = np.searchsorted(border, columns)
            out[np.ix_(place, place)] = root
        return out


@dataclass(frozen=True)
class OwnBlock:
    """root: (c, c), lower, of D_i. scale: (c,). inverse: X_i (c, c). F: (c, P - c)."""

    root: Array
    scale: Array
    inverse: Array
    F: Array


@dataclass(frozen=True)
class Factor:
    """The factorised equations. T: (b, b). S: (b, b), or (b,) for a diagonal. root: (b, b), lower,
    of the Schur complement."""

    parts: tuple[Part, ...]
    border: Codes
    own: tuple[OwnBlock, ...]
    T: Array
    S: Array
    root: Array

    @property
    def log_det(self) -> float:
        """log |C|."""
        roots = [self.root, *(block.root for block in self.own)]
        return 2 * sum(float(np.log(np.diag(root)).sum()) for root in roots)

    @cached_property
    def B(self) -> Array:
        """(b, b), symmetric."""
        if self.S.ndim == 1:
            inverse = _inverse_of(self.root)
            return self.S[:, None] * inverse * self.S
        half = solve_triangular(self.root, self.S.T, lower=True, check_finite=False)
        return np.asarray(half.T @ half)

    def _to_border(self, V: Array) -> Array:
        """F' V, (b,) or (b, j). V: (k,) or (k, j)."""
        out = V[self.border].copy()
        for part, block in zip(self.parts, self.own, strict=True):
            if part.own:
                out[part.at] += block.F.T @ V[part.columns[: part.own]]
        return out

    def _within_border(self, V: Array) -> Array:
        """B V, without making B for a single column."""
        if V.ndim > 1 or not len(V):
            return np.asarray(self.B @ V)
        inner = self.S * V if self.S.ndim == 1 else self.S.T @ V
        inner = cho_solve((self.root, True), inner, check_finite=False)
        return np.asarray(self.S * inner if self.S.ndim == 1 else self.S @ inner)

    def solve(self, V: Array) -> Array:
        """S C^-1 S' V. V: (k,) or (k, j)."""
        out = np.zeros_like(V)
        shared = self._within_border(self._to_border(V))
        out[self.border] = shared
        for part, block in zip(self.parts, self.own, strict=True):
            if part.own:
                own = part.columns[: part.own]
                out[own] = block.inverse @ V[own] + block.F @ shared[part.at]
        return out

    def halves(self, V: Array) -> Array:
        """H with H'H = V' S C^-1 S' V, (k, j). V: (k, j)."""
        out = np.empty_like(V)
        inner = self._to_border(V)
        inner = self.S[:, None] * inner if self.S.ndim == 1 else self.S.T @ inner
        out[self.border] = _forward(self.root, inner)
        for part, block in zip(self.parts, self.own, strict=True):
            if part.own:
                own = part.columns[: part.own]
                out[own] = _forward(block.root, block.scale[:, None] * V[own])
        return out

    def inverse_of_part(self, number: int) -> Array:
        """S C^-1 S' over the part's columns, (P, P)."""
        part, block = self.parts[number], self.own[number]
        B = self.B[square(part.at)]
        c = part.own
        if not c:
            return B
        out = np.empty((len(part.columns),) * 2)
        beside = block.F @ B
        out[:c, :c] = block.inverse + beside @ block.F.T
        out[:c, c:] = beside
        out[c:, :c] = beside.T
        out[c:, c:] = B
        return out


def factorise(
    K: Iterable[Array], parts: tuple[Part, ...], border: Codes, scaling: Scaling
) -> Factor:
    """Factorise. K: (P, P) a part. Raises NotPositiveError."""
    T = np.zeros((len(border),) * 2)
    own = []
    for part, M in zip(parts, K, strict=True):
        c = part.own
        block = _own_block(M[:c, :c], M[:c, c:], part.columns[:c], scaling)
        own.append(block)
        T[square(part.at)] += M[c:, c:]
        if c:
            T[square(part.at)] += M[c:, :c] @ block.F
    T = (T + T.T) / 2
    S = scaling.border(border)
    scaled = S[:, None] * T * S if S.ndim == 1 else S.T @ T @ S
    scaled[np.diag_indices(len(border))] += scaling.penalised[border]
    return Factor(parts, border, tuple(own), T, S, lower_root(scaled))


def _own_block(K: Array, beside: Array, columns: Codes, scaling: Scaling) -> OwnBlock:
    scale = scaling.scale[columns]
    D = scale[:, None] * K * scale
    D[np.diag_indices(len(D))] += scaling.penalised[columns]
    root = lower_root(D)
    inverse = scale[:, None] * _inverse_of(root) * scale
    return OwnBlock(root, scale, inverse, -inverse @ beside)


def lower_root(C: Array) -> Array:
    """Lower Cholesky factor. Raises NotPositiveError."""
    if not len(C):
        return C
    try:
        return np.asarray(cholesky(C, lower=True, check_finite=False))
    except np.linalg.LinAlgError as error:
        raise NotPositiveError(str(error)) from None


def _inverse_of(root: Array) -> Array:
    """(root root')^-1."""
    if not len(root):
        return root
    lower, info = lapack.dpotri(root, lower=1)
    if info:
        raise NotPositiveError("singular equations")
    out = lower + lower.T  # nothing stands above the diagonal of `root`
    out[np.diag_indices(len(out))] /= 2
    return np.asarray(out)


def _forward(root: Array, right: Array) -> Array:
    if not len(root):
        return right
    return np.asarray(solve_triangular(root, right, lower=True, check_finite=False))
