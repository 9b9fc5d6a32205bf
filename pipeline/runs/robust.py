"""How surely each clean lap is one: slow laps that no bound tells from ordinary ones count less.

A lap that loses half a second to a small mistake passes every bound that spares honest laps. So
the clean laps of a run are taken as a mixture: ordinary ones, normal about the run's mean and a
trend that all runs share, and slower ones by an exponential loss (the normal plus an exponential:
Hohle 1965, from memory). Each lap's chance to be ordinary becomes its weight, by expectation and
maximisation (Dempster, Laird and Rubin 1977). Where no lap lost anything the share of slow ones
comes out near zero, and the weights near one. With the weights held, run means and products within
runs are sufficient as before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from pipeline.runs.statistics import lap_basis

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

STEPS = 25  # after which no weight of a day moves by a hundredth
# Losses are 3 spreads or more on average: of smaller ones the tail of the ordinary laps itself is a
# mixture, and half of a driver's honest slow laps would count as slow.
LEAST_LOSS = 3.0
# A run's own share of slow laps is shrunk to all runs' by as many laps.
SHRINKING_LAPS = 20.0
FIRST_SHARE = 0.05
SPREADS_TOO_SLOW = 0.67449  # the quartile of a normal, in SDs


@dataclass(frozen=True)
class _Guess:
    """share: (R,) of slow laps. sd: (R,) of ordinary ones, s. loss: mean of slow ones, s."""

    share: Array
    sd: Array
    loss: float


def clean_weights(run: Codes, lap: Array, lap_s: Array, driver: Codes) -> Array:
    """Chance of each clean lap to be ordinary, (L,).

    run: (L,) codes 0..R-1; lap: (L,) numbers; lap_s: (L,) s; driver: (R,) codes.
    """
    R = len(driver)
    X = np.column_stack([np.ones(len(lap)), lap_basis(lap)])
    weight = np.ones(len(lap))
    residual = lap_s - _fitted(run, X, lap_s, weight, R)
    # The first centre is each run's median: slow laps must not widen the spread they are told by.
    order = np.lexsort((residual, run))
    n = np.bincount(run, minlength=R)
    middle = order[(np.cumsum(n) - n + n // 2)[n > 0]]
    centre = np.zeros(R)
    centre[n > 0] = residual[middle]
    residual = residual - centre[run]
    absolute = float(np.median(np.abs(residual))) / SPREADS_TOO_SLOW
    if absolute == 0:  # half the laps or more are the same to the digit: no spread to tell by
        return weight
    guess = _Guess(np.full(R, FIRST_SHARE), np.full(R, absolute), 2 * LEAST_LOSS * absolute)
    for _ in range(STEPS):
        weight = _chance(residual, guess.share[run], guess.sd[run], guess.loss)
        residual = lap_s - _fitted(run, X, lap_s, weight, R)
        guess = _better(residual, weight, run, driver, R)
    return weight


def _fitted(run: Codes, X: Array, y: Array, weight: Array, R: int) -> Array:
    """Weighted least squares on the run's own mean and a basis common to all, (L,)."""
    total = np.maximum(np.bincount(run, weight, R), 1e-12)
    means = np.column_stack(
        [np.bincount(run, weight * column, R) / total for column in (*X.T[1:], y)]
    )
    within = np.column_stack([X[:, 1:], y]) - means[run]
    root = np.sqrt(weight)[:, None] * within
    slope = np.linalg.lstsq(root[:, :-1], root[:, -1], rcond=None)[0]
    return means[run, -1] + within[:, :-1] @ slope


def _chance(residual: Array, share: Array, sd: Array, loss: float) -> Array:
    """Of each lap to be ordinary, by Bayes' rule."""
    z, k = residual / sd, sd / loss
    log_slow = k * k / 2 - z * k + log_ndtr(z - k) + np.log(k * np.sqrt(2 * np.pi))
    odds = np.log(share) - np.log1p(-share) + log_slow + z * z / 2
    return np.asarray(1 / (1 + np.exp(np.minimum(odds, 700.0))))


def _better(residual: Array, weight: Array, run: Codes, driver: Codes, R: int) -> _Guess:
    slow = 1 - weight
    n, slow_n = np.bincount(run, minlength=R), np.bincount(run, slow, R)
    common = max(float(slow_n.sum() / n.sum()), 1e-6)
    share = (slow_n + SHRINKING_LAPS * common) / (n + SHRINKING_LAPS)
    sd = _spreads(residual, weight, run, driver, R)
    usual = float(np.sqrt(np.mean(sd[n > 0] ** 2)))
    loss = float(slow @ residual / max(slow.sum(), 1e-12))
    return _Guess(np.clip(share, 1e-6, 0.5), sd, max(loss, LEAST_LOSS * usual))


def _spreads(residual: Array, weight: Array, run: Codes, driver: Codes, R: int) -> Array:
    """SD of each run's ordinary laps, shrunk to its driver's by as many laps as a run has, (R,)."""
    square, total = np.bincount(run, weight * residual**2, R), np.bincount(run, weight, R)
    C = int(driver.max(initial=-1)) + 1
    runs = np.bincount(driver[total > 0], minlength=C)
    of_driver = np.bincount(driver, square, C) / np.maximum(
        np.bincount(driver, total, C) - runs, 1.0
    )
    more = SHRINKING_LAPS
    own = (square + more * of_driver[driver]) / (np.maximum(total - 1, 0) + more)
    least = 1e-3 * float(np.sqrt(square.sum() / max(total.sum(), 1.0))) + 1e-9
    return np.asarray(np.maximum(np.sqrt(own), least))
