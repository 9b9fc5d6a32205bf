"""`Rows` sorted into parts, pieces and groups, and the variances of their columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.models.engine.parts import Flags, Part
from pipeline.models.engine.rows import Array, Codes, Rows


@dataclass(frozen=True)
class Grouping:
    """Groups of one level over the sorted rows, each a run of neighbouring rows.

    code: (R,), group of each row. active: (G,), False for a row that is in no group. starts:
    (G,), first row of each group.
    """

    code: Codes
    active: Flags
    starts: Codes

    def sums(self, values: Array) -> Array:
        """Sums over each group. values: (R,) or (R, k). Returns (G,) or (G, k)."""
        return np.asarray(np.add.reduceat(values, self.starts, axis=0))


@dataclass(frozen=True)
class Block:
    """A variance of penalised columns. parameter: its place in theta. columns: slice of the whole.
    pattern: (q, q), or None for the identity."""

    parameter: int
    columns: slice
    pattern: Array | None


@dataclass(frozen=True)
class SortedRows:
    """`Rows` in an order in which parts, pieces and local groups are contiguous.

    Columns of the whole, k of them: the p of X, the q of all Z, and one a group of the level that
    crosses parts, if there is one (it is then penalised as any other column, not absorbed).
    groups: the local levels, fine first, their variances at `local_parameters` of theta. order:
    (R,), sorted[i] = given[order[i]]. y is taken about its least-squares fit X shift, which leaves
    the criterion as it is and keeps the digits of a response far from zero. owner: (k,), block of
    each column, -1 for fixed ones. border: (b,), columns of the border.
    """

    rows: Rows
    y: Array
    diagonal: Array
    known: Array
    groups: tuple[Grouping, ...]
    local_parameters: Codes
    parts: tuple[Part, ...]
    blocks: tuple[Block, ...]
    owner: Codes
    border: Codes
    order: Codes
    p: int
    q: int
    k: int
    null_rows: Array
    null_log_scale: float
    shift: Array

    @property
    def n(self) -> float:
        """Number of observations, with those that were pooled away."""
        return len(self.y) + float(self.null_rows.sum())

    @property
    def cells(self) -> int:
        """Numbers in the pieces' columns: what an evaluation has to look at."""
        return sum(piece.A.size for part in self.parts for piece in part.pieces)

    def fitted(self, coefficients: Array) -> Array:
        """A coefficients, (R,) or (R, j). coefficients: (k,) or (k, j)."""
        out = []
        for part in self.parts:
            own = coefficients[part.columns]
            for piece in part.pieces:
                value = piece.A @ own[piece.columns]
                if piece.crossing is not None:
                    inside = piece.crossing.inside
                    drawn = own[piece.crossing.of_row]
                    value += inside * drawn if value.ndim == 1 else inside[:, None] * drawn
                out.append(value)
        return np.concatenate(out)

    def cross(self, M: Array) -> Array:
        """A' M, (k,) or (k, j). M: (R,) or (R, j)."""
        out = np.zeros((self.k, *M.shape[1:]))
        for part in self.parts:
            own = np.zeros((len(part.columns), *M.shape[1:]))
            for piece in part.pieces:
                values = M[piece.rows]
                own[piece.columns] += piece.A.T @ values
                if piece.crossing is not None:
                    own[piece.crossing.columns] += piece.crossing.sums(values)
            out[part.columns] += own
        return out
