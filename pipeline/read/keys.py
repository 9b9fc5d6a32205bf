"""Whole numbers that stand for things: which are distinct, in which order, which rows to keep."""

from __future__ import annotations

import numpy as np


def distinct(keys: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The distinct whole numbers among the keys (n,), in order of first appearance, and the
    place of each key among them (n,)."""
    import pandas as pd

    opens = np.flatnonzero(np.diff(keys, prepend=keys[:1] - 1))
    if len(opens) > len(keys) / 4:
        codes, unique = pd.factorize(keys)
        return np.asarray(unique), codes
    # Rows that stand together are mostly of the same thing.
    codes, unique = pd.factorize(keys[opens])
    return np.asarray(unique), np.repeat(codes, np.diff(opens, append=len(keys)))


def order_of(keys: np.ndarray) -> np.ndarray:
    """The stable order of whole numbers from 0 (n,), as argsort gives it.

    Numbers of 16 bits numpy sorts by counting, which does not mind how mixed they are.
    """
    small = int(keys.max(initial=0)) <= np.iinfo(np.uint16).max
    return np.argsort(keys.astype(np.uint16) if small else keys, kind="stable")


def first_of(opens: np.ndarray) -> np.ndarray:
    """First row (n,) of each row's group; opens (n,) bool: it is the first of its own."""
    first = np.flatnonzero(opens)
    return np.repeat(first, np.diff(first, append=len(opens)))


def places_in(opens: np.ndarray) -> np.ndarray:
    """Place (n,), from 0, of each row in its group; opens (n,) bool: a group's first row."""
    return np.arange(len(opens)) - first_of(opens)


def alike(value: object, size: int) -> np.ndarray:
    """(size,) of one and the same value, which takes no room; not to be written to."""
    return np.broadcast_to(np.asarray(value), size)


def picked(values: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """The values (n,) at these indices (k,)."""
    if values.strides == (0,) and len(values):
        return np.broadcast_to(values[:1].reshape(()), len(rows))
    return values[rows]
