"""How sharply an order shows a contrast: half-width of its interval, power, days needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.plan.trend import Array, Nuisance

MOST_DAYS = 60
WANTED_POWER = 0.8
LEAST_DF = 1.5


@dataclass(frozen=True)
class Scatter:
    """How well the scatter will be known.

    day_df, known_df: degrees of freedom from the day and from other days. share: of the days on
    which it is so.
    """

    day_df: float
    known_df: float = 0.0
    share: float = 1.0

    def df(self, days: int = 1) -> float:
        return max(LEAST_DF, self.day_df * days + self.known_df)

    @property
    def half_width(self) -> float:
        """What each second of standard error adds to the expected half-width, s."""
        return self.share * expected_half_width(self.df())


@dataclass(frozen=True)
class View:
    """A day as its analysis may come to see it, whatever the order. projection: (n, n), s⁻²."""

    projection: Array
    scatter: Scatter


@dataclass(frozen=True)
class Case:
    """What an order shows in one view. std_errors: (k,) s a lap, infinite for 'cannot tell'."""

    std_errors: Array
    scatter: Scatter


@dataclass(frozen=True)
class Precision:
    """What an order can show, over the cases of its day."""

    cases: Sequence[Case]

    @property
    def told(self) -> Array:
        """(k,) whether the contrast can be told at all."""
        return np.all([np.isfinite(case.std_errors) for case in self.cases], axis=0)

    @property
    def half_widths(self) -> Array:
        """(k,) expected half-widths of the 95 % intervals, s a lap."""
        widths = [case.std_errors * case.scatter.half_width for case in self.cases]
        return np.asarray(np.sum(widths, axis=0))

    def power(self, k: int, difference_s: float, days: int = 1) -> float:
        """Chance that contrast k is told from none after so many days like this."""
        return sum(
            case.scatter.share
            * power(float(case.std_errors[k]) / np.sqrt(days), case.scatter.df(days), difference_s)
            for case in self.cases
        )

    def days_needed(self, k: int, difference_s: float) -> int | None:
        """Days like this one until the power is 80 %; None where `MOST_DAYS` do not suffice."""
        for days in range(1, MOST_DAYS + 1):
            if self.power(k, difference_s, days) >= WANTED_POWER:
                return days
        return None


def views_of(nuisance: Nuisance, columns: int) -> list[View]:
    """How the season's analysis sees a day with these components and columns of settings."""
    return [_view(nuisance, columns, 1.0)]


def _view(nuisance: Nuisance, columns: int, share: float) -> View:
    """Generalised least squares with known components.

    The df are the runs less the columns and less what the bent grip uses up: tr(PV) = n - p
    splits into run_variance tr(P), left for scatter, and tr(P smooth), the effective degrees of
    freedom of the bend. They are the same for every order of a day, so that orders are compared
    by what they are, not by how df are counted.
    """
    P = nuisance.projection()
    df = nuisance.run_variance * float(np.trace(P)) - columns
    return View(P, Scatter(df, nuisance.known_df, share))


def precision(views: Sequence[View], settings: Array, contrasts: Array) -> Precision:
    """Precision of an order in each view. settings: (n, q) columns; contrasts: (k, q)."""
    return Precision(
        [
            Case(_std_errors(settings.T @ view.projection @ settings, contrasts), view.scatter)
            for view in views
        ]
    )


def _std_errors(information: Array, contrasts: Array) -> Array:
    values, vectors = np.linalg.eigh(information)
    seen = values > 1e-9 * max(values.max(initial=0.0), 1e-300)
    inverse = (vectors[:, seen] / values[seen]) @ vectors[:, seen].T
    variances = np.einsum("kq,qr,kr->k", contrasts, inverse, contrasts)
    unseen = np.abs(contrasts @ vectors[:, ~seen]).sum(axis=1) > 1e-6
    return np.where(unseen, np.inf, np.sqrt(variances))


def expected_half_width(df: float) -> float:
    """Expected half-width of a 95 % interval, in true standard errors.

    The SD is estimated; its mean is below the truth by the factor sqrt(2/df) Γ((df+1)/2) / Γ(df/2),
    the c4 of quality control.
    """
    log_c4 = special.gammaln((df + 1) / 2) - special.gammaln(df / 2)
    return critical_value(df) * float(np.sqrt(2 / df) * np.exp(log_c4))


def critical_value(df: float) -> float:
    """Limit of a 5 % test, in standard errors by the estimate of the scatter."""
    return float(special.stdtrit(df, 0.975))


def power(std_error: float, df: float, difference_s: float) -> float:
    """Chance that a 5 % t test finds a true difference of `difference_s` (noncentral t)."""
    if not np.isfinite(std_error):
        return 0.0
    limit, shift = critical_value(df), difference_s / std_error
    # As scipy.stats.nct has it, whose import alone takes longer than many a plan.
    above, below = special.nctdtr(df, shift, limit), special.nctdtr(df, shift, -limit)
    return float(1 - above + below)
