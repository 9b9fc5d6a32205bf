"""How sharply an order shows a contrast: half-width of its interval, power, days needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special, stats

from pipeline.plan.trend import Array, Nuisance

MOST_DAYS = 60
WANTED_POWER = 0.8
# The season's models keep the run variance off zero by the penalty of Chung et al. (2013), which
# is as if one degree of freedom had been spent: SD times sqrt(df / (df - 1)), and df - 1.
SPENT = 1.0
LEAST_DF = 1.5


@dataclass(frozen=True)
class Case:
    """One way in which a day may turn out. std_errors: (k,) s a lap, infinite for 'cannot tell'.

    day_df, known_df: degrees of freedom of the scatter, from the day and from other days.
    """

    std_errors: Array
    day_df: float
    known_df: float = 0.0

    @property
    def df(self) -> float:
        return max(LEAST_DF, self.day_df + self.known_df)


@dataclass(frozen=True)
class Precision:
    """What an order can show, over equally likely cases."""

    cases: Sequence[Case]

    @property
    def told(self) -> Array:
        """(k,) whether the contrast can be told at all."""
        return np.all([np.isfinite(case.std_errors) for case in self.cases], axis=0)

    @property
    def half_widths(self) -> Array:
        """(k,) expected half-widths of the 95 % intervals, s a lap."""
        widths = [case.std_errors * expected_half_width(case.df) for case in self.cases]
        return np.asarray(np.mean(widths, axis=0))

    def power(self, k: int, difference_s: float, days: int = 1) -> float:
        """Chance that contrast k is told from none after so many days like this."""
        return float(
            np.mean(
                [
                    power(
                        float(case.std_errors[k]) / np.sqrt(days),
                        replace(case, day_df=case.day_df * days).df,
                        difference_s,
                    )
                    for case in self.cases
                ]
            )
        )

    def days_needed(self, k: int, difference_s: float) -> int | None:
        """Days like this one until the power is 80 %; None where `MOST_DAYS` do not suffice."""
        for days in range(1, MOST_DAYS + 1):
            if self.power(k, difference_s, days) >= WANTED_POWER:
                return days
        return None


def precision(nuisance: Nuisance, settings: Array, contrasts: Array) -> Precision:
    """Precision of the season's analysis of a day with these components.

    settings: (n, q) columns; contrasts: (k, q). Where the day alone has to show how grip bends,
    restricted maximum likelihood finds no bend on about half of the days (Self and Liang 1987),
    so that a straight line is a case of its own.
    """
    cases = [_case(nuisance, settings, contrasts)]
    if nuisance.smooth.any() and not nuisance.known_df:
        straight = replace(nuisance, smooth=np.zeros_like(nuisance.smooth))
        cases.append(_case(straight, settings, contrasts))
    return Precision(cases)


def _case(nuisance: Nuisance, settings: Array, contrasts: Array) -> Case:
    """Generalised least squares with known components.

    The df are the runs less the columns and less what the bent grip uses up: tr(PV) = n - p
    splits into run_variance tr(P), left for scatter, and tr(P smooth), the effective degrees of
    freedom of the bend. They are the same for every order of a day, so that orders are compared
    by what they are, not by how df are counted.
    """
    P = nuisance.projection()
    df = nuisance.run_variance * float(np.trace(P)) - settings.shape[1]
    errors = _std_errors(settings.T @ P @ settings, contrasts)
    return Case(errors, df, nuisance.known_df)


def _std_errors(information: Array, contrasts: Array) -> Array:
    values, vectors = np.linalg.eigh(information)
    seen = values > 1e-9 * max(values.max(initial=0.0), 1e-300)
    inverse = (vectors[:, seen] / values[seen]) @ vectors[:, seen].T
    variances = np.einsum("kq,qr,kr->k", contrasts, inverse, contrasts)
    unseen = np.abs(contrasts @ vectors[:, ~seen]).sum(axis=1) > 1e-6
    return np.where(unseen, np.inf, np.sqrt(variances))


def expected_half_width(df: float, spent: float = SPENT) -> float:
    """Expected half-width of a 95 % interval, in true standard errors.

    The SD is estimated; its mean is below the truth by the factor sqrt(2/df) Γ((df+1)/2) / Γ(df/2),
    the c4 of quality control.
    """
    log_c4 = special.gammaln((df + 1) / 2) - special.gammaln(df / 2)
    return critical_value(df, spent) * float(np.sqrt(2 / df) * np.exp(log_c4))


def critical_value(df: float, spent: float = SPENT) -> float:
    """Limit of a 5 % test, in standard errors by the plain estimate of the scatter."""
    limit = stats.t.ppf(0.975, max(1.0, df - spent))
    return float(limit * np.sqrt(df / (df - spent)))


def power(std_error: float, df: float, difference_s: float, spent: float = SPENT) -> float:
    """Chance that a 5 % t test finds a true difference of `difference_s` (noncentral t)."""
    if not np.isfinite(std_error):
        return 0.0
    limit, shift = critical_value(df, spent), difference_s / std_error
    return float(stats.nct.sf(limit, df, shift) + stats.nct.cdf(-limit, df, shift))
