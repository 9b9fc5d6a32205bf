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
_NINE, _ZERO = np.uint8(57), np.uint8(48)
_MULTIPLIERS = np.random.default_rng(20).integers(1, 2**62, WIDEST, dtype=np.uint64) * 2 + 1


@dataclass(frozen=True)
class Shape:
    """Rows of one shape: text (digits as 9), rows (k,) indices, cells (k, len(text)) bytes."""

    text: str
    rows: np.ndarray
    cells: np.ndarray

    def whole(self, positions: list[int]) -> np.ndarray:
        """The digits at these positions read as one whole number; (k,) int64."""
        value = np.zeros(len(self.rows), dtype=np.int64)
        for position in positions:
            value *= 10
            value += self.cells[:, position] - _ZERO
        return value


def shapes(column: pa.Array) -> Iterator[Shape]:
    """The distinct shapes of a text column (n,); empty and over-long cells belong to none."""
    lengths = np.asarray(pc.binary_length(column).fill_null(0))
    counts = np.bincount(np.minimum(lengths, WIDEST + 1), minlength=2)
    for length in np.flatnonzero(counts):
        if 0 < length <= WIDEST:
            yield from _of_length(column, lengths, int(length))


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
    data = _bytes(column)
    return bool(len(data)) and bool((data.view(np.uint8) > 127).any())


def _bytes(column: pa.Array) -> np.ndarray:
    """The text of all rows, one after the other, as bytes."""
    offsets = np.frombuffer(column.buffers()[1], dtype=np.int32)
    first, last = offsets[column.offset], offsets[column.offset + len(column)]
    data = column.buffers()[2]
    return np.frombuffer(data or b"", dtype=np.uint8)[first:last]


def _of_length(column: pa.Array, lengths: np.ndarray, length: int) -> Iterator[Shape]:
    rows = np.flatnonzero(lengths == length)
    same = column if len(rows) == len(column) else column.take(pa.array(rows))
    cells = _bytes(same).reshape(len(rows), length)
    classes = np.where((cells >= _ZERO) & (cells <= _NINE), _NINE, cells)
    keys = np.zeros(len(rows), dtype=np.uint64)
    for position in range(length):
        keys += classes[:, position] * _MULTIPLIERS[position]
    if (keys == keys[0]).all():
        yield Shape(_text(classes[0]), rows, cells)
        return
    codes, first = _distinct(keys)
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(len(first) + 1))
    for code, at in enumerate(first):
        chosen = order[bounds[code] : bounds[code + 1]]
        yield Shape(_text(classes[at]), rows[chosen], cells[chosen])


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
    data = column.buffers()[2] if len(column) else None
    if data is None or bytes(data).isascii():
        return column
    for sign, common in signs:
        column = pc.replace_substring(column, sign, common)
    return column
