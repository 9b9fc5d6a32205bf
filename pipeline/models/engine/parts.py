"""Parts of the rows (meetings) and their columns: the part's own, and those of the border.

Meetings share few columns: each has its own day means and grip curve, while setup contrasts and
drivers' slopes are everybody's. So the mixed-model equations are an arrow, one block a part and a
border, and their cost grows with the number of parts, not with its cube.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import qr, solve_triangular

from pipeline.models.engine.rows import Array, Codes

Flags = NDArray[np.bool_]
Index = slice | Codes  # places; a slice is looked at in place, codes are copied
FULL_ENOUGH = 0.7  # of a span of columns: then zeros are carried along to have a slice


def square(index: Index) -> tuple[Index, Index]:
    """The index of rows and columns at these places."""
    return (index, index) if isinstance(index, slice) else (index[:, None], index)


@dataclass(frozen=True)
class Crossing:
    """Groups of the level that crosses parts, among the rows of one piece.

    starts: (g,), first row of each. active: (g,), False for rows in no group. columns: (active
    groups,), places of their columns in the part. of_row: (n,), place of each row's column; 0,
    and never used, where it has none. inside: (n,), 1 or 0.
    """

    starts: Codes
    active: Flags
    columns: Codes
    of_row: Codes
    inside: Array

    def sums(self, values: Array) -> Array:
        """Sums of the rows over the groups that have a column. values: (n,) or (n, k)."""
        return np.asarray(np.add.reduceat(values, self.starts, axis=0)[self.active])


@dataclass(frozen=True)
class Piece:
    """Neighbouring rows of a part that share the columns which are not zero in them.

    rows: slice of the sorted rows. columns: (c,), places among the part's columns. A: (n, c).
    groups: for each local level, fine first, the slice of its groups and their starts within the
    piece. crossing: None where no row is in a group of the crossing level.
    """

    rows: slice
    columns: Index
    A: Array
    groups: tuple[tuple[slice, Codes], ...]
    crossing: Crossing | None

    @property
    def n(self) -> int:
        return len(self.A)

    def spread(self, level: int, values: Array) -> Array:
        """Each local group's value put on its rows. values: (groups,) or (groups, k)."""
        starts = self.groups[level][1]
        return np.repeat(values, np.diff(np.r_[starts, self.n]), axis=0)


@dataclass(frozen=True)
class Part:
    """columns: (P,), columns of the whole that are not zero in the part (or were taken along):
    its own, then those of the border. own: number of its own. at: places of the others in the
    border."""

    columns: Codes
    own: int
    at: Index
    pieces: tuple[Piece, ...]


def least_squares(parts: Sequence[Part], border: Codes, sizes: Array, y: Array) -> Array:
    """Coefficients of y (R,) on the p fixed columns, which have the lengths `sizes` (p,).

    By QR of each part, then of what these leave to the border. Raises ValueError where the
    columns are dependent.
    """
    p = len(sizes)
    least = np.finfo(float).eps * max(len(y), p) * sizes
    shared = border[border < p]
    reduced = [_reduced(part, p, y) for part in parts]
    rest = [R[len(own) :, len(own) :] for own, _, R in reduced]
    left = np.zeros((sum(map(len, rest)), len(shared) + 1))
    first = 0
    for (_, others, _), lower in zip(reduced, rest, strict=True):
        here = slice(first, first + len(lower))
        left[here, np.searchsorted(shared, others)] = lower[:, :-1]
        left[here, -1] = lower[:, -1]
        first += len(lower)
    out, rank = np.zeros(p), 0
    triangles = [(own, others, R[: len(own)]) for own, others, R in reduced]
    for own, others, R in [(shared, shared[:0], _triangle(left)), *triangles]:
        c = min(len(own), len(R))
        kept = np.abs(np.diag(R)[:c]) > least[own[:c]]
        rank += int(kept.sum())
        if kept.all() and c == len(own):
            right = R[:c, -1] - R[:c, c:-1] @ out[others]
            out[own] = solve_triangular(R[:c, :c], right, check_finite=False)
    if rank < p:
        raise ValueError(f"X has {p} columns but rank {rank}")
    return out


def _reduced(part: Part, p: int, y: Array) -> tuple[Codes, Codes, Array]:
    """The part's own fixed columns, those of the border, and the triangle of both and y."""
    fixed = part.columns < p
    own = np.flatnonzero(fixed[: part.own])
    others = part.own + np.flatnonzero(fixed[part.own :])
    place = np.full(len(part.columns), -1)
    place[np.r_[own, others]] = np.arange(fixed.sum())
    blocks = []
    for piece in part.pieces:
        block = np.zeros((piece.n, int(fixed.sum()) + 1))
        places = place[piece.columns]
        block[:, places[places >= 0]] = piece.A[:, places >= 0]
        block[:, -1] = y[piece.rows]
        blocks.append(block)
    return part.columns[own], part.columns[others], _triangle(np.vstack(blocks))


def _triangle(M: Array) -> Array:
    if not M.size:
        return M
    return np.asarray(qr(M, mode="r", overwrite_a=True, check_finite=False)[0])[: M.shape[1]]
