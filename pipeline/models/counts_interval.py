"""Estimates and t intervals of log ratios from a fit of counts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize
from scipy.special import stdtr, stdtrit

from pipeline.models.counts import CountFit
from pipeline.models.counts_family import Array
from pipeline.models.counts_mode import find_mode

_SMALLEST_DF = 1.0
_LARGEST_DF = 1e6
# exp(60) times the rate: a limit that far out is none.
_FARTHEST = 60.0


@dataclass(frozen=True)
class CountInterval:
    """A contrast on the log scale: estimate, std_error, df of the t, low and high, two-sided p."""

    estimate: float
    std_error: float
    df: float
    low: float
    high: float
    p_value: float


def satterthwaite_df(fit: CountFit, L: Array) -> float:
    """2 g^2 / Var(g) for g = L' cov L at given SDs, from their uncertainty (Satterthwaite 1946).
    L (c,), or (p,) of the fixed columns alone."""
    L = _over_all(fit, L)
    g = float(L @ fit.cov_given @ L)
    slope = fit.cov_slopes @ L @ L
    variance = float(slope @ fit.psi_cov @ slope)
    if variance <= 2.0 * g**2 / _LARGEST_DF:
        return _LARGEST_DF
    return max(_SMALLEST_DF, 2.0 * g**2 / variance)


def _over_all(fit: CountFit, L: Array) -> Array:
    return np.concatenate([L, np.zeros(len(fit.coefficients) - len(L))])


def wald_interval(fit: CountFit, L: Array, level: float = 0.95) -> CountInterval:
    """Estimate plus and minus t standard errors. L (c,) over the fit's coefficients, or (p,)."""
    L = _over_all(fit, np.asarray(L, float))
    estimate, error = float(L @ fit.coefficients), float(np.sqrt(L @ fit.cov @ L))
    df = satterthwaite_df(fit, L)
    reach = float(stdtrit(df, 0.5 + level / 2)) * error
    p = 2.0 * float(stdtr(df, -abs(estimate) / error))
    return CountInterval(estimate, error, df, estimate - reach, estimate + reach, p)


def fit_interval(fit: CountFit, L: Array, level: float = 0.95) -> CountInterval:
    """All values c of L'beta whose signed root of the deviance is within the t quantile.

    Counts are skew, and so is this interval where they are few; with many it is Wald's. The
    other coefficients are at their joint mode for each c, the SDs at their estimates, whose
    uncertainty widens it as it does Wald's. L (p,).
    ValueError for a fit by the plain likelihood.
    """
    if not fit.restricted:
        raise ValueError("profile intervals need a restricted fit")
    L = np.asarray(L, float)
    wald = wald_interval(fit, L, level)
    root = signed_root(fit, L)
    t = float(stdtrit(wald.df, 0.5 + level / 2))
    low, high = (_crossing(root, wald, target) for target in (-t, t))
    p = 2.0 * float(stdtr(wald.df, -abs(root(0.0))))
    return CountInterval(wald.estimate, wald.std_error, wald.df, low, high, p)


def signed_root(fit: CountFit, L: Array) -> Callable[[float], float]:
    """c -> sign(c - estimate) sqrt(deviance of L'beta = c against the mode), in which the SDs are
    held: less by what their uncertainty adds to the standard error. L (p,)."""
    estimate = float(L @ fit.beta)
    given = fit.cov_given[: len(L), : len(L)]
    share = float(np.sqrt((L @ given @ L) / (L @ fit.cov_beta @ L)))

    def root(c: float) -> float:
        held = find_mode(fit.model, fit.psi, fit.mode, (L, c))
        rise = max(0.0, held.value - fit.mode.value)
        return float(np.sign(c - estimate) * np.sqrt(2.0 * rise) * share)

    return root


def _crossing(root: Callable[[float], float], wald: CountInterval, target: float) -> float:
    """Where the root is `target`: bracketed outwards from the Wald limit, then Brent."""
    reach = target * wald.std_error
    inner, outer = wald.estimate, wald.estimate + reach
    while abs(root(outer)) < abs(target):
        inner, outer = outer, outer + reach / 2.0
        if abs(outer - wald.estimate) > _FARTHEST:
            return float(np.sign(target) * np.inf)
    return float(optimize.brentq(lambda c: root(c) - target, inner, outer, xtol=1e-5, rtol=1e-6))
