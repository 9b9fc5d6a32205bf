"""What the laps show under the order that was drawn, against all that could have been drawn.

The laps stand as they were timed. If a factor does nothing, another order of the lot would have
been driven in the same times; so the share of orders that show as much as the real one is a p
value, exact whatever the laps are like (Fisher 1935, The Design of Experiments). Where the lot is
drawn from, the real order counts as one of those drawn (Phipson and Smyth 2010). With several
factors the others are taken out first, as Freedman and Lane (1983, J. Bus. Econ. Stat. 1, 292-298)
do, which is exact where they do nothing and nearly so else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.plan.trend import Array

DRAWS = 999  # with the real order a thousand: a p of 5 % is known to 0.7 points
LEAST_ORDERS = 20  # of fewer none could give a p of 5 %
SAME_SPAN = 1e-8


@dataclass(frozen=True)
class Drawing:
    """Orders as columns of the model, driver by driver.

    real: (n, q) of the order that was run. others: (s, n, q) of orders drawn alike. every: whether
    `others` are all there are, the real one among them; else they were drawn anew.
    """

    real: Array
    others: Array
    every: bool


@dataclass(frozen=True)
class Exact:
    """p_value: NaN where fewer than 20 of the orders differ in it. orders: how many were compared;
    as_much: how many of them showed as much."""

    p_value: float
    as_much: int
    orders: int
    every: bool


def exact_values(
    y: Array, nuisance: Array, drawing: Drawing, factor: NDArray[np.int64], contrasts: Array
) -> list[Exact]:
    """Each contrast by its |t|, beside the nuisance and the other factors.

    y: (n,) a run's value each. nuisance: (n, p) columns that every order has beside it: drivers,
    grip. factor: (q,) codes of the columns' factors. contrasts: (k, q).
    """
    basis = _span(nuisance)
    real = drawing.real - basis @ (basis.T @ drawing.real)
    others = drawing.others - basis @ (basis.T @ drawing.others)
    y = y - basis @ (basis.T @ y)
    left = len(y) - basis.shape[1]
    out = []
    for contrast in contrasts:
        own = factor == factor[np.flatnonzero(contrast)[0]]
        beside = real[:, ~own]
        rest = y - beside @ np.linalg.lstsq(beside, y, rcond=SAME_SPAN)[0]
        sizes = _sizes(rest, np.concatenate([real[None], others]), contrast, left)
        shown = drawing.others[:, :, own]
        told = len(np.unique(shown.reshape(len(shown), -1), axis=0)) >= LEAST_ORDERS
        out.append(_counted(sizes[0], sizes[1:], drawing.every, told))
    return out


def _span(columns: Array) -> Array:
    """(n, r) an orthonormal basis."""
    size = np.sqrt((columns**2).sum(axis=0))
    left, values, _ = np.linalg.svd(columns / np.where(size > 0, size, 1), full_matrices=False)
    return np.asarray(left[:, values > SAME_SPAN])


def _sizes(y: Array, columns: Array, contrast: Array, left: int) -> Array:
    """(s,) |t| of the contrast in each of s orders, NaN where an order cannot tell it."""
    transposed = columns.swapaxes(1, 2)
    inverse = np.linalg.pinv(transposed @ columns, rcond=SAME_SPAN, hermitian=True)
    beta = (inverse @ (transposed @ y)[:, :, None])[:, :, 0]
    residual = y - (columns @ beta[:, :, None])[:, :, 0]
    spread = np.einsum("sn,sn->s", residual, residual) / max(left - len(contrast), 1)
    told = np.abs((transposed @ columns) @ (inverse @ contrast)[:, :, None] - contrast[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        sizes = np.abs(beta @ contrast) / np.sqrt(spread * ((inverse @ contrast) @ contrast))
    return np.where(told.max(axis=(1, 2)) < 1e-6, sizes, np.nan)


def _counted(real: float, sizes: Array, every: bool, told: bool) -> Exact:
    # What cannot show the contrast at all shows nothing: it is an order like the others.
    others = np.nan_to_num(sizes, nan=0.0)
    if not np.isfinite(real):
        return Exact(float("nan"), 0, 0, every)
    # Rounding must not make an order that is the real one again count as less.
    as_much = int((others >= real * (1 - 1e-9)).sum())
    p_value = (as_much + (not every)) / (len(others) + (not every))
    return Exact(p_value if told else float("nan"), as_much, len(others), every)
