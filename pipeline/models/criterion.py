"""The REML criterion of `Rows` as a function of the variances, with exact derivatives.

With V = V0 + Z G Z', W = V0^-1 (see `absorb`), G = S S' and A* = [X, Z S], the mixed-model
equations (Henderson 1984) give, without ever forming V,

    C = A*' W A* + diag(0, I),   P = W - W A* C^-1 A*' W,
    -2 l_R = (n - p) log 2 pi + log |V0| + log |C| + y' P y

and, V_j = dV / d theta_j,

    gradient_j   = tr(P V_j) - y' P V_j P y
    expected_jk  = tr(P V_j P V_k)
    average_jk   = y' P V_j P V_k P y           (Gilmour, Thompson and Cullis 1995)
    hessian_jk   = 2 average_jk - expected_jk   (V is linear in theta)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import cho_solve, cholesky, lapack

from pipeline.models.absorb import Absorbed, absorb, log_det_derivatives
from pipeline.models.carried import (
    Carried,
    carry,
    dense_sums,
    expanded,
    spread_dense,
    summed,
    weighted_local,
)
from pipeline.models.rows import Array, SortedRows


class NotPositiveError(ValueError):
    """The covariance at this theta is not positive definite."""


@dataclass(frozen=True)
class Structure:
    """Where the parameters stand: slices of theta, and the patterns of the penalised blocks.

    `levels` are in the order of `Rows.levels` (coarse first). pattern_block[i]: block of the
    i-th pattern.
    """

    m: int
    levels: int
    pattern_block: tuple[int, ...]
    patterns: tuple[Array, ...]

    @property
    def n_nested(self) -> int:
        return self.m + self.levels


def structure(sorted_rows: SortedRows) -> Structure:
    """Parameter layout of the rows."""
    blocks, patterns = [], []
    for number, block in enumerate(sorted_rows.rows.penalised):
        for pattern in block.covariance_patterns:
            blocks.append(number)
            patterns.append(pattern)
    m = sorted_rows.diagonal.shape[1]
    return Structure(m, len(sorted_rows.groups), tuple(blocks), tuple(patterns))


@dataclass(frozen=True)
class Roots:
    """S with G = S S': scale (q,) of the scalar blocks, and (slice, lower root) of the others."""

    scale: Array
    dense: tuple[tuple[slice, Array], ...] = ()

    def after(self, M: Array) -> Array:
        """M S. M: (k, q)."""
        out: Array = M * self.scale
        for block, root in self.dense:
            out[:, block] = M[:, block] @ root
        return out

    def after_transposed(self, M: Array) -> Array:
        """M S'. M: (k, q)."""
        out: Array = M * self.scale
        for block, root in self.dense:
            out[:, block] = M[:, block] @ root.T
        return out

    def before(self, M: Array, transpose: bool = True) -> Array:
        """S' M, or S M. M: (q,) or (q, k)."""
        out: Array = (self.scale * M.T).T
        for block, root in self.dense:
            out[block] = (root.T if transpose else root) @ M[block]
        return out


@dataclass(frozen=True)
class State:
    """Everything at one theta that the criterion, its derivatives and inference share.

    WA: W [X, Z] in pieces. K: (p+q, p+q), [X, Z]' W [X, Z]. S: with G = S S'. root: (p+q, p+q),
    lower Cholesky factor of C. solution: (p+q,), coefficients of A*. quadratic: y'Py.
    """

    sorted_rows: SortedRows
    layout: Structure
    theta: Array
    absorbed: Absorbed
    WA: Carried
    K: Array
    S: Roots
    root: Array
    solution: Array
    quadratic: float

    @property
    def p(self) -> int:
        return self.sorted_rows.p

    @cached_property
    def criterion(self) -> float:
        """-2 restricted log-likelihood, as lme4 gives it."""
        rows = self.sorted_rows
        log_det = self.absorbed.log_det + 2 * float(np.log(np.diag(self.root)).sum())
        m = self.layout.m
        pooled = rows.null_rows > 0
        log_det += float(rows.null_rows[pooled] @ np.log(self.theta[:m][pooled]))
        log_det += rows.null_log_scale
        return (rows.n - self.p) * float(np.log(2 * np.pi)) + log_det + self.quadratic

    @cached_property
    def coefficients(self) -> Array:
        """b and u, (p+q,)."""
        out = self.solution.copy()
        out[self.p :] = self.S.before(out[self.p :], transpose=False)
        return out

    @property
    def beta(self) -> Array:
        """Fixed effects of the response as it was given, (p,)."""
        return self.coefficients[: self.p] + self.sorted_rows.shift

    @cached_property
    def inverse(self) -> Array:
        """S* C^-1 S*' with S* = diag(I, S), (p+q, p+q): P = W - WA inverse (WA)'."""
        p = self.p
        lower, info = lapack.dpotri(self.root, lower=1)
        if info:
            raise NotPositiveError("singular equations")
        out = np.tril(lower) + np.tril(lower, -1).T
        out[p:] = self.S.before(out[p:], transpose=False)
        out[:, p:] = self.S.after_transposed(out[:, p:])
        return out

    def fitted(self, coefficients: Array) -> Array:
        """[X, Z] coefficients, (R,) or (R, j)."""
        parts = self.sorted_rows.parts
        return np.concatenate([part.A @ coefficients[part.columns] for part in parts])

    def cross(self, M: Array) -> Array:
        """[X, Z]' M, (p+q, j). M: (R, j)."""
        out = np.zeros((len(self.root), M.shape[1]))
        for part in self.sorted_rows.parts:
            out[part.columns] += part.A.T @ M[part.rows]
        return out

    def project(self, M: Array) -> Array:
        """P M. M: (R, j)."""
        WM = self.absorbed.times(M)
        return WM - self.WA.times(self.inverse @ self.cross(WM))

    @cached_property
    def Py(self) -> Array:
        """P y, (R,)."""
        y = self.sorted_rows.A[:, -1]
        return self.absorbed.times(y - self.fitted(self.coefficients))

    @cached_property
    def ZPZ(self) -> Array:
        """Z' P Z, (q, q)."""
        p = self.p
        return self.K[p:, p:] - self.K[p:] @ self.inverse @ self.K[:, p:]

    def _level(self, j: int) -> int:
        """Position among the sorted groups (fine first) of nested parameter j."""
        return self.layout.levels - 1 - (j - self.layout.m)

    def apply(self, j: int, M: Array) -> Array:
        """V_j M without the pooled rows. M: (R,) or (R, k)."""
        layout, rows = self.layout, self.sorted_rows
        if j < layout.m:
            d = rows.diagonal[:, j]
            return d * M if M.ndim == 1 else d[:, None] * M
        if j < layout.n_nested:
            group = rows.groups[self._level(j)]
            sums = group.sums(M)
            active = group.active if M.ndim == 1 else group.active[:, None]
            return (active * sums)[group.code]
        block, pattern = self._pattern(j)
        Z = rows.A[:, self.p : -1][:, block]
        return Z @ (pattern @ (Z.T @ M))

    def quadratic_form(self, j: int, M: Array) -> Array:
        """M' V_j M without the pooled rows. M: (R, k). Returns (k, k)."""
        layout, rows = self.layout, self.sorted_rows
        if j < layout.m:
            return (rows.diagonal[:, j][:, None] * M).T @ M
        if j < layout.n_nested:
            group = rows.groups[self._level(j)]
            sums = group.sums(M)[group.active]
            return sums.T @ sums
        block, pattern = self._pattern(j)
        ZM = rows.A[:, self.p : -1][:, block].T @ M
        return ZM.T @ pattern @ ZM

    def _pattern(self, j: int) -> tuple[slice, Array]:
        i = j - self.layout.n_nested
        return self.sorted_rows.blocks[self.layout.pattern_block[i]], self.layout.patterns[i]

    def _is_identity(self, j: int) -> bool:
        return self.sorted_rows.identity[self.layout.pattern_block[j - self.layout.n_nested]]

    @cached_property
    def _nested_derivatives(self) -> tuple[Array, Array]:
        """Derivatives of log |V0| with the levels coarse first, as theta has them."""
        m, n = self.layout.m, self.layout.n_nested
        v = 1.0 / self.absorbed.w
        first, second = log_det_derivatives(self.sorted_rows, v, self.theta[m:n][::-1])
        order = [*range(m), *range(n - 1, m - 1, -1)]
        return first[order], second[np.ix_(order, order)]

    @cached_property
    def working(self) -> Array:
        """V_j P y for each parameter, (R, parameters)."""
        return np.column_stack([self.apply(j, self.Py) for j in range(len(self.theta))])

    @cached_property
    def _dense_level(self) -> Array:
        """N'WA of the crossing level, (G, p+q)."""
        crossing = self.sorted_rows.crossing
        assert crossing is not None
        return dense_sums(self.WA, np.ones(len(self.Py)), crossing)

    @cached_property
    def traces(self) -> Array:
        """tr(P V_j), (parameters,)."""
        layout, rows = self.layout, self.sorted_rows
        out = np.empty(len(self.theta))
        lost = self.WA.forms(self.inverse)
        first = self._nested_derivatives[0]
        for j in range(layout.m):
            out[j] = first[j] - rows.diagonal[:, j] @ lost + self._null(j, 1)
        for j in range(layout.m, layout.n_nested):
            out[j] = first[j] - self._level_loss(self._level(j))
        for j in range(layout.n_nested, len(out)):
            out[j] = self._pattern_trace(j)
        return out

    def _pattern_trace(self, j: int) -> float:
        """tr(Z' P Z pattern); theta Z' P Z = I - [C^-1]_uu of a scalar block, where that has the
        digits."""
        block, pattern = self._pattern(j)
        if not self._is_identity(j):
            return float((self.ZPZ[block, block] * pattern).sum())
        q, theta = len(pattern), float(self.theta[j])
        if theta > 0:
            left = q - float(np.diag(self.inverse)[self.p :][block].sum()) / theta
            if left > 1e-3 * q:
                return left / theta
        K = self.K[self.p :][block]
        return float(np.diag(self.K)[self.p :][block].sum() - ((K @ self.inverse) * K).sum())

    def _level_loss(self, level: int) -> float:
        """tr(N' WA inverse (WA)' N) of a level."""
        if not self.sorted_rows.groups[level].is_local:
            D = self._dense_level
            return float(((D @ self.inverse) * D).sum())
        return float(summed(self.sorted_rows, self.WA, level).forms(self.inverse).sum())

    def _null(self, j: int, power: int) -> float:
        count = self.sorted_rows.null_rows[j]
        return float(count / self.theta[j] ** power) if count else 0.0

    @cached_property
    def gradient(self) -> Array:
        """Of the criterion, (parameters,)."""
        return self.traces - self.working.T @ self.Py

    @cached_property
    def average(self) -> Array:
        """Average information of the criterion, (parameters, parameters)."""
        return _symmetric(self.working.T @ self.project(self.working))

    @cached_property
    def expected(self) -> Array:
        """tr(P V_j P V_k), (parameters, parameters)."""
        layout, k = self.layout, len(self.theta)
        n = layout.n_nested
        out = np.empty((k, k))
        grams = [self._gram(j) for j in range(n)]
        turned = [self.inverse @ gram for gram in grams]
        second = self._nested_derivatives[1]
        mixed = self._mixed_traces()
        for i in range(n):
            for j in range(i, n):
                out[i, j] = -second[i, j] - 2 * mixed[i, j] + float((turned[i] * turned[j].T).sum())
        for j in range(layout.m):
            out[j, j] += self._null(j, 2)
        PZ = -self.inverse @ self.K[:, self.p :]
        PZ[self.p :] += np.eye(self.sorted_rows.q)
        for j in range(n, k):
            block, pattern = self._pattern(j)
            half = PZ[:, block]
            shaped = half if self._is_identity(j) else half @ pattern
            for i in range(n):
                out[i, j] = float(((grams[i] @ half) * shaped).sum())
            for i in range(n, j + 1):
                other, other_pattern = self._pattern(i)
                Q = self.ZPZ[other, block]
                if self._is_identity(i) and self._is_identity(j):
                    out[i, j] = float((Q * Q).sum())
                else:
                    out[i, j] = float((other_pattern * (Q @ pattern @ Q.T)).sum())
        return _mirror(out)

    def _gram(self, j: int) -> Array:
        """(WA)' V_j WA, (p+q, p+q)."""
        if j < self.layout.m:
            return self.WA.gram(self.sorted_rows.diagonal[:, j])
        level = self._level(j)
        if not self.sorted_rows.groups[level].is_local:
            return self._dense_level.T @ self._dense_level
        return summed(self.sorted_rows, self.WA, level).gram()

    def _applied(self, j: int) -> Carried:
        """V_j WA."""
        rows = self.sorted_rows
        if j < self.layout.m:
            return self.WA.weighted(rows.diagonal[:, j])
        level = self._level(j)
        if not rows.groups[level].is_local:
            return spread_dense(self.WA, self._dense_level)
        return expanded(rows, summed(rows, self.WA, level), level)

    def _mixed_traces(self) -> Array:
        """tr(inverse (WA)' V_i W V_j WA) over the nested parameters."""
        rows, n = self.sorted_rows, self.layout.n_nested
        applied = [self._applied(j) for j in range(n)]
        local = [weighted_local(rows, self.absorbed, one) for one in applied]
        out = np.zeros((n, n))
        for i in range(n):
            for j in range(i, n):
                out[i, j] = float(applied[i].forms(self.inverse, local[j]).sum())
        if rows.crossing is not None:
            h, c = self.absorbed.h[-1], self.absorbed.c[-1]
            dense = [dense_sums(one, h, rows.crossing) for one in applied]
            for i in range(n):
                turned = (c[:, None] * dense[i]) @ self.inverse
                for j in range(i, n):
                    out[i, j] -= float((turned * dense[j]).sum())
        return out

    @cached_property
    def hessian(self) -> Array:
        """Observed Hessian of the criterion, (parameters, parameters)."""
        return 2 * self.average - self.expected


def evaluate(sorted_rows: SortedRows, layout: Structure, theta: Array) -> State:
    """The state at theta: (parameters,), diagonal, levels (coarse first), patterns.

    Raises NotPositiveError where theta gives no covariance.
    """
    m, n, p = layout.m, layout.n_nested, sorted_rows.p
    v = sorted_rows.known + sorted_rows.diagonal @ theta[:m]
    if not (v > 0).all() or (theta[m:n] < 0).any():
        raise NotPositiveError("row variance not positive")
    absorbed = absorb(v, theta[m:n][::-1], sorted_rows.groups)
    WA, K, Ky = carry(sorted_rows, absorbed)
    S = _block_roots(sorted_rows, layout, theta)
    C, k = _equations(K, Ky[:-1], S, p)
    root = _cholesky(C)
    solution = cho_solve((root, True), k, check_finite=False)
    quadratic = float(Ky[-1] - k @ solution)
    return State(sorted_rows, layout, theta, absorbed, WA, K, S, root, solution, quadratic)


def criterion_function(sorted_rows: SortedRows) -> Callable[[Array], State]:
    """theta -> State, over the fixed rows."""
    layout = structure(sorted_rows)
    return lambda theta: evaluate(sorted_rows, layout, np.asarray(theta, float))


def _equations(K: Array, Ky: Array, S: Roots, p: int) -> tuple[Array, Array]:
    """C and the right-hand side A*' W y."""
    C = K.copy()
    k = Ky.copy()
    C[:p, p:] = S.after(C[:p, p:])
    C[p:, :p] = C[:p, p:].T
    C[p:, p:] = S.before(S.after(C[p:, p:]))
    k[p:] = S.before(k[p:])
    penalised = np.arange(p, len(C))
    C[penalised, penalised] += 1.0
    return C, k


def _block_roots(sorted_rows: SortedRows, layout: Structure, theta: Array) -> Roots:
    """S, block-diagonal, with G = S S'."""
    scale, dense = np.ones(sorted_rows.q), []
    for number, block in enumerate(sorted_rows.blocks):
        parts = [
            (theta[layout.n_nested + i], layout.patterns[i])
            for i, owner in enumerate(layout.pattern_block)
            if owner == number
        ]
        if not sorted_rows.identity[number]:
            covariance = np.sum([value * pattern for value, pattern in parts], axis=0)
            dense.append((block, _cholesky(covariance)))
            continue
        if parts[0][0] < 0:
            raise NotPositiveError("variance below zero")
        scale[block] = np.sqrt(parts[0][0])
    return Roots(scale, tuple(dense))


def _cholesky(C: Array) -> Array:
    try:
        return cholesky(C, lower=True, check_finite=False)
    except np.linalg.LinAlgError as error:
        raise NotPositiveError(str(error)) from None


def _symmetric(M: Array) -> Array:
    return (M + M.T) / 2


def _mirror(upper: Array) -> Array:
    out = np.triu(upper)
    return out + np.triu(out, 1).T
