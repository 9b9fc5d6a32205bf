"""Count families: log-likelihood, its derivatives in the linear predictor and in the dispersion.

Poisson is the negative binomial with variance mu + alpha mu^2 (NB2) at alpha = 0, written so
that nothing cancels as alpha goes to 0. The binomial has a logit link, the other two a log link.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]

FAMILIES = ("poisson", "nb2", "binomial")
# exp(30) incidents a run: beyond any count, and far from overflow in a long Newton step.
_LARGEST_ETA = 30.0


@dataclass(frozen=True)
class Pointwise:
    """At one linear predictor: total log-likelihood, and per row (n,) the score d/d eta,
    the observed weight -d2/d eta2, and the slope of the weight in eta."""

    loglik: float
    score: Array
    weight: Array
    weight_slope: Array


@dataclass(frozen=True)
class DispersionSlopes:
    """Derivatives in alpha: of the total log-likelihood, and per row of score and weight (n,)."""

    loglik: float
    score: Array
    weight: Array


def evaluate_log_link(y: Array, eta: Array, alpha: float) -> Pointwise:
    """Poisson (alpha = 0) or NB2 with variance mu + alpha mu^2; y are whole numbers, (n,)."""
    eta = np.clip(eta, -_LARGEST_ETA, _LARGEST_ETA)
    mu = np.exp(eta)
    grown = 1.0 + alpha * mu
    log_rising = _per_count(y, np.log1p(alpha * _steps(y)))
    loglik = log_rising + y * eta - y * np.log(grown) - _damped_mean(mu, alpha)
    weight = mu * (1.0 + alpha * y) / grown**2
    return Pointwise(
        float(np.sum(loglik - special.gammaln(y + 1.0))),
        (y - mu) / grown,
        weight,
        weight * (1.0 - alpha * mu) / grown,
    )


def dispersion_slopes(y: Array, eta: Array, alpha: float) -> DispersionSlopes:
    """The derivatives of evaluate_log_link in alpha."""
    mu = np.exp(np.clip(eta, -_LARGEST_ETA, _LARGEST_ETA))
    grown = 1.0 + alpha * mu
    steps = _steps(y)
    rising = _per_count(y, steps / (1.0 + alpha * steps))
    loglik = rising - y * mu / grown - _damped_mean_slope(mu, alpha)
    return DispersionSlopes(
        float(np.sum(loglik)),
        -(y - mu) * mu / grown**2,
        mu * (y * grown - 2.0 * mu * (1.0 + alpha * y)) / grown**3,
    )


def evaluate_binomial(y: Array, eta: Array, trials: Array) -> Pointwise:
    """y successes of `trials`, logit link; all (n,)."""
    share = special.expit(eta)
    weight = trials * share * (1.0 - share)
    log_choose = (
        special.gammaln(trials + 1.0) - special.gammaln(y + 1.0) - special.gammaln(trials - y + 1.0)
    )
    loglik = y * eta - trials * np.logaddexp(0.0, eta) + log_choose
    return Pointwise(float(np.sum(loglik)), y - trials * share, weight, weight * (1 - 2 * share))


def _steps(y: Array) -> Array:
    return np.arange(int(y.max(initial=0)), dtype=float)


def _per_count(y: Array, terms: Array) -> Array:
    """Sum of the first y terms, for each row's y."""
    return np.concatenate([[0.0], np.cumsum(terms)])[y.astype(int)]


def _damped_mean(mu: Array, alpha: float) -> Array:
    """log(1 + alpha mu) / alpha, which is mu at alpha = 0."""
    if alpha * mu.max() < 1e-9:
        return mu
    return np.log1p(alpha * mu) / alpha


def _damped_mean_slope(mu: Array, alpha: float) -> Array:
    """The derivative of _damped_mean in alpha; a series where the closed form cancels."""
    x = alpha * mu
    series = mu**2 * (-1 / 2 + 2 / 3 * x - 3 / 4 * x**2 + 4 / 5 * x**3)
    if alpha < 1e-12:
        return series
    closed = (x / (1.0 + x) - np.log1p(x)) / alpha**2
    return np.where(x < 1e-3, series, closed)
