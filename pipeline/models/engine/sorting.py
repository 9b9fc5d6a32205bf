"""From `Rows` to `SortedRows`: the order of the rows, and which columns stand where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import sparse

from pipeline.models.engine.layout import Block, Grouping, SortedRows
from pipeline.models.engine.parts import (
    FULL_ENOUGH,
    Crossing,
    Flags,
    Index,
    Part,
    Piece,
    least_squares,
)
from pipeline.models.engine.rows import Array, Codes, Penalised, Rows, is_nested


def sort_rows(rows: Rows) -> SortedRows:
    """Check the rows, sort them by parts, pieces and nested groups and lay out their columns.

    Raises ValueError where shapes disagree, a level is not nested in the one before it, a value
    is not finite or X is not of full column rank.
    """
    rows.check()
    R, p = rows.X.shape
    m = rows.diagonal.shape[1]
    parts, pieces, crosses = _usable_parts(rows, R)
    # Within a piece by the levels, coarse first: rows of a crossing group then stand together too.
    order = np.lexsort((*reversed(rows.levels), pieces, parts))
    local = rows.levels[1:] if crosses else rows.levels
    groups = tuple(_contiguous(codes[order], pieces[order]) for codes in reversed(local))
    crossing = _crossing_codes(rows.levels[0][order]) if crosses else None
    A = _stacked(rows)[order]
    q = A.shape[1] - p
    k = p + q + (0 if crossing is None else int(crossing.max(initial=-1)) + 1)
    slices = _slices(p, rows.penalised)
    blocks, owner = _blocks(rows, slices, crosses, k)
    edges = _edges(parts[order]), _edges(pieces[order])
    laid, border = _lay_out(A, edges, crossing, groups, _tied(blocks, k), k)
    y = rows.y[order]
    sizes = np.sqrt(np.asarray((A[:, :p] ** 2).sum(axis=0))).ravel()
    shift = least_squares(laid, border, sizes, y)
    null_rows = np.zeros(m) if rows.null_rows is None else np.asarray(rows.null_rows, float)
    scale = 0.0 if rows.null_log_scale is None else float(np.sum(rows.null_log_scale))
    return SortedRows(
        rows=rows,
        y=y - A[:, :p] @ shift,
        diagonal=np.asarray(rows.diagonal, float)[order],
        known=np.zeros(R) if rows.known is None else np.asarray(rows.known, float)[order],
        groups=groups,
        local_parameters=np.arange(m + len(rows.levels) - 1, m + crosses - 1, -1),
        parts=laid,
        blocks=blocks,
        owner=owner,
        border=border,
        order=order,
        p=p,
        q=q,
        k=k,
        null_rows=null_rows,
        null_log_scale=scale,
        shift=shift,
    )


def _stacked(rows: Rows) -> sparse.csr_array:
    """X and all Z side by side."""
    columns = [sparse.csr_array(M) for M in (rows.X, *(block.Z for block in rows.penalised))]
    return sparse.csr_array(sparse.hstack(columns, format="csr"))


def _usable_parts(rows: Rows, R: int) -> tuple[Codes, Codes, bool]:
    """Codes of parts and of pieces (each within a part), and whether the coarsest level crosses.

    One part where none are given, or where more than the coarsest level crosses pieces.
    """
    whole = np.zeros(R, dtype=np.intp)
    if rows.parts is None:
        return whole, whole, False
    parts = np.asarray(rows.parts, dtype=np.intp)
    pieces = parts
    if rows.pieces is not None:
        pieces = np.unique(
            parts * (rows.pieces.max(initial=0) + 1) + rows.pieces, return_inverse=True
        )[1]
    inside = [is_nested(codes[codes >= 0], pieces[codes >= 0]) for codes in rows.levels]
    if not all(inside[1:]):
        return whole, whole, False
    return parts, pieces, bool(inside) and not inside[0]


def _crossing_codes(codes: Codes) -> Codes:
    """Codes from 0 up, -1 where there is no group."""
    names = np.unique(codes[codes >= 0])
    return np.where(codes >= 0, np.searchsorted(names, codes), -1)


def _contiguous(codes: Codes, pieces: Codes) -> Grouping:
    alone = codes < 0
    change = np.ones(len(codes), dtype=bool)
    change[1:] = (codes[1:] != codes[:-1]) | alone[1:] | (pieces[1:] != pieces[:-1])
    starts = np.flatnonzero(change)
    return Grouping(np.cumsum(change) - 1, ~alone[starts], starts)


def _slices(first: int, penalised: Sequence[Penalised]) -> tuple[slice, ...]:
    ends = np.cumsum([first, *(block.Z.shape[1] for block in penalised)])
    return tuple(slice(int(a), int(b)) for a, b in pairwise(ends))


def _blocks(
    rows: Rows, slices: Sequence[slice], crosses: bool, k: int
) -> tuple[tuple[Block, ...], Codes]:
    """All variances of penalised columns, and the `Penalised` (or crossing level, last) of each
    column."""
    m = rows.diagonal.shape[1]
    out = []
    owner = np.full(k, -1, dtype=np.intp)
    parameter = m + len(rows.levels)
    for number, (block, where) in enumerate(zip(rows.penalised, slices, strict=True)):
        owner[where] = number
        for pattern in block.patterns or (None,):
            out.append(Block(parameter, where, pattern))
            parameter += 1
    if crosses:
        first = slices[-1].stop if slices else rows.X.shape[1]
        owner[first:] = len(slices)
        out.append(Block(m, slice(first, k), None))
    return tuple(out), owner


def _tied(blocks: Sequence[Block], k: int) -> Flags:
    """Columns whose covariance is not a multiple of the identity: they stay together."""
    out = np.zeros(k, dtype=bool)
    for block in blocks:
        out[block.columns] |= block.pattern is not None
    return out


def _edges(codes: Codes) -> list[int]:
    return [0, *(np.flatnonzero(np.diff(codes)) + 1), len(codes)]


@dataclass(frozen=True)
class _Cut:
    """A piece before the part's columns are known."""

    rows: slice
    columns: Codes
    A: Array


def _lay_out(
    A: sparse.csr_array,
    edges: tuple[list[int], list[int]],
    crossing: Codes | None,
    groups: Sequence[Grouping],
    tied: Flags,
    k: int,
) -> tuple[tuple[Part, ...], Codes]:
    """The parts, and the columns of the border: those of several parts, of none, or tied."""
    part_edges, piece_edges = edges
    cuts = [_cut(A, a, b) for a, b in pairwise(piece_edges)]
    ends = np.searchsorted([cut.rows.start for cut in cuts], part_edges)
    by_part = [cuts[a:b] for a, b in pairwise(ends)]
    seen = [_seen(own, crossing, A.shape[1]) for own in by_part]
    times = np.bincount(np.concatenate(seen), minlength=k)
    shared = (times != 1) | tied | (len(seen) == 1)
    border = np.flatnonzero(shared)
    parts = []
    for own_cuts, columns in zip(by_part, seen, strict=True):
        own = columns[~shared[columns]]
        at = _in_border(np.searchsorted(border, columns[shared[columns]]), len(border))
        laid = np.concatenate([own, border[at]])
        place = np.full(k, -1, dtype=np.intp)
        place[laid] = np.arange(len(laid))
        pieces = (_piece(cut, place, crossing, groups, A.shape[1]) for cut in own_cuts)
        parts.append(Part(laid, len(own), at, tuple(pieces)))
    return tuple(parts), border


def _seen(cuts: Sequence[_Cut], crossing: Codes | None, first_group: int) -> Codes:
    """The columns that are not zero in a part."""
    found = [cut.columns for cut in cuts]
    if crossing is not None:
        codes = crossing[cuts[0].rows.start : cuts[-1].rows.stop]
        found.append(first_group + codes[codes >= 0])
    return np.unique(np.concatenate(found))


def _in_border(places: Codes, size: int) -> Index:
    return slice(0, size) if len(places) >= FULL_ENOUGH * size else places


def _cut(A: sparse.csr_array, first: int, last: int) -> _Cut:
    block = A[first:last]
    columns = np.unique(block.indices[block.data != 0])
    dense = np.ascontiguousarray(block[:, columns].toarray(), dtype=float)
    return _Cut(slice(first, last), columns.astype(np.intp), dense)


def _piece(
    cut: _Cut, place: Codes, crossing: Codes | None, groups: Sequence[Grouping], first_group: int
) -> Piece:
    first, last = cut.rows.start, cut.rows.stop
    local = []
    for group in groups:
        a, b = np.searchsorted(group.starts, [first, last])
        local.append((slice(int(a), int(b)), group.starts[a:b] - first))
    across = None
    if crossing is not None:
        across = _crossing(crossing[first:last], place, first_group)
    columns, A = _spanned(place[cut.columns], cut.A)
    return Piece(cut.rows, columns, A, tuple(local), across)


def _spanned(places: Codes, A: Array) -> tuple[Index, Array]:
    """The columns in the order of their places, and zeros between them where that makes a slice."""
    order = np.argsort(places)
    places, A = places[order], A[:, order]
    if not len(places):
        return slice(0, 0), A
    first, last = int(places[0]), int(places[-1]) + 1
    if len(places) < FULL_ENOUGH * (last - first):
        return places, A
    out = np.zeros((len(A), last - first))
    out[:, places - first] = A
    return slice(first, last), out


def _crossing(codes: Codes, place: Codes, first_group: int) -> Crossing | None:
    if (codes < 0).all():
        return None
    starts = np.flatnonzero(np.r_[True, np.diff(codes) != 0])
    active = codes[starts] >= 0
    inside = codes >= 0
    of_row = np.where(inside, place[first_group + codes], 0)
    return Crossing(
        starts, active, place[first_group + codes[starts[active]]], of_row, inside.astype(float)
    )
