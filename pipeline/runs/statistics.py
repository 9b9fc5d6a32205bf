"""What the lap models need of the laps: sufficient statistics of each run, in one pass.

Laps enter the likelihood of a model with run effects only through, per run, their number and
means and, pooled per driver, the cross-products within runs. Both are exact: see `pool_laps`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import polygamma, psi

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

COME_IN_LAPS = 3.0  # tyres come in as exp(-(lap - 2) / 3); common practice, no source


def lap_basis(lap: Array) -> Array:
    """Within-run basis at lap numbers (n,): come-in and linear fade, (n, 2).

    The fade is in units of 10 laps about lap 10, so that pace is that of a settled lap.
    """
    return np.column_stack([np.exp(-(lap - 2.0) / COME_IN_LAPS), (lap - 10.0) / 10.0])


@dataclass(frozen=True)
class RunStatistics:
    """Clean laps of R runs, reduced; with weights, all sums are of weighted laps.

    n: (R,) clean laps. mean_y: (R,) s. mean_basis: (R, k). within: (C, k+1, k+1) cross-products
    of [basis, y] about the run's own means, pooled over the runs of each of C drivers.
    within_df: (C,) laps minus runs of each driver. driver: (R,) codes 0..C-1. slope, residual_ss,
    df: (R,) each run's own least-squares slope over the lap (s/lap), residual sum of squares
    about it (s^2) and residual degrees of freedom n - 2, after taking out the common come-in.
    slope_ss: (R,) sum of squares of the lap number about its mean.
    """

    n: Array
    mean_y: Array
    mean_basis: Array
    within: Array
    within_df: Array
    driver: Codes
    slope: Array
    residual_ss: Array
    df: Array
    slope_ss: Array
    mean_lap: Array


def reduce_laps(
    run: Codes, lap: Array, lap_s: Array, driver: Codes, weight: Array | None = None
) -> RunStatistics:
    """One pass over the clean laps.

    run: (L,) codes 0..R-1 of each lap; lap: (L,) lap number; lap_s: (L,) seconds; driver: (R,)
    codes 0..C-1 of each run; weight: (L,), a lap of weight w counts as w laps (see `robust`). A
    run without laps has n = 0 and means of zero.
    """
    R = len(driver)
    w = np.ones(len(lap_s)) if weight is None else weight
    basis = lap_basis(lap)
    columns = np.column_stack([basis, lap_s])
    n = np.asarray(np.bincount(run, w, R), float)
    means = _means(run, columns, w, n)
    within = columns - means[run]
    pooled = _pooled_products(within, w, driver[run], int(driver.max(initial=-1)) + 1)
    laps_of = np.bincount(driver[run], w, len(pooled))
    runs_of = np.bincount(driver[n > 0], minlength=len(pooled)).astype(float)
    come_in = _common_come_in(pooled.sum(axis=0))
    adjusted = within[:, -1] - come_in * within[:, 0]
    mean_lap = _means(run, lap[:, None], w, n)[:, 0]
    position = lap - mean_lap[run]
    slope_ss = np.bincount(run, w * position**2, R)
    cross = np.bincount(run, w * position * adjusted, R)
    slope = np.divide(cross, slope_ss, out=np.zeros(R), where=slope_ss > 0)
    residual = adjusted - slope[run] * position
    return RunStatistics(
        n=n,
        mean_y=means[:, -1],
        mean_basis=means[:, :-1],
        within=pooled,
        within_df=laps_of - runs_of,
        driver=driver,
        slope=slope,
        residual_ss=np.bincount(run, w * residual**2, R).astype(float),
        df=np.maximum(n - 2, 0),
        slope_ss=slope_ss.astype(float),
        mean_lap=mean_lap,
    )


def _means(run: Codes, columns: Array, weight: Array, n: Array) -> Array:
    sums = np.column_stack([np.bincount(run, weight * column, len(n)) for column in columns.T])
    return sums / np.where(n > 0, n, 1.0)[:, None]


def _pooled_products(within: Array, weight: Array, owner: Codes, C: int) -> Array:
    k = within.shape[1]
    out = np.empty((C, k, k))
    for i in range(k):
        for j in range(i, k):
            out[:, i, j] = out[:, j, i] = np.bincount(
                owner, weight * within[:, i] * within[:, j], C
            )
    return out


def _common_come_in(total: Array) -> float:
    """Coefficient of the come-in, all runs together."""
    solution = np.linalg.lstsq(total[:-1, :-1], total[:-1, -1], rcond=None)[0]
    return float(solution[0])


def driver_scales(statistics: RunStatistics) -> Array:
    """(C,): each driver's lap variance relative to the mean one, shrunk to it.

    Within-run variances about the common basis; their logs, of known sampling variance
    psi'(nu/2) (Bartlett and Kendall 1946), are shrunk by the normal-normal rule with a
    moment estimate of the variance between drivers.
    """
    total = statistics.within.sum(axis=0)
    gamma = np.append(-np.linalg.lstsq(total[:-1, :-1], total[:-1, -1], rcond=None)[0], 1.0)
    ss = np.einsum("i,cij,j->c", gamma, statistics.within, gamma)
    nu = statistics.within_df
    usable = (nu >= 2) & (ss > 0)
    scales = np.ones(len(nu))
    if usable.sum() < 2:
        return scales
    half = nu[usable] / 2
    log_variance = np.log(ss[usable] / nu[usable]) - psi(half) + np.log(half)
    sampling = polygamma(1, half)
    between = max(float(np.var(log_variance, ddof=1) - sampling.mean()), 0.0)
    weight = 1 / (between + sampling)
    centre = float(weight @ log_variance / weight.sum())
    shrunk = centre + between / (between + sampling) * (log_variance - centre)
    scales[usable] = np.exp(shrunk - centre)
    return scales


@dataclass(frozen=True)
class PooledLaps:
    """Rows that carry all that the laps say.

    First R' run rows (runs with laps, in their order; `run` gives which), then a few rows per
    driver that carry the cross-products within runs. y: (n,). basis: (n, k). unit: (n,)
    coefficient of the lap variance (scale / laps, or scale). is_run: (n,). run: (n,), -1 for
    the others. null_rows, null_log_scale: what is left: rows of zeros, see `models.rows.Rows`.
    """

    y: Array
    basis: Array
    unit: Array
    is_run: NDArray[np.bool_]
    run: Codes
    null_rows: float
    null_log_scale: float


def pool_laps(statistics: RunStatistics, scales: Array) -> PooledLaps:
    """Exact reduction of the laps to few rows.

    For each driver the matrix [basis, y] about the runs' means, of any number of laps, is
    replaced by the k + 1 rows of a square root of its cross-products: an orthogonal rotation of
    the laps, whose remaining rows are zero.
    """
    kept = np.flatnonzero(statistics.n > 0)
    unit = scales[statistics.driver[kept]] / statistics.n[kept]
    ys, bases, units = [statistics.mean_y[kept]], [statistics.mean_basis[kept]], [unit]
    null_rows = null_log_scale = 0.0
    for scale, df, products in zip(scales, statistics.within_df, statistics.within, strict=True):
        root = _square_root(products, int(df))
        ys.append(root[:, -1])
        bases.append(root[:, :-1])
        units.append(np.full(len(root), scale))
        null_rows += df - len(root)
        null_log_scale += (df - len(root)) * float(np.log(scale))
    extra = sum(len(part) for part in ys[1:])
    return PooledLaps(
        y=np.concatenate(ys),
        basis=np.vstack(bases),
        unit=np.concatenate(units),
        is_run=np.r_[np.ones(len(kept), bool), np.zeros(extra, bool)],
        run=np.r_[kept, np.full(extra, -1)],
        null_rows=null_rows,
        null_log_scale=null_log_scale,
    )


def _square_root(products: Array, df: int) -> Array:
    """(r, k+1) with root' root = products, r at most k + 1 and df."""
    values, vectors = np.linalg.eigh(products)
    keep = min(df, len(values))
    chosen = slice(len(values) - keep, None)
    return np.sqrt(np.maximum(values[chosen], 0))[:, None] * vectors[:, chosen].T


def log_spread(statistics: RunStatistics) -> tuple[Array, Array]:
    """Each run's log SD, unbiased, and its sampling variance, (R,) both.

    1/2 (log s^2 - psi(nu/2) + log(nu/2)) with variance psi'(nu/2) / 4 (Bartlett and Kendall
    1946). NaN where a run has fewer than 2 residual degrees of freedom.
    """
    nu = statistics.df
    usable = (nu >= 2) & (statistics.residual_ss > 0)
    half = np.where(usable, nu, 2.0) / 2
    variance = np.where(usable, statistics.residual_ss, 1.0) / np.where(usable, nu, 1.0)
    value = (np.log(variance) - psi(half) + np.log(half)) / 2
    nothing = np.full(len(nu), np.nan)
    return np.where(usable, value, nothing), np.where(usable, polygamma(1, half) / 4, nothing)
