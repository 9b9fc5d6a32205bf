"""The rows of a mixed model, in the form that the solver takes.

    y = X b + sum_g Z_g u_g + sum_l N_l a_l + e

with nested intercepts a_l ~ N(0, theta_l), penalised coefficients u_g ~ N(0, sum_j theta_j
pattern_j) and Var(e_r) = known_r + sum_j theta_j diagonal_rj. A row is an observation or a
sufficient statistic of several (see `pipeline.runstats`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

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
    criterion (Chung et al. 2013). parts: (R,), codes of parts of the rows that share few columns
    (meetings); it changes the work, never the result.
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
    parts: Codes | None = None

    @property
    def n_parameters(self) -> int:
        patterns = sum(len(block.covariance_patterns) for block in self.penalised)
        return self.diagonal.shape[1] + len(self.levels) + patterns


@dataclass(frozen=True)
class Grouping:
    """Groups of one level over the sorted rows.

    code: (R,), group of each row. active: (G,), False for what is in no group. starts: (G,),
    first row of each group where the groups are contiguous, else None; `scatter` (G, R) then
    does the sums.
    """

    code: Codes
    active: NDArray[np.bool_]
    starts: Codes | None
    scatter: sparse.csr_array | None = None

    @property
    def is_local(self) -> bool:
        """Every group is a run of neighbouring rows."""
        return self.starts is not None

    def sums(self, values: Array) -> Array:
        """Sums over each group. values: (R,) or (R, k). Returns (G,) or (G, k)."""
        if self.scatter is not None:
            return np.asarray(self.scatter @ values)
        assert self.starts is not None
        return np.add.reduceat(values, self.starts, axis=0)


@dataclass(frozen=True)
class Part:
    """Neighbouring rows that share the columns which are not zero in them.

    rows: slice of the sorted rows. columns: (c,), of A without y. A: (n, c). y: (n,).
    groups: for each local level, the slice of its groups and their starts within the part.
    """

    rows: slice
    columns: Codes
    A: Array
    y: Array
    groups: tuple[tuple[slice, Codes], ...]


@dataclass(frozen=True)
class SortedRows:
    """`Rows` in an order in which parts and local groups are contiguous; fine levels first.

    A: (R, p + q + 1), the columns of X, of all Z and y. order: (R,), sorted[i] = given[order[i]].
    blocks: slice of each penalised block within the q columns. At most one level (the coarsest)
    crosses parts. y is taken about its least-squares fit X shift, which leaves the criterion as
    it is and keeps the digits of a response far from zero.
    """

    rows: Rows
    A: Array
    diagonal: Array
    known: Array
    groups: tuple[Grouping, ...]
    parts: tuple[Part, ...]
    blocks: tuple[slice, ...]
    order: Codes
    p: int
    q: int
    null_rows: Array
    null_log_scale: float
    identity: tuple[bool, ...]
    shift: Array

    @property
    def n(self) -> float:
        """Number of observations, with those that were pooled away."""
        return self.A.shape[0] + float(self.null_rows.sum())

    @property
    def crossing(self) -> Grouping | None:
        """The level whose groups lie in several parts, if any."""
        return self.groups[-1] if self.groups and not self.groups[-1].is_local else None


def sort_rows(rows: Rows) -> SortedRows:
    """Check shapes, sort by parts and nested groups and lay the columns side by side.

    Raises ValueError where shapes disagree, a level is not nested in the one before it, a value
    is not finite or X is not of full column rank.
    """
    R, p = rows.X.shape
    m = rows.diagonal.shape[1]
    _check_shapes(rows, R)
    _check_nested(rows.levels)
    part_codes, local = _usable_parts(rows, R)
    # Within a part by the levels, coarse first: rows of a crossing group then stand together too.
    order = np.lexsort((*reversed(rows.levels), part_codes))
    groups = tuple(
        _contiguous(codes[order]) if depth < local else _scattered(codes[order])
        for depth, codes in enumerate(reversed(rows.levels))
    )
    Z = [block.Z for block in rows.penalised]
    A = np.column_stack([rows.X, *Z, rows.y])[order]
    if not np.isfinite(A).all():
        raise ValueError("y, X or Z holds a value that is not finite")
    shift = _least_squares(A[:, :p], A[:, -1])
    A[:, -1] -= A[:, :p] @ shift
    null_rows = np.zeros(m) if rows.null_rows is None else np.asarray(rows.null_rows, float)
    scale = 0.0 if rows.null_log_scale is None else float(np.sum(rows.null_log_scale))
    return SortedRows(
        rows=rows,
        A=np.ascontiguousarray(A, dtype=float),
        diagonal=np.asarray(rows.diagonal, float)[order],
        known=np.zeros(R) if rows.known is None else np.asarray(rows.known, float)[order],
        groups=groups,
        parts=tuple(_parts(A, part_codes[order], [g for g in groups if g.is_local])),
        blocks=_slices([z.shape[1] for z in Z]),
        order=order,
        p=p,
        q=A.shape[1] - p - 1,
        null_rows=null_rows,
        null_log_scale=scale,
        identity=tuple(block.is_scalar for block in rows.penalised),
        shift=shift,
    )


def _least_squares(X: Array, y: Array) -> Array:
    coefficients, _, rank, _ = np.linalg.lstsq(X, y, rcond=None)
    if rank < X.shape[1]:
        raise ValueError(f"X has {X.shape[1]} columns but rank {rank}")
    return np.asarray(coefficients)


def _usable_parts(rows: Rows, R: int) -> tuple[Codes, int]:
    """Codes of the parts, and how many levels (finest first) lie within them.

    One part where none are given, or where more than the coarsest level crosses them.
    """
    if rows.parts is None:
        return np.zeros(R, dtype=np.intp), len(rows.levels)
    local = 0
    for codes in reversed(rows.levels):
        named = codes >= 0
        pairs = np.unique(np.column_stack([codes[named], rows.parts[named]]), axis=0)
        if len(pairs) > len(np.unique(codes[named])):
            break
        local += 1
    if local < len(rows.levels) - 1:
        return np.zeros(R, dtype=np.intp), len(rows.levels)
    return np.asarray(rows.parts, dtype=np.intp), local


def _parts(A: Array, codes: Codes, local: Sequence[Grouping]) -> Iterator[Part]:
    edges = [0, *(np.flatnonzero(np.diff(codes)) + 1), len(codes)]
    for first, last in pairwise(edges):
        block = A[first:last, :-1]
        columns = np.flatnonzero(np.any(block != 0, axis=0))
        groups = []
        for group in local:
            assert group.starts is not None
            a, b = np.searchsorted(group.starts, [first, last])
            groups.append((slice(int(a), int(b)), group.starts[a:b] - first))
        yield Part(
            rows=slice(first, last),
            columns=columns,
            A=np.ascontiguousarray(block[:, columns]),
            y=np.ascontiguousarray(A[first:last, -1]),
            groups=tuple(groups),
        )


def _check_shapes(rows: Rows, R: int) -> None:
    lengths = [rows.y.shape[0], rows.diagonal.shape[0]]
    lengths += [codes.shape[0] for codes in rows.levels]
    lengths += [block.Z.shape[0] for block in rows.penalised]
    if any(length != R for length in lengths):
        raise ValueError(f"rows of different number: {lengths} beside {R} of X")
    if rows.names and len(rows.names) != rows.n_parameters:
        raise ValueError(f"{len(rows.names)} names for {rows.n_parameters} parameters")


def _contiguous(codes: Codes) -> Grouping:
    alone = codes < 0
    change = np.ones(len(codes), dtype=bool)
    change[1:] = (codes[1:] != codes[:-1]) | alone[1:]
    starts = np.flatnonzero(change)
    return Grouping(np.cumsum(change) - 1, ~alone[starts], starts)


def _scattered(codes: Codes) -> Grouping:
    """Groups anywhere; the rows in none share one that is not active."""
    names, code = np.unique(codes, return_inverse=True)
    R = len(codes)
    scatter = sparse.csr_array((np.ones(R), (code, np.arange(R))), shape=(len(names), R))
    return Grouping(code, names >= 0, None, scatter)


def _check_nested(levels: Sequence[Codes]) -> None:
    for coarse, fine in pairwise(levels):
        named = fine >= 0
        pairs = np.unique(np.column_stack([fine[named], coarse[named]]), axis=0)
        if len(pairs) > len(np.unique(fine[named])):
            raise ValueError("a group of one level lies in several of the coarser one before it")


def _slices(sizes: Sequence[int]) -> tuple[slice, ...]:
    ends = np.cumsum([0, *sizes])
    return tuple(slice(a, b) for a, b in pairwise(ends))
