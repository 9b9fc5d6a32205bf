"""The REML criterion of `Rows` as a function of the variances, with exact derivatives.

With V = V0 + Z G Z', W = V0^-1 (see `absorb`), A = [X, Z], G = S S' and C = S' A' W A S + E (see
`arrow`), the mixed-model equations (Henderson 1984) give, without ever forming V,

    P = W - W A S C^-1 S' A' W,
    -2 l_R = (n - p) log 2 pi + log |V0| + log |C| + y' P y

and, V_j = dV / d theta_j,

    gradient_j   = tr(P V_j) - y' P V_j P y
    expected_jk  = tr(P V_j P V_k)              (see `curvature`)
    average_jk   = y' P V_j P V_k P y           (Gilmour, Thompson and Cullis 1995)
    hessian_jk   = 2 average_jk - expected_jk   (V is linear in theta)
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.models.engine.absorb import Absorbed, absorb, log_det_derivatives
from pipeline.models.engine.arrow import Factor, NotPositiveError, Scaling, factorise, lower_root
from pipeline.models.engine.curvature import expected_information
from pipeline.models.engine.layout import SortedRows
from pipeline.models.engine.lines import Lines, carried, cross_products, row_products, summed
from pipeline.models.engine.parts import Flags, Piece, square
from pipeline.models.engine.rows import Array, Codes


@dataclass(frozen=True)
class State:
    """Everything at one theta that the criterion, its derivatives and inference share.

    WA: the rows of W A, a tuple of pieces a part. K: A' W A, (P, P) a part. coefficients: (k,), of
    A. quadratic: y'Py.
    """

    sorted_rows: SortedRows
    theta: Array
    absorbed: Absorbed
    WA: tuple[tuple[Lines, ...], ...]
    K: tuple[Array, ...]
    factor: Factor
    coefficients: Array
    quadratic: float

    @property
    def p(self) -> int:
        return self.sorted_rows.p

    @property
    def m(self) -> int:
        return self.sorted_rows.diagonal.shape[1]

    @property
    def nested(self) -> Codes:
        """Parameters of the row variances and of the absorbed levels."""
        return np.r_[np.arange(self.m), self.sorted_rows.local_parameters]

    @cached_property
    def criterion(self) -> float:
        """-2 restricted log-likelihood, as lme4 gives it."""
        rows = self.sorted_rows
        log_det = self.absorbed.log_det + self.factor.log_det
        pooled = rows.null_rows > 0
        log_det += float(rows.null_rows[pooled] @ np.log(self.theta[: self.m][pooled]))
        log_det += rows.null_log_scale
        return (rows.n - self.p) * float(np.log(2 * np.pi)) + log_det + self.quadratic

    @property
    def beta(self) -> Array:
        """Fixed effects of the response as it was given, (p,)."""
        return self.coefficients[: self.p] + self.sorted_rows.shift

    def project(self, M: Array) -> Array:
        """P M. M: (R, j)."""
        rows, times = self.sorted_rows, self.absorbed.times
        WM = times(M)
        return WM - times(rows.fitted(self.factor.solve(rows.cross(WM))))

    @cached_property
    def Py(self) -> Array:
        """P y, (R,)."""
        rows = self.sorted_rows
        return self.absorbed.times(rows.y - rows.fitted(self.coefficients))

    def apply(self, M: Array, less: Array | None = None) -> Array:
        """V_j M for each parameter without the pooled rows, (R, parameters). M: (R,).

        less: (k,), coefficients lambda of which Z G_j lambda is taken off.
        """
        rows = self.sorted_rows
        out = np.empty((len(M), len(self.theta)))
        out[:, : self.m] = rows.diagonal * M[:, None]
        for j, group in zip(rows.local_parameters, rows.groups, strict=True):
            out[:, j] = (group.active * group.sums(M))[group.code]
        crossed = rows.cross(M) if less is None else rows.cross(M) - less
        spread = np.zeros((rows.k, len(rows.blocks)))
        for number, block in enumerate(rows.blocks):
            own = crossed[block.columns]
            spread[block.columns, number] = own if block.pattern is None else block.pattern @ own
        out[:, [block.parameter for block in rows.blocks]] = rows.fitted(spread)
        return out

    @cached_property
    def nested_derivatives(self) -> tuple[Array, Array]:
        """Derivatives of log |V0| in the nested parameters, in their order."""
        v = 1.0 / self.absorbed.w
        return log_det_derivatives(
            self.sorted_rows, v, self.theta[self.sorted_rows.local_parameters]
        )

    @cached_property
    def working(self) -> Array:
        """V_j P y for each parameter, (R, parameters)."""
        return self.apply(self.Py)

    @cached_property
    def _swept(self) -> tuple[tuple[tuple[Lines, ...], ...], Array]:
        """The rows of W A S C^-1 S', where those of W A are not zero, and the diagonal of
        S C^-1 S' (k,): part by part, so that no part's inverse outlives its use."""
        rows = self.sorted_rows
        turned, left = [], np.empty(rows.k)
        left[rows.border] = np.diag(self.factor.B)
        for number, (part, lines) in enumerate(zip(rows.parts, self.WA, strict=True)):
            M = self.factor.inverse_of_part(number)
            left[part.columns[: part.own]] = np.diag(M)[: part.own]
            pieces = zip(part.pieces, lines, strict=True)
            turned.append(tuple(line.turned(piece, M) for piece, line in pieces))
        return tuple(turned), left

    def by_piece(self) -> Iterator[tuple[Piece, Lines, Lines]]:
        """Each piece with its rows of W A and of W A S C^-1 S'."""
        for part, lines, turned in zip(
            self.sorted_rows.parts, self.WA, self._swept[0], strict=True
        ):
            yield from zip(part.pieces, lines, turned, strict=True)

    @cached_property
    def traces(self) -> Array:
        """tr(P V_j), (parameters,)."""
        rows = self.sorted_rows
        out = np.zeros(len(self.theta))
        out[self.nested] = self.nested_derivatives[0]
        for piece, line, turned in self.by_piece():
            out[: self.m] -= rows.diagonal[piece.rows].T @ turned.products(line)
            for level, j in enumerate(rows.local_parameters):
                active = rows.groups[level].active
                sums = [summed(piece, level, active, one) for one in (turned, line)]
                out[j] -= float(sums[0].products(sums[1]).sum())
        for j in range(self.m):
            out[j] += self.pooled_trace(j, 1)
        out[[block.parameter for block in rows.blocks]] = self._block_traces()
        return out

    def _block_traces(self) -> Array:
        """tr(Z' P Z pattern) of each block, (blocks,).

        theta Z' P Z = I - [S C^-1 S']_uu / theta of a scalar block, where that has the digits;
        else from the information itself.
        """
        rows, left = self.sorted_rows, self._swept[1]
        out = np.empty(len(rows.blocks))
        direct = np.zeros(rows.k, dtype=bool)
        for number, block in enumerate(rows.blocks):
            if block.pattern is not None:
                out[number] = self._pattern_trace(block.columns, block.pattern)
                continue
            theta, q = float(self.theta[block.parameter]), block.columns.stop - block.columns.start
            kept = q - float(left[block.columns].sum()) / theta if theta > 0 else 0.0
            out[number] = kept / theta if kept > 1e-3 * q else np.nan
            direct[block.columns] = np.isnan(out[number])
        if direct.any():
            information = self._information(direct)
            for number, block in enumerate(rows.blocks):
                if np.isnan(out[number]):
                    out[number] = information[block.columns].sum()
        return out

    def _pattern_trace(self, columns: slice, pattern: Array) -> float:
        place = np.searchsorted(self.sorted_rows.border, np.arange(columns.start, columns.stop))
        T, B = self.factor.T, self.factor.B
        return float(((T - T @ B @ T)[np.ix_(place, place)] * pattern).sum())

    def _information(self, wanted: Flags) -> Array:
        """Diagonal of A' P A at the wanted columns, (k,), zero elsewhere."""
        rows, B, T = self.sorted_rows, self.factor.B, self.factor.T
        out = np.zeros(rows.k)
        here = wanted[rows.border]
        out[rows.border[here]] = np.diag(T)[here] - row_products(T[here] @ B, T[here])
        for part, block, K in zip(rows.parts, self.factor.own, self.K, strict=True):
            place = np.flatnonzero(wanted[part.columns[: part.own]])
            own = K[place, : part.own]
            R = own @ block.F + K[place, part.own :]
            lost = row_products(own @ block.inverse, own)
            lost += row_products(R @ B[square(part.at)], R)
            out[part.columns[place]] = K[place, place] - lost
        return out

    def pooled_trace(self, j: int, power: int) -> float:
        """What the rows that were pooled away add to a trace of row variance j."""
        count = self.sorted_rows.null_rows[j]
        return float(count / self.theta[j] ** power) if count else 0.0

    @cached_property
    def gradient(self) -> Array:
        """Of the criterion, (parameters,)."""
        return self.traces - self.working.T @ self.Py

    @cached_property
    def average(self) -> Array:
        """Average information of the criterion, (parameters, parameters)."""
        M = self.working.T @ self.project(self.working)
        return (M + M.T) / 2

    @cached_property
    def expected(self) -> Array:
        """tr(P V_j P V_k), (parameters, parameters)."""
        return expected_information(self)

    @cached_property
    def hessian(self) -> Array:
        """Observed Hessian of the criterion, (parameters, parameters)."""
        return 2 * self.average - self.expected


def evaluate(sorted_rows: SortedRows, theta: Array) -> State:
    """The state at theta: (parameters,), diagonal, levels (coarse first), patterns.

    Raises NotPositiveError where theta gives no covariance.
    """
    m = sorted_rows.diagonal.shape[1]
    v = sorted_rows.known + sorted_rows.diagonal @ theta[:m]
    levels = theta[m : m + len(sorted_rows.rows.levels)]
    if not (v > 0).all() or (levels < 0).any():
        raise NotPositiveError("row variance not positive")
    absorbed = absorb(v, theta[sorted_rows.local_parameters], sorted_rows.groups)
    WA: list[tuple[Lines, ...]] = []
    K: list[Array] = []

    def by_part() -> Iterator[Array]:  # each is made when it is used, while it is in the cache
        for part in sorted_rows.parts:
            WA.append(tuple(carried(piece, absorbed) for piece in part.pieces))
            K.append(cross_products(part, WA[-1]))
            yield K[-1]

    factor = factorise(
        by_part(), sorted_rows.parts, sorted_rows.border, scaling(sorted_rows, theta)
    )
    Wy = absorbed.times(sorted_rows.y)
    right = sorted_rows.cross(Wy)
    coefficients = factor.solve(right)
    quadratic = float(sorted_rows.y @ Wy - right @ coefficients)
    return State(sorted_rows, theta, absorbed, tuple(WA), tuple(K), factor, coefficients, quadratic)


def criterion_function(sorted_rows: SortedRows) -> Callable[[Array], State]:
    """theta -> State, over the fixed rows."""
    return lambda theta: evaluate(sorted_rows, np.asarray(theta, float))


def scaling(sorted_rows: SortedRows, theta: Array) -> Scaling:
    """S with G = S S' at theta. Raises NotPositiveError where G is no covariance."""
    scale = np.ones(sorted_rows.k)
    covariances: dict[tuple[int, int], Array] = {}
    for block in sorted_rows.blocks:
        value = float(theta[block.parameter])
        if block.pattern is not None:
            key = block.columns.start, block.columns.stop
            covariances[key] = value * block.pattern + covariances.get(key, 0.0)
        elif value < 0:
            raise NotPositiveError("variance below zero")
        else:
            scale[block.columns] = np.sqrt(value)
    tied = tuple((np.arange(*key), lower_root(C)) for key, C in covariances.items())
    return Scaling(scale, (sorted_rows.owner >= 0).astype(float), tied)
