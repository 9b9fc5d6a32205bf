"""Estimates and t intervals of log ratios from a fit of counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from pipeline.models.counts import CountFit
from pipeline.models.counts_family import Array
from pipeline.models.counts_laplace import (
    Mode,
    factorise,
    find_mode,
    log_f_prior,
    pointwise,
    split,
)

_SMALLEST_DF = 1.0
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
    """2 g^2 / Var(g) for g = L' cov L, from the uncertainty of the SDs (Satterthwaite 1946)."""
    g = float(L @ fit.cov_beta @ L)
    slope = np.einsum("kij,i,j->k", fit.cov_slopes, L, L)
    variance = float(slope @ fit.psi_cov @ slope)
    return max(_SMALLEST_DF, 2.0 * g**2 / variance) if variance > 0 else np.inf


def wald_interval(
    fit: CountFit, L: Array, level: float = 0.95, df: float | None = None
) -> CountInterval:
    """Estimate plus and minus t standard errors. L (p,); df: Satterthwaite's unless given."""
    L = np.asarray(L, float)
    estimate, error = float(L @ fit.beta), float(np.sqrt(L @ fit.cov_beta @ L))
    df = satterthwaite_df(fit, L) if df is None else df
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * error
    p = 2.0 * float(stats.t.sf(abs(estimate) / error, df))
    return CountInterval(estimate, error, df, estimate - reach, estimate + reach, p)


def profile_interval(
    fit: CountFit, L: Array, level: float = 0.95, df: float | None = None, marginal: bool = True
) -> CountInterval:
    """The signed root of the deviance, referred to t: skewed as the data are.

    The other coefficients are at their mode for each value of L'beta (marginal: integrated out
    by Laplace), the SDs at their estimates. Needs a restricted fit.
    """
    L = np.asarray(L, float)
    wald = wald_interval(fit, L, level, df)
    quantile = float(stats.t.ppf(0.5 + level / 2, wald.df))
    root = _Root(fit, L, wald, marginal)
    low, high = root.crossing(-quantile), root.crossing(quantile)
    p = 2.0 * float(stats.t.sf(abs(root(0.0)), wald.df))
    return CountInterval(wald.estimate, wald.std_error, wald.df, low, high, p)


class _Root:
    """c -> sign(c - estimate) sqrt(deviance(c)), for the constraint L'beta = c."""

    def __init__(self, fit: CountFit, L: Array, wald: CountInterval, marginal: bool) -> None:
        self.fit, self.L, self.wald, self.marginal = fit, L, wald, marginal
        self.centre, self.floor = wald.estimate, self._value(fit.mode)
        if marginal:
            self._find_centre()

    def __call__(self, c: float) -> float:
        rise = self._at(c) - self.floor
        return float(np.sign(c - self.centre) * np.sqrt(max(0.0, 2.0 * rise)))

    def _find_centre(self) -> None:
        reach = 2.0 * self.wald.std_error
        found = optimize.minimize_scalar(
            self._at, bounds=(self.centre - reach, self.centre + reach), method="bounded"
        )
        self.centre, self.floor = float(found.x), float(found.fun)

    def _at(self, c: float) -> float:
        return self._value(find_mode(self.fit.model, self.fit.psi, self.fit.mode, (self.L, c)))

    def _value(self, mode: Mode) -> float:
        if not self.marginal:
            return mode.value
        model = self.fit.model
        sigma, scale, alpha = split(model, self.fit.psi)
        rows = pointwise(model, mode.eta, alpha)
        curvature = log_f_prior(mode.v[: model.n_fixed], model.log_f)[2]
        factor = factorise(model, rows.weight, sigma, scale, curvature)
        along = np.zeros_like(mode.v)
        along[: model.n_fixed] = self.L
        across = float(along @ factor.solve(np.zeros_like(mode.u), along)[1])
        return mode.value + 0.5 * (factor.logdet + np.log(across))

    def crossing(self, target: float) -> float:
        """Where the root is `target`: bracket outwards from the Wald limit, then Brent."""
        side = np.sign(target)
        inner, outer = self.centre, self.centre + target * self.wald.std_error
        while side * (self(outer) - target) < 0:
            inner, outer = outer, outer + (outer - self.centre) * 0.5
            if abs(outer - self.centre) > _FARTHEST:
                return float(side * np.inf)
        if inner == self.centre and self(inner) == target:
            return inner
        return float(optimize.brentq(lambda c: self(c) - target, inner, outer, xtol=1e-4))
