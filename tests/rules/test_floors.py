"""Degrees of freedom: the formula, and the floors and ceilings where it says too little."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from pipeline.models.counts_interval import satterthwaite_df, wald_interval
from pipeline.models.engine.inference import Estimate, _satterthwaite

ONE = np.ones((1, 1))


@pytest.mark.parametrize(
    ("variance", "slope", "df"),
    [
        (2.0, 1.0, 8.0),  # 2 f^2 / g^2 (Satterthwaite 1946)
        (2.0, 2.0, 2.0),
        (1.0, 1.40, 2 / 1.96),
        (1.0, 1.42, 1.0),  # never fewer than one
        (1.0, 2**0.5 / 999.9, 999.9**2),
        (1.0, 2**0.5 / 1001.0, 1e6),  # nor more than a million
        (0.0, 1.0, 1e6),
        (-1.0, 1.0, 1e6),
        (1.0, 0.0, 1e6),
    ],
)
def test_degrees_of_freedom_of_the_mixed_model(variance: float, slope: float, df: float) -> None:
    assert _satterthwaite(variance, np.array([slope]), ONE) == pytest.approx(df, rel=1e-9)
    assert _satterthwaite(variance, np.array([-slope]), ONE) == pytest.approx(df, rel=1e-9)


def counted(variance: float, slope: float, spread: float = 1.0) -> Any:
    """A fit of one coefficient, at 0.6, whose variance changes so with its one SD."""
    return SimpleNamespace(
        coefficients=np.array([0.6]), beta=np.array([0.6]), cov_given=variance * ONE,
        cov_slopes=np.array([[[slope]]]), psi_cov=spread * ONE, cov=1.21 * variance * ONE,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("variance", "slope", "spread", "df"),
    [
        (2.0, 1.0, 1.0, 8.0),
        (2.0, 1.0, 4.0, 2.0),
        (1.0, 1.40, 1.0, 2 / 1.96),
        (1.0, 1.42, 1.0, 1.0),
        (1.0, 2**0.5 / 999.9, 1.0, 999.9**2),
        (1.0, 2**0.5 / 1001.0, 1.0, 1e6),
        (1.0, 0.0, 1.0, 1e6),
    ],
)
def test_degrees_of_freedom_of_the_counts(
    variance: float, slope: float, spread: float, df: float
) -> None:
    found = satterthwaite_df(counted(variance, slope, spread), np.array([1.0]))
    assert found == pytest.approx(df, rel=1e-9)


@pytest.mark.parametrize("level", [0.90, 0.95])
def test_intervals_of_counts(level: float) -> None:
    """t intervals with the larger of the two variances: that which the SDs' own adds to."""
    found = wald_interval(counted(0.04, 0.02), np.array([1.0]), level)
    t = stats.t(found.df)
    error = 1.1 * 0.2
    assert (found.estimate, found.std_error) == pytest.approx((0.6, error))
    assert (found.low, found.high) == pytest.approx(
        (0.6 - t.ppf(0.5 + level / 2) * error, 0.6 + t.ppf(0.5 + level / 2) * error)
    )
    assert found.p_value == pytest.approx(2 * t.sf(0.6 / error))
    assert wald_interval(counted(0.04, 0.02), np.array([-1.0])).p_value == found.p_value


@pytest.mark.parametrize(("estimate", "error", "df"), [(0.1, 0.05, 7.0), (-0.1, 0.05, 1.0)])
def test_intervals_of_the_mixed_model(estimate: float, error: float, df: float) -> None:
    found, t = Estimate(estimate, error, df), stats.t(df)
    assert found.p_value == pytest.approx(2 * t.sf(abs(estimate) / error))
    for level in (0.90, 0.95):
        reach = t.ppf(0.5 + level / 2) * error
        assert found.interval(level) == pytest.approx((estimate - reach, estimate + reach))
    assert found.interval() == found.interval(0.95)


def test_without_error_it_is_sure() -> None:
    assert Estimate(0.0, 0.0, 5.0).p_value == 1.0
    assert Estimate(1e-9, 0.0, 5.0).p_value == 0.0
