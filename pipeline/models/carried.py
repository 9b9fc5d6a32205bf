"""W A row by row, kept in parts: the work grows with what is not zero, not with rows x columns.

Within a part (a meeting) a row of W A touches the part's own columns and, through the level that
crosses parts (drivers), all columns by a multiple of its group's row of N:

    (W A)_r = L_r on the part's columns  -  a_r N_g(r) on all columns.

Sums over a local level keep that form, since a local group lies within one crossing group.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.models.absorb import Absorbed
from pipeline.models.rows import Array, Codes, Grouping, SortedRows


@dataclass(frozen=True)
class Piece:
    """Rows of one part. L: (n, c), on `columns` (c,). a: (n,). group: (n,), rows of N; the rows
    of one group stand together."""

    columns: Codes
    L: Array
    a: Array
    group: Codes


@dataclass(frozen=True)
class Carried:
    """Rows L - a N[group], in pieces. N: (G, k) over all k columns."""

    pieces: tuple[Piece, ...]
    N: Array

    def times(self, vectors: Array) -> Array:
        """The rows times vectors (k, j), (n, j)."""
        shared = self.N @ vectors
        out = []
        for piece in self.pieces:
            own = piece.L @ vectors[piece.columns]
            if len(shared):
                own -= piece.a[:, None] * shared[piece.group]
            out.append(own)
        return np.concatenate(out)

    def weighted(self, weights: Array) -> Carried:
        """Each row times its weight, (n,)."""
        pieces, first = [], 0
        for piece in self.pieces:
            w = weights[first : first + len(piece.a)]
            pieces.append(Piece(piece.columns, w[:, None] * piece.L, w * piece.a, piece.group))
            first += len(w)
        return Carried(tuple(pieces), self.N)

    def gram(self, weights: Array | None = None) -> Array:
        """Sum of weight x row' row, (k, k). weights: (n,)."""
        k = self.N.shape[1]
        out = np.zeros((k, k))
        shared = np.zeros((len(self.N), k))
        amount = np.zeros(len(self.N))
        first = 0
        for piece in self.pieces:
            n = len(piece.a)
            w = np.ones(n) if weights is None else weights[first : first + n]
            first += n
            out[np.ix_(piece.columns, piece.columns)] += piece.L.T @ (w[:, None] * piece.L)
            if len(self.N):
                wa = w * piece.a
                amount += np.bincount(piece.group, wa * piece.a, len(self.N))
                shared[:, piece.columns] += _by_group(piece, wa[:, None] * piece.L, len(self.N))
        if len(self.N):
            crossed = shared.T @ self.N
            out += self.N.T @ (amount[:, None] * self.N) - crossed - crossed.T
        return out

    def forms(self, M: Array, other: Carried | None = None) -> Array:
        """row M other_row' for each row, (n,). M: (k, k), symmetric."""
        mine = self.N @ M
        theirs = mine if other is None else other.N @ M
        both = _row_products(mine, self.N if other is None else other.N)
        pieces = self.pieces if other is None else other.pieces
        out = []
        for x, y in zip(self.pieces, pieces, strict=True):
            turned = x.L @ M[np.ix_(x.columns, x.columns)]
            value = _row_products(turned, y.L)
            if len(self.N):
                crossed = y.a * _row_products(x.L, theirs[x.group][:, x.columns])
                value -= crossed
                if other is None:
                    value -= crossed
                else:
                    value -= x.a * _row_products(y.L, mine[x.group][:, x.columns])
                value += x.a * y.a * both[x.group]
            out.append(value)
        return np.concatenate(out)


def _row_products(A: Array, B: Array) -> Array:
    """A_r B_r' for each row, (n,)."""
    return np.asarray(np.einsum("ij,ij->i", A, B))


def _by_group(piece: Piece, rows: Array, G: int) -> Array:
    """Sums of rows (n, c) over the crossing groups, (G, c)."""
    starts = np.flatnonzero(np.r_[True, np.diff(piece.group) != 0])
    out = np.zeros((G, rows.shape[1]))
    out[piece.group[starts]] = np.add.reduceat(rows, starts, axis=0)
    return out


def carry(sorted_rows: SortedRows, absorbed: Absorbed) -> tuple[Carried, Array, Array]:
    """W A over the columns of X and Z, with A'WA (k, k) and A'Wy and y'Wy (k + 1,)."""
    k = sorted_rows.p + sorted_rows.q
    crossing = sorted_rows.crossing
    G = len(crossing.active) if crossing is not None else 0
    K, Ky, B = np.zeros((k, k)), np.zeros(k + 1), np.zeros((G, k))
    last = absorbed.h[-1] if crossing is not None else np.zeros(len(sorted_rows.order))
    code = crossing.code if crossing is not None else np.zeros(len(last), dtype=np.intp)
    y = sorted_rows.A[:, -1]
    Wy = absorbed.times(y)
    Ky[-1] = float(y @ Wy)
    pieces = []
    for part in sorted_rows.parts:
        L = local_times(absorbed, part.rows, part.groups, part.A)
        piece = Piece(part.columns, L, last[part.rows], code[part.rows])
        K[np.ix_(part.columns, part.columns)] += part.A.T @ L
        Ky[part.columns] += part.A.T @ Wy[part.rows]
        if G:
            B[:, part.columns] += _by_group(piece, piece.a[:, None] * part.A, G)
        pieces.append(piece)
    N = absorbed.c[-1][:, None] * B if G else B
    return Carried(tuple(pieces), N), (K + K.T) / 2 - B.T @ N, Ky


def local_times(
    absorbed: Absorbed,
    rows: slice,
    groups: Sequence[tuple[slice, Codes]],
    M: Array,
) -> Array:
    """W M of one part without the crossing level. M: (n, c) or (n,)."""
    w = absorbed.w[rows]
    out = w[:, None] * M if M.ndim == 2 else w * M
    for level, (where, starts) in enumerate(groups):
        h, c = absorbed.h[level][rows], absorbed.c[level][where]
        sizes = np.diff(np.r_[starts, len(h)])
        hM = h[:, None] * M if M.ndim == 2 else h * M
        sums = np.add.reduceat(hM, starts, axis=0)
        sums = c[:, None] * sums if M.ndim == 2 else c * sums
        spread = np.repeat(sums, sizes, axis=0)
        out -= h[:, None] * spread if M.ndim == 2 else h * spread
    return out


def weighted_local(sorted_rows: SortedRows, absorbed: Absorbed, rows: Carried) -> Carried:
    """W times the rows, without the crossing level."""
    pieces = []
    for part, piece in zip(sorted_rows.parts, rows.pieces, strict=True):
        L = local_times(absorbed, part.rows, part.groups, piece.L)
        a = local_times(absorbed, part.rows, part.groups, piece.a)
        pieces.append(Piece(piece.columns, L, a, piece.group))
    return Carried(tuple(pieces), rows.N)


def summed(sorted_rows: SortedRows, rows: Carried, level: int) -> Carried:
    """Sums of the rows over the groups of a local level, inactive groups zero."""
    group = sorted_rows.groups[level]
    pieces = []
    for part, piece in zip(sorted_rows.parts, rows.pieces, strict=True):
        where, starts = part.groups[level]
        active = group.active[where].astype(float)
        L = active[:, None] * np.add.reduceat(piece.L, starts, axis=0)
        a = active * np.add.reduceat(piece.a, starts)
        pieces.append(Piece(piece.columns, L, a, piece.group[starts]))
    return Carried(tuple(pieces), rows.N)


def expanded(sorted_rows: SortedRows, sums: Carried, level: int) -> Carried:
    """Each group's sum put back on its rows."""
    pieces = []
    for part, piece in zip(sorted_rows.parts, sums.pieces, strict=True):
        starts = part.groups[level][1]
        sizes = np.diff(np.r_[starts, part.rows.stop - part.rows.start])
        pieces.append(
            Piece(
                piece.columns,
                np.repeat(piece.L, sizes, axis=0),
                np.repeat(piece.a, sizes),
                np.repeat(piece.group, sizes),
            )
        )
    return Carried(tuple(pieces), sums.N)


def dense_sums(rows: Carried, weights: Array, crossing: Grouping) -> Array:
    """Sums of weight x row over the crossing groups, (G, k), inactive groups zero."""
    G = len(crossing.active)
    out = np.zeros((G, rows.N.shape[1]))
    amount = np.zeros(G)
    first = 0
    for piece in rows.pieces:
        w = weights[first : first + len(piece.a)]
        first += len(w)
        out[:, piece.columns] += _by_group(piece, w[:, None] * piece.L, G)
        amount += np.bincount(piece.group, w * piece.a, G)
    return crossing.active[:, None] * (out - amount[:, None] * rows.N)


def spread_dense(rows: Carried, dense: Array) -> Carried:
    """Rows that are dense[group] on all columns, in the pieces of `rows`."""
    pieces = tuple(
        Piece(p.columns, np.zeros_like(p.L), -np.ones_like(p.a), p.group) for p in rows.pieces
    )
    return Carried(pieces, dense)
