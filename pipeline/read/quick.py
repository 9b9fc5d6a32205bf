"""Columns written in one plain form throughout, by Arrow's own parsers.

They read what most exports hold in a tenth of the time of `shapes`, which reads everything else
and, in the tests, the same. Each function gives None where a single row is written otherwise.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.read.shapes import text_bytes

# So many digits are a whole number of the last one's unit, divided once: the float nearest to it.
_LONGEST_DECIMAL = 8
_SHORTEST_INSTANT = len("2026-03-28 10:32:05")
_FIRST, _LAST = (int(np.datetime64(year, "us").astype(np.int64)) for year in ("1970", "2200"))


def decimals(column: pa.Array) -> np.ndarray | None:
    """Numbers (n,) of a text column such as 16.234, 16 and 9.1."""
    if not len(column) or column.null_count:
        return None
    signs = text_bytes(column) - np.uint8(ord("."))
    if (signs > ord("9") - ord(".")).any() or _lengths(column)["max"] > _LONGEST_DECIMAL:
        return None
    try:
        return column.cast(pa.float64()).to_numpy()
    except pa.ArrowInvalid:
        return None


def instants(column: pa.Array) -> np.ndarray | None:
    """Microseconds since 1970 (n,) of a text column such as 2026-03-28 10:32:05.123."""
    if not len(column) or column.null_count or _lengths(column)["min"] < _SHORTEST_INSTANT:
        return None
    try:
        micros = column.cast(pa.timestamp("us")).view(pa.int64()).to_numpy()
    except pa.ArrowInvalid:
        return None
    return micros if micros.min() >= _FIRST and micros.max() < _LAST else None


def _lengths(column: pa.Array) -> dict[str, int]:
    """'min' and 'max' of the cells' bytes."""
    return dict(pc.min_max(pc.binary_length(column)).as_py())
