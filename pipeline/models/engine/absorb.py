"""Nested intercepts absorbed level by level: the inverse of V0 = diag(v) + sum_l theta_l N_l N_l'.

Each level, from the finest up, is one Sherman-Morrison update a group (Henderson 1984):

    W = V0^-1 = diag(w) - sum_l U_l diag(c_l) U_l',   U_l = diag(h_l) N_l

with h_1 = w = 1/v, s_l the group sums of h_l, c_l = theta_l / (1 + theta_l s_l) and
h_(l+1) = h_l / (1 + theta_l s_l). Everything costs the number of rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from pipeline.models.engine.layout import Grouping, SortedRows
from pipeline.models.engine.parts import Piece
from pipeline.models.engine.rows import Array, Codes


@dataclass(frozen=True)
class Absorbed:
    """W at one theta. w: (R,). h[l]: (R,). c[l]: (G_l,). Levels fine first. rest: (R,), h of the
    next level, W times the sum of the coarsest groups."""

    w: Array
    h: tuple[Array, ...]
    c: tuple[Array, ...]
    rest: Array
    groups: tuple[Grouping, ...]
    log_det: float

    def times(self, M: Array) -> Array:
        """W M. M: (R,) or (R, k)."""
        out = _scaled(self.w, M)
        for group, h, c in zip(self.groups, self.h, self.c, strict=True):
            out -= _scaled(h, _scaled(c, group.sums(_scaled(h, M)))[group.code])
        return out

    def within(self, piece: Piece, M: Array) -> Array:
        """W M of a piece. M: (n,) or (n, c)."""
        out = _scaled(self.w[piece.rows], M)
        for level, (where, starts) in enumerate(piece.groups):
            h, c = self.h[level][piece.rows], self.c[level][where]
            sums = _scaled(c, np.add.reduceat(_scaled(h, M), starts, axis=0))
            out -= _scaled(h, piece.spread(level, sums))
        return out


def absorb(v: Array, theta: Array, groups: Sequence[Grouping]) -> Absorbed:
    """Absorb the levels. v: (R,) row variances > 0; theta: (L,) variances, fine level first."""
    w = 1.0 / v
    log_det = float(np.log(v).sum())
    level_h, level_c = [], []
    h = w
    for variance, group in zip(theta, groups, strict=True):
        grown = 1.0 + variance * group.active * group.sums(h)
        level_h.append(h)
        level_c.append(variance * group.active / grown)
        log_det += float(np.log(grown).sum())
        h = h / grown[group.code]
    return Absorbed(w, tuple(level_h), tuple(level_c), h, tuple(groups), log_det)


def log_det_derivatives(sorted_rows: SortedRows, v: Array, theta: Array) -> tuple[Array, Array]:
    """First and second derivatives of log |V0| in its parameters (diagonal, then levels).

    The second ones are -tr(W V_j W V_k). Found by carrying value, gradient and curvature of the
    group sums s_l through the recursion; theta: (L,), fine level first. Returns (k,), (k, k)
    with the levels fine first.
    """
    D = sorted_rows.diagonal
    m = D.shape[1]
    k = m + len(theta)
    w = 1.0 / v
    slope, curve = np.zeros((len(w), k)), np.zeros((len(w), k, k))
    slope[:, :m] = -(w**2)[:, None] * D
    curve[:, :m, :m] = 2 * (w**3)[:, None, None] * D[:, :, None] * D[:, None, :]
    first, second = np.zeros(k), np.zeros((k, k))
    first[:m] = w @ D
    second[:m, :m] = -(D * (w**2)[:, None]).T @ D
    units: Triple = (w, slope, curve)
    unit_of_row = np.arange(len(w))
    for index, (variance, group) in enumerate(zip(theta, sorted_rows.groups, strict=True), m):
        s = _summed(units, unit_of_row, group)
        active = group.active.astype(float)
        t = _one_plus(s, variance * active, active, index)
        ratio = t[1] / t[0][:, None]
        first += ratio.sum(axis=0)
        second += (t[2] / t[0][:, None, None]).sum(axis=0) - ratio.T @ ratio
        units, unit_of_row = _quotient(s, t), group.code
    return first, second


Triple = tuple[Array, ...]  # value (G,), slope (G, k), curvature (G, k, k)


def _summed(units: Triple, unit_of_row: Codes, group: Grouping) -> Triple:
    """Sums of the finer units' values over the groups that hold them."""
    group_of_unit = np.empty(len(units[0]), dtype=np.intp)
    group_of_unit[unit_of_row] = group.code
    U, G = len(group_of_unit), len(group.active)
    scatter = sparse.csr_array((np.ones(U), (group_of_unit, np.arange(U))), shape=(G, U))
    return tuple((scatter @ part.reshape(U, -1)).reshape(G, *part.shape[1:]) for part in units)


def _one_plus(s: Triple, variance: Array, active: Array, index: int) -> Triple:
    """t = 1 + theta s and its derivatives; theta itself is parameter `index`."""
    value, slope, curve = s
    dt = variance[:, None] * slope
    dt[:, index] += active * value
    ddt = variance[:, None, None] * curve
    ddt[:, index, :] += active[:, None] * slope
    ddt[:, :, index] += active[:, None] * slope
    return 1.0 + variance * value, dt, ddt


def _quotient(s: Triple, t: Triple) -> Triple:
    """s / t and its derivatives."""
    value = s[0] / t[0]
    slope = (s[1] - value[:, None] * t[1]) / t[0][:, None]
    crossed = slope[:, :, None] * t[1][:, None, :]
    curve = s[2] - value[:, None, None] * t[2] - crossed - crossed.transpose(0, 2, 1)
    return value, slope, curve / t[0][:, None, None]


def _scaled(weights: Array, M: Array) -> Array:
    return weights * M if M.ndim == 1 else weights[:, None] * M
