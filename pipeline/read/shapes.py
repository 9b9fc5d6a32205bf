"""Columns of text by their shape: digits become 9, and each shape is understood only once.

A file of a million lap times has a handful of shapes (`99.999`, `9:99.999`). A shape is read by
a plain regular expression; its rows are then turned into numbers together.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

WIDEST = 40
# Rows looked at together: their cells stay in the processor's cache.
BLOCK = 16_384
_NINE, _ZERO = np.uint8(57), np.uint8(48)
_MULTIPLIERS = np.random.default_rng(20).integers(1, 2**62, WIDEST, dtype=np.uint64) * 2 + 1


@dataclass(frozen=True)
class Shape:
    """Rows of one shape: text (digits as 9), rows (k,) indices or a slice, cells (k, len(text))
    bytes."""

    text: str
    rows: np.ndarray | slice
    cells: np.ndarray

    def __len__(self) -> int:
        return len(self.cells)

    def whole(self, positions: list[int]) -> np.ndarray:
        """The digits at these positions read as one whole number; (k,) int64."""
        value = np.zeros(len(self), dtype=np.int64)
        for position in positions:
            value *= 10
            value += self.cells[:, position] - _ZERO
        return value


def shapes(column: pa.Array) -> Iterator[Shape]:
    """The shapes of a text column (n,), block by block, so that one may come more than once;
    empty and over-long cells belong to none."""
    for first in range(0, len(column), BLOCK):
        yield from _of_block(column.slice(first, BLOCK), first)


def _of_block(block: pa.Array, first: int) -> Iterator[Shape]:
    lengths = np.asarray(pc.binary_length(block).fill_null(0))
    for length in np.flatnonzero(np.bincount(np.minimum(lengths, WIDEST + 1))):
        if not 0 < length <= WIDEST:
            continue
        places = np.flatnonzero(lengths == length)
        rows: np.ndarray | slice = places + first
        if len(places) == len(block):
            same, rows = block, slice(first, first + len(block))
        else:
            same = block.take(pa.array(places))
        yield from _of_length(text_bytes(same).reshape(-1, length), rows)


def _are_alike(cells: np.ndarray) -> bool:
    """All rows have the shape of the first: a digit where it has one, else the same sign."""
    digit = _classes(cells[0]) == _NINE
    low = np.tile(np.where(digit, _ZERO, cells[0]), len(cells))
    span = np.tile(np.where(digit, np.uint8(9), np.uint8(0)), len(cells))
    return bool((cells.reshape(-1) - low <= span).all())


def _classes(cells: np.ndarray) -> np.ndarray:
    return np.where((cells >= _ZERO) & (cells <= _NINE), _NINE, cells)


def plain(column: pa.Array | pa.ChunkedArray) -> pa.Array:
    """The column as one plain string array; full-width signs become ordinary ones."""
    if isinstance(column, pa.ChunkedArray):
        column = column.combine_chunks()
    if column.type != pa.string():
        column = column.cast(pa.string())
    if _has_high_bytes(column):
        column = pc.utf8_normalize(column, form="NFKC")
    return column


def _has_high_bytes(column: pa.Array) -> bool:
    data = text_bytes(column)
    return bool(len(data)) and int(data.max()) > 127


def text_bytes(column: pa.Array) -> np.ndarray:
    """The text of all rows, one after the other, as bytes."""
    offsets = np.frombuffer(column.buffers()[1], dtype=np.int32)
    first, last = offsets[column.offset], offsets[column.offset + len(column)]
    data = column.buffers()[2]
    return np.frombuffer(data or b"", dtype=np.uint8)[first:last]


def _of_length(cells: np.ndarray, rows: np.ndarray | slice) -> Iterator[Shape]:
    """Shapes among cells (k, length); rows: their places (k,) in the column."""
    if _are_alike(cells):
        yield Shape(_text(_classes(cells[0])), rows, cells)
        return
    places = np.arange(rows.start, rows.stop) if isinstance(rows, slice) else rows
    classes = _classes(cells)
    keys = np.zeros(len(cells), dtype=np.uint64)
    for position in range(cells.shape[1]):
        keys += classes[:, position] * _MULTIPLIERS[position]
    codes, first = _distinct(keys)
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(len(first) + 1))
    for code, at in enumerate(first):
        chosen = order[bounds[code] : bounds[code + 1]]
        yield Shape(_text(classes[at]), places[chosen], cells[chosen])


def _distinct(keys: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Codes (k,) of the keys, and the first row of each code."""
    import pandas as pd

    codes, uniques = pd.factorize(keys)
    first = np.full(len(uniques), len(keys), dtype=np.int64)
    np.minimum.at(first, codes, np.arange(len(keys)))
    return codes, first


def _text(cells: np.ndarray) -> str:
    return cells.tobytes().decode("latin-1")


def common_signs(column: pa.Array, signs: Sequence[tuple[str, str]]) -> pa.Array:
    """The column with each foreign sign replaced by the common one; plain ASCII is left alone."""
    if not len(column) or not _has_high_bytes(column):
        return column
    for sign, common in signs:
        column = pc.replace_substring(column, sign, common)
    return column
