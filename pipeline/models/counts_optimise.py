"""The outer search over SDs (and fixed columns, for the plain likelihood), and its curvature."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from pipeline.models.counts_family import Array
from pipeline.models.counts_laplace import Evaluation
from pipeline.models.counts_mode import Mode

_LARGEST_SD = 20.0
_SMALLEST_AVOIDED = 1e-3
_STEP = 1e-3
# A usual standard error of an SD or a coefficient: the unit of the search where none is known.
_UNIT = 0.1


@dataclass(frozen=True)
class SdPrior:
    """Density of an SD proportional to sd^exponent exp(-sd^2 / (2 scale^2)): never zero (Chung
    et al. 2013, from memory), and without the endless tail that two drivers' SD has."""

    exponent: float
    scale: float

    def minus_log(self, sd: float) -> tuple[float, float]:
        """Minus log density, less its constant, and its slope."""
        value = sd**2 / (2 * self.scale**2) - self.exponent * np.log(sd)
        return value, sd / self.scale**2 - self.exponent / sd


@dataclass(frozen=True)
class LogNormalSd:
    """Log-normal prior of an SD. It is a penalty on the log scale, so that the mode is that of
    log SD."""

    median: float
    log_sd: float

    def minus_log(self, sd: float) -> tuple[float, float]:
        """Minus log density of log SD, less its constant, and its slope in the SD."""
        z = np.log(sd / self.median) / self.log_sd
        return z**2 / 2, z / (self.log_sd * sd)


Prior = SdPrior | LogNormalSd
# The criterion at x, warm-started from a mode.
Criterion = Callable[[Array, Mode | None], Evaluation]


@dataclass(frozen=True)
class Optimum:
    """x (d,), the evaluation there, gradient (d,) and hessian (d, d) of the criterion with its
    priors, how many evaluations it took; of the first c columns of R, the coefficients' slopes in
    x (c, d) and those of their covariance at given x (d, c, c)."""

    x: Array
    evaluation: Evaluation
    gradient: Array
    hessian: Array
    slopes: Array
    cov_slopes: Array
    evaluations: int

    @property
    def settled(self) -> bool:
        """No more than 1e-4 of log-likelihood left by a Newton step, and curved upwards."""
        if not len(self.x):
            return self.evaluation.mode.converged
        step = np.linalg.lstsq(self.hessian, self.gradient)[0]
        curved = np.linalg.eigvalsh(self.hessian)[0] > -1e-4
        return bool(self.evaluation.mode.converged and self.gradient @ step < 1e-4 and curved)


class _Counted:
    """The criterion with the priors of the SDs, one or None for each entry of x; counts its
    evaluations and keeps the last, of which the mode starts the next."""

    def __init__(self, evaluate: Criterion, priors: Sequence[Prior | None]) -> None:
        self.evaluate, self.priors = evaluate, priors
        self.calls = 0
        self.last: tuple[Array, Evaluation] | None = None

    def at(self, x: Array) -> Evaluation:
        if self.last is not None and np.array_equal(self.last[0], x):
            return self.last[1]
        self.calls += 1
        here = self.evaluate(x, None if self.last is None else self.last[1].mode)
        self.last = x.copy(), here
        return here

    def prior(self, x: Array) -> tuple[float, Array]:
        """Minus log density over all of x, and its slopes (d,)."""
        parts = [
            (0.0, 0.0) if prior is None else prior.minus_log(float(sd))
            for prior, sd in zip(self.priors, x, strict=True)
        ]
        return sum(value for value, _ in parts), np.array([slope for _, slope in parts])

    def value(self, x: Array) -> tuple[float, Array]:
        here, (more, slope) = self.at(x), self.prior(x)
        return here.value + more, here.gradient + slope


def minimise(
    evaluate: Criterion,
    start: Array,
    free: int,
    priors: Sequence[Prior | None] | None = None,
    kept: int = 0,
    unit: Array | None = None,
) -> Optimum:
    """The optimum over x (d,), whose entries from `free` on are SDs: not negative.

    priors: (d,), None for none at all. kept: how many columns of R the slopes are asked of.
    unit: (d,), about how exactly x is known, in which the search takes its steps.
    """
    target = _Counted(evaluate, [None] * len(start) if priors is None else priors)
    unit = np.full(len(start), _UNIT) if unit is None else unit
    x = _search(target, start, free, unit) if len(start) else start
    here = target.at(x)
    gradient = here.gradient + target.prior(x)[1]
    hessian, slopes, cov_slopes = _curvature(target, x, free, kept)
    return Optimum(x, here, gradient, hessian, slopes, cov_slopes, target.calls)


def _search(target: _Counted, start: Array, free: int, unit: Array) -> Array:
    """The criterion is even in each SD, so zero is an ordinary optimum; where a step was cut off
    at zero although the criterion falls away from it, the search goes on from inside."""
    sds = np.arange(len(start)) >= free
    floors = [_SMALLEST_AVOIDED if prior else 0.0 for prior in target.priors]
    low, high = np.where(sds, floors, -np.inf), np.where(sds, _LARGEST_SD, np.inf)
    bounds = np.column_stack([low / unit, high / unit])
    options = {"ftol": 1e-13, "gtol": 1e-7, "maxiter": 500, "maxcor": 20}

    def scaled(z: Array) -> tuple[float, Array]:
        value, slope = target.value(np.clip(z * unit, low, high))
        return value, slope * unit

    x = start
    for _ in range(3):
        found = optimize.minimize(
            scaled, x / unit, jac=True, method="L-BFGS-B", bounds=bounds, options=options
        )
        x = np.clip(found.x * unit, low, high)
        lifted = np.where(sds & (x < 0.02), 0.05, x)
        if np.array_equal(lifted, x) or target.value(lifted)[0] > found.fun - 1e-9:
            return x
        x = lifted
    return x


def _curvature(target: _Counted, x: Array, free: int, kept: int) -> tuple[Array, Array, Array]:
    """Hessian (d, d), slopes of the coefficients (c, d) and of their covariance (d, c, c), by
    central differences of the analytic gradient and of the mode; below zero an SD is reflected."""
    d = len(x)
    hessian, slopes, cov_slopes = np.zeros((d, d)), np.zeros((kept, d)), np.zeros((d, kept, kept))
    for k in range(d):
        step = np.zeros(d)
        step[k] = _STEP if target.priors[k] is None else min(_STEP, x[k] / 2)
        up, down = (_reflected(target, x + s * step, k, k >= free, kept) for s in (1, -1))
        hessian[k], slopes[:, k], cov_slopes[k] = (
            (a - b) / (2 * step[k]) for a, b in zip(up, down, strict=True)
        )
    return (hessian + hessian.T) / 2, slopes, cov_slopes


def _reflected(
    target: _Counted, x: Array, k: int, is_sd: bool, kept: int
) -> tuple[Array, Array, Array]:
    """Gradient (d,), coefficients (c,) and their covariance (c, c) at x, of which entry k may be
    an SD below zero: everything is even in an SD but the slope in it."""
    below = is_sd and x[k] < 0
    there = x.copy()
    there[k] = abs(x[k]) if below else x[k]
    here = target.at(there)
    gradient = here.gradient + target.prior(there)[1]
    if below:
        gradient[k] = -gradient[k]
    return gradient, here.coefficients(kept), here.covariance(kept)
