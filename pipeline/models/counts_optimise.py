"""The outer search over SDs (and fixed columns, for the plain likelihood), and its curvature."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from pipeline.models.counts_family import Array
from pipeline.models.counts_laplace import Evaluation
from pipeline.models.counts_mode import Mode

_LARGEST_SD = 20.0
_SMALLEST_AVOIDED = 1e-3
_STEP = 1e-3


@dataclass(frozen=True)
class SdPrior:
    """Density of an SD proportional to sd^exponent exp(-sd^2 / (2 scale^2)): never zero (Chung
    et al. 2013, from memory), and without the endless tail that two drivers' SD has."""

    exponent: float
    scale: float

    def minus_log(self, sd: Array) -> tuple[float, Array]:
        """Minus log density over the SDs, less its constant, and its slope in each."""
        value = np.sum(sd**2) / (2 * self.scale**2) - self.exponent * np.sum(np.log(sd))
        return float(value), sd / self.scale**2 - self.exponent / sd


# The criterion at x, warm-started from a mode.
Criterion = Callable[[Array, Mode | None], Evaluation]


@dataclass(frozen=True)
class Optimum:
    """x (d,), the evaluation there, gradient (d,) and hessian (d, d) of the criterion with its
    prior, slopes (d, m, m) of the coefficients' covariance (the columns of R), and how many
    evaluations it took."""

    x: Array
    evaluation: Evaluation
    gradient: Array
    hessian: Array
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
    """The criterion with its prior on the SDs, counting its evaluations and keeping the last, of
    which the mode starts the next."""

    def __init__(self, evaluate: Criterion, free: int, prior: SdPrior | None) -> None:
        self.evaluate, self.free, self.sd_prior = evaluate, free, prior
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
        slope = np.zeros(len(x))
        if self.sd_prior is None:
            return 0.0, slope
        value, slope[self.free :] = self.sd_prior.minus_log(x[self.free :])
        return value, slope

    def value(self, x: Array) -> tuple[float, Array]:
        here, (more, slope) = self.at(x), self.prior(x)
        return here.value + more, here.gradient + slope


def minimise(evaluate: Criterion, start: Array, free: int, prior: SdPrior | None = None) -> Optimum:
    """The optimum over x (d,), whose entries from `free` on are SDs: not negative."""
    target = _Counted(evaluate, free, prior)
    x = _search(target, start) if len(start) else start
    here = target.at(x)
    gradient = here.gradient + target.prior(x)[1]
    hessian, slopes = _curvature(target, x, here)
    return Optimum(x, here, gradient, hessian, slopes, target.calls)


def _search(target: _Counted, start: Array) -> Array:
    """The criterion is even in each SD, so zero is an ordinary optimum; where a step was cut off
    at zero although the criterion falls away from it, the search goes on from inside."""
    floor = _SMALLEST_AVOIDED if target.sd_prior else 0.0
    sds = np.arange(len(start)) >= target.free
    bounds = [(floor, _LARGEST_SD) if is_sd else (None, None) for is_sd in sds]
    options = {"ftol": 1e-13, "gtol": 1e-6, "maxiter": 500, "maxcor": 20}
    x = start
    for _ in range(3):
        found = optimize.minimize(
            target.value, x, jac=True, method="L-BFGS-B", bounds=bounds, options=options
        )
        x = found.x
        lifted = np.where(sds & (x < 0.02), 0.05, x)
        if np.array_equal(lifted, x) or target.value(lifted)[0] > found.fun - 1e-9:
            return x
        x = lifted
    return x


def _curvature(target: _Counted, x: Array, here: Evaluation) -> tuple[Array, Array]:
    """Hessian (d, d) and slopes of the covariance (d, m, m), by central differences of the
    analytic gradient; below zero an SD is reflected."""
    d, m = len(x), here.mode.factor.C.shape[1]
    hessian, slopes = np.zeros((d, d)), np.zeros((d, m, m))
    for k in range(d):
        step = np.zeros(d)
        step[k] = min(_STEP, x[k] / 2) if target.sd_prior and k >= target.free else _STEP
        (up, cov_up), (down, cov_down) = (_reflected(target, x + s * step, k) for s in (1, -1))
        hessian[k] = (up - down) / (2 * step[k])
        slopes[k] = (cov_up - cov_down) / (2 * step[k])
    return (hessian + hessian.T) / 2, slopes


def _reflected(target: _Counted, x: Array, k: int) -> tuple[Array, Array]:
    below = k >= target.free and x[k] < 0
    here = target.at(np.abs(x) if below else x)
    gradient = here.gradient + (0.0 if below else target.prior(x)[1])
    if below:
        gradient[k] = -gradient[k]
    return gradient, here.mode.factor.inverse_rest()
