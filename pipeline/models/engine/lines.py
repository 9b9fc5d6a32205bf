"""Rows of W A, or of what is made of them, by pieces: the work grows with what is not zero.

A row is not zero on its piece's columns and on the one column of its group of the level that
crosses parts. Since a local group lies within one such group, sums over local groups keep that
form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.models.engine.absorb import Absorbed
from pipeline.models.engine.parts import Crossing, Flags, Part, Piece, square
from pipeline.models.engine.rows import Array


@dataclass(frozen=True)
class Lines:
    """n rows: L (n, c) on the piece's columns, a (n,) on each row's column of `crossing`."""

    L: Array
    a: Array
    crossing: Crossing | None

    def weighted(self, weights: Array) -> Lines:
        """Each row times its weight, (n,)."""
        return Lines(weights[:, None] * self.L, weights * self.a, self.crossing)

    def turned(self, piece: Piece, M: Array) -> Lines:
        """The rows times M (P, P), symmetric, over the part's columns; where the rows are."""
        L = self.L @ M[square(piece.columns)]
        if self.crossing is None:
            return Lines(L, self.a, None)
        of_row = self.crossing.of_row
        beside = M[:, piece.columns][of_row]
        a = row_products(self.L, beside) + self.a * M[of_row, of_row]
        L += self.a[:, None] * beside
        return Lines(L, self.crossing.inside * a, self.crossing)

    def products(self, other: Lines) -> Array:
        """Row by row products with rows of the same places, (n,)."""
        return row_products(self.L, other.L) + self.a * other.a


def row_products(A: Array, B: Array) -> Array:
    """A_r B_r' for each row, (n,)."""
    return np.asarray(np.einsum("ij,ij->i", A, B))


def carried(piece: Piece, absorbed: Absorbed) -> Lines:
    """W A of a piece."""
    L = absorbed.within(piece, piece.A)
    rest = absorbed.rest[piece.rows]
    if piece.crossing is None:
        return Lines(L, np.zeros(piece.n), None)
    return Lines(L, piece.crossing.inside * rest, piece.crossing)


def cross_products(part: Part, lines: tuple[Lines, ...]) -> Array:
    """A' W A of a part over its columns, (P, P)."""
    out = np.zeros((len(part.columns),) * 2)
    for piece, line in zip(part.pieces, lines, strict=True):
        out[square(piece.columns)] += piece.A.T @ line.L
        if piece.crossing is not None:
            sums = piece.crossing.sums(line.a[:, None] * piece.A)
            _add_crossing(out, piece, piece.crossing, sums, piece.crossing.sums(line.a))
    return out


def gram(part: Part, lines: tuple[Lines, ...], weights: tuple[Array, ...] | None = None) -> Array:
    """Sum of weight x row' row over a part's columns, (P, P). weights: (n,) a piece."""
    out = np.zeros((len(part.columns),) * 2)
    for number, (piece, line) in enumerate(zip(part.pieces, lines, strict=True)):
        if weights is not None and not weights[number].any():
            continue
        heavy = line if weights is None else line.weighted(weights[number])
        out[square(piece.columns)] += line.L.T @ heavy.L
        if line.crossing is not None:
            sums = line.crossing.sums(heavy.a[:, None] * line.L)
            _add_crossing(out, piece, line.crossing, sums, line.crossing.sums(heavy.a * line.a))
    return out


def _add_crossing(out: Array, piece: Piece, crossing: Crossing, sums: Array, own: Array) -> None:
    """Add what stands in the columns of the crossing level. sums: (g, c); own: (g,)."""
    columns = crossing.columns
    if isinstance(piece.columns, slice):
        out[columns, piece.columns] += sums
        out[piece.columns, columns] += sums.T
    else:
        out[np.ix_(columns, piece.columns)] += sums
        out[np.ix_(piece.columns, columns)] += sums.T
    out[columns, columns] += own


def summed(piece: Piece, level: int, active: Flags, lines: Lines) -> Lines:
    """Sums of the rows over the groups of a local level, inactive groups zero."""
    where, starts = piece.groups[level]
    inside = active[where].astype(float)
    L = inside[:, None] * np.add.reduceat(lines.L, starts, axis=0)
    a = inside * np.add.reduceat(lines.a, starts)
    crossing = lines.crossing
    if crossing is not None:
        crossing = Crossing(
            np.searchsorted(starts, crossing.starts),
            crossing.active,
            crossing.columns,
            crossing.of_row[starts],
            crossing.inside[starts],
        )
    return Lines(L, a, crossing)


def expanded(piece: Piece, level: int, sums: Lines) -> Lines:
    """Each group's sum put back on its rows."""
    return Lines(piece.spread(level, sums.L), piece.spread(level, sums.a), piece.crossing)


def within(piece: Piece, absorbed: Absorbed, lines: Lines) -> Lines:
    """W times the rows."""
    return Lines(absorbed.within(piece, lines.L), absorbed.within(piece, lines.a), lines.crossing)
