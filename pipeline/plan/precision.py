"""How sharply an order shows a contrast: half-width of its interval, power, days needed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from pipeline.plan.trend import Array, Nuisance

MOST_DAYS = 60
WANTED_POWER = 0.8


@dataclass(frozen=True)
class Precision:
    """Expected standard errors of k contrasts, s a lap, and the df of their t intervals.

    std_errors: (k,), infinite where the order cannot tell.
    """

    std_errors: Array
    df: float

    @property
    def half_widths(self) -> Array:
        """(k,) expected half-widths of the 95 % intervals, s a lap.

        The run-to-run SD is estimated on the day; its mean is below the truth by the factor
        sqrt(2/df) Γ((df+1)/2) / Γ(df/2), the c4 of quality control.
        """
        log_c4 = special.gammaln((self.df + 1) / 2) - special.gammaln(self.df / 2)
        c4 = np.sqrt(2 / self.df) * np.exp(log_c4)
        widths: Array = stats.t.ppf(0.975, self.df) * c4 * self.std_errors
        return widths


def precision(nuisance: Nuisance, settings: Array, contrasts: Array) -> Precision:
    """Precision of generalised least squares with the day's components.

    settings: (n, q) columns; contrasts: (k, q). The df are the runs less the columns and less
    what the bent grip uses up: tr(PV) = n - p splits into run_variance tr(P), left for scatter,
    and tr(P smooth), the effective degrees of freedom of the bend. They are the same for every
    order of a day, so that orders are compared by what they are, not by how df are counted.
    """
    P = nuisance.projection()
    df = nuisance.run_variance * float(np.trace(P)) - settings.shape[1]
    return Precision(_std_errors(settings.T @ P @ settings, contrasts), max(1.0, df))


def _std_errors(information: Array, contrasts: Array) -> Array:
    values, vectors = np.linalg.eigh(information)
    seen = values > 1e-9 * max(values.max(initial=0.0), 1e-300)
    inverse = (vectors[:, seen] / values[seen]) @ vectors[:, seen].T
    variances = np.einsum("kq,qr,kr->k", contrasts, inverse, contrasts)
    unseen = np.abs(contrasts @ vectors[:, ~seen]).sum(axis=1) > 1e-6
    return np.where(unseen, np.inf, np.sqrt(variances))


def power(std_error: float, df: float, difference_s: float) -> float:
    """Chance that a 5 % t test finds a true difference of `difference_s` (noncentral t)."""
    if not np.isfinite(std_error):
        return 0.0
    limit = stats.t.ppf(0.975, df)
    shift = difference_s / std_error
    return float(stats.nct.sf(limit, df, shift) + stats.nct.cdf(-limit, df, shift))


def days_needed(std_error: float, df: float, difference_s: float) -> int | None:
    """Days like this one until the power is 80 %; None where `MOST_DAYS` do not suffice."""
    for days in range(1, MOST_DAYS + 1):
        if power(std_error / np.sqrt(days), df * days, difference_s) >= WANTED_POWER:
            return days
    return None
