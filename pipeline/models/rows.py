"""The rows of a mixed model, in the form that the solver takes.

    y = X b + sum_g Z_g u_g + sum_l N_l a_l + e

with nested intercepts a_l ~ N(0, theta_l), penalised coefficients u_g ~ N(0, sum_j theta_j
pattern_j) and Var(e_r) = known_r + sum_j theta_j diagonal_rj. A row is an observation or a
sufficient statistic of several (see `pipeline.runstats`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Codes = NDArray[np.intp]


@dataclass(frozen=True)
class Penalised:
    """A block of q random coefficients.

    Z: (R, q). patterns: (q, q) symmetric arrays, one a parameter; None stands for one identity.
    """

    name: str
    Z: Array
    patterns: tuple[Array, ...] | None = None

    @property
    def covariance_patterns(self) -> tuple[Array, ...]:
        return self.patterns if self.patterns is not None else (np.eye(self.Z.shape[1]),)

    @property
    def is_scalar(self) -> bool:
        """One variance times the identity: may be zero."""
        return self.patterns is None


@dataclass(frozen=True)
class Rows:
    """Response, fixed columns and covariance structure of R rows.

    y: (R,). X: (R, p), of full column rank. diagonal: (R, m), all >= 0. known: (R,), known
    sampling variances. levels: nested groupings, coarse first, each (R,) of group codes, -1 for
    a row in no group. null_rows: (m,), how many further rows there are with y = 0, X = 0 and
    variance theta_j times a scale whose logs sum to null_log_scale (m,): what is left of the
    laps after pooling. names: one a parameter, in the order diagonal, levels, penalised patterns.
    avoid_zero: (parameters,), True where a boundary-avoiding penalty -log theta is added to the
    criterion (Chung et al. 2013).
    """

    y: Array
    X: Array
    diagonal: Array
    known: Array | None = None
    levels: tuple[Codes, ...] = ()
    penalised: tuple[Penalised, ...] = ()
    null_rows: Array | None = None
    null_log_scale: Array | None = None
    names: tuple[str, ...] = ()
    avoid_zero: tuple[bool, ...] | None = None

    @property
    def n_parameters(self) -> int:
        patterns = sum(len(block.covariance_patterns) for block in self.penalised)
        return self.diagonal.shape[1] + len(self.levels) + patterns


@dataclass(frozen=True)
class Grouping:
    """Groups of one level as contiguous slices of the sorted rows.

    starts: (G,), first row of each group. code: (R,), group of each row. active: (G,), False
    for rows that are in no group.
    """

    starts: Codes
    code: Codes
    active: NDArray[np.bool_]

    def sums(self, values: Array) -> Array:
        """Sums over each group. values: (R,) or (R, k). Returns (G,) or (G, k)."""
        return np.add.reduceat(values, self.starts, axis=0)


@dataclass(frozen=True)
class SortedRows:
    """`Rows` in an order in which every group is contiguous, fine levels first.

    A: (R, p + q + 1), the columns of X, of all Z and y. order: (R,), sorted[i] = given[order[i]].
    blocks: slice of each penalised block within the q columns.
    """

    rows: Rows
    A: Array
    diagonal: Array
    known: Array
    groups: tuple[Grouping, ...]
    blocks: tuple[slice, ...]
    order: Codes
    p: int
    q: int
    null_rows: Array
    null_log_scale: float
    identity: tuple[bool, ...] = field(default=())

    @property
    def n(self) -> float:
        """Number of observations, with those that were pooled away."""
        return self.A.shape[0] + float(self.null_rows.sum())


def sort_rows(rows: Rows) -> SortedRows:
    """Check shapes, sort by the nested groups and lay the columns side by side.

    Raises ValueError where shapes disagree, a level is not nested in the one before it, or a
    value is not finite.
    """
    R, p = rows.X.shape
    m = rows.diagonal.shape[1]
    _check_shapes(rows, R)
    order = _nested_order(rows.levels, R)
    groups = tuple(reversed([_grouping(codes[order]) for codes in rows.levels]))
    _check_nested(groups, rows.levels)
    Z = [block.Z for block in rows.penalised]
    A = np.column_stack([rows.X, *Z, rows.y])[order]
    if not np.isfinite(A).all():
        raise ValueError("y, X or Z holds a value that is not finite")
    null_rows = np.zeros(m) if rows.null_rows is None else np.asarray(rows.null_rows, float)
    scale = 0.0 if rows.null_log_scale is None else float(np.sum(rows.null_log_scale))
    return SortedRows(
        rows=rows,
        A=np.ascontiguousarray(A, dtype=float),
        diagonal=np.asarray(rows.diagonal, float)[order],
        known=np.zeros(R) if rows.known is None else np.asarray(rows.known, float)[order],
        groups=groups,
        blocks=_slices([z.shape[1] for z in Z]),
        order=order,
        p=p,
        q=A.shape[1] - p - 1,
        null_rows=null_rows,
        null_log_scale=scale,
        identity=tuple(block.is_scalar for block in rows.penalised),
    )


def _check_shapes(rows: Rows, R: int) -> None:
    lengths = [rows.y.shape[0], rows.diagonal.shape[0]]
    lengths += [codes.shape[0] for codes in rows.levels]
    lengths += [block.Z.shape[0] for block in rows.penalised]
    if any(length != R for length in lengths):
        raise ValueError(f"rows of different number: {lengths} beside {R} of X")
    if rows.names and len(rows.names) != rows.n_parameters:
        raise ValueError(f"{len(rows.names)} names for {rows.n_parameters} parameters")


def _nested_order(levels: Sequence[Codes], R: int) -> Codes:
    if not levels:
        return np.arange(R)
    return np.lexsort(tuple(reversed(levels)))


def _grouping(codes: Codes) -> Grouping:
    alone = codes < 0
    change = np.ones(len(codes), dtype=bool)
    change[1:] = (codes[1:] != codes[:-1]) | alone[1:]
    starts = np.flatnonzero(change)
    return Grouping(starts, np.cumsum(change) - 1, ~alone[starts])


def _check_nested(groups: Sequence[Grouping], levels: Sequence[Codes]) -> None:
    for fine, coarse in pairwise(groups):
        inside = np.diff(coarse.code) != 0
        if np.any(inside & (np.diff(fine.code) == 0)):
            raise ValueError("a level is not nested in the coarser one before it")
    for group, codes in zip(groups, reversed(levels), strict=True):
        if group.active.sum() > len(np.unique(codes[codes >= 0])):
            raise ValueError("a group of one level lies in several of the coarser one before it")


def _slices(sizes: Sequence[int]) -> tuple[slice, ...]:
    ends = np.cumsum([0, *sizes])
    return tuple(slice(a, b) for a, b in pairwise(ends))
