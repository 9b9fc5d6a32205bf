"""Intervals of log ratios: rare events, units, second voices, calibration."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from pipeline.models.counts import CountFit, fit_counts
from pipeline.models.counts_interval import fit_interval, signed_root, wald_interval
from pipeline.models.counts_rows import CountRows, RandomTerm
from tests.models.counts_days import CONTRAST, Kind, draw


def two_groups(reference: int, level: int) -> CountFit:
    """So many incidents in ten equal runs at each of two levels; no random terms."""
    y = np.zeros(20)
    y[0], y[10] = reference, level
    X = np.column_stack([np.ones(20), np.repeat([0.0, 1.0], 10)])
    return fit_counts(CountRows(y, X), "poisson")


@pytest.mark.parametrize(("reference", "level"), [(3, 9), (12, 5), (40, 60), (6, 0), (0, 4)])
def test_two_groups_against_the_jeffreys_interval(reference: int, level: int) -> None:
    """Given their sum, two counts are binomial; Jeffreys' interval of a share is good from few
    events on (Brown, Cai and DasGupta 2001, from memory). Equal tails and a likelihood differ
    where an end is open: there only the other end is compared, and loosely."""
    found = fit_interval(two_groups(reference, level), CONTRAST)
    share = stats.beta(level + 0.5, reference + 0.5).ppf([0.025, 0.975])
    low, high = np.log(share / (1 - share))
    if level:
        assert found.low == pytest.approx(low, abs=0.12 if reference else 0.45)
    if reference:
        assert found.high == pytest.approx(high, abs=0.12 if level else 0.45)


def test_no_incident_at_a_level_gives_a_finite_ratio() -> None:
    """Three runs of 20 laps without an incident, where 3 were to be expected: one-sided 95 % is
    three events ('rule of three', Hanley and Lippman-Hand 1983, from memory)."""
    rng = np.random.default_rng(2)
    y = rng.poisson(1.0, 203).astype(float)
    y[:3] = 0.0
    X = np.column_stack([np.ones(203), np.arange(203) < 3])
    found = fit_interval(fit_counts(CountRows(y, X, exposure=np.full(203, 20.0))), CONTRAST)
    assert -6.0 < found.estimate < 0.0
    assert np.isfinite(found.low)
    assert 0.5 < np.exp(found.high) < 3.7 / 3.0


def test_no_incident_anywhere_is_refused() -> None:
    rows = CountRows(np.zeros(16), np.column_stack([np.ones(16), np.arange(16) % 2]))
    with pytest.raises(ValueError, match="no event"):
        fit_counts(rows)


def test_ends_of_the_interval_have_the_deviance_of_the_quantile() -> None:
    fit = fit_counts(draw(Kind("", 2.0), np.random.default_rng(4)))
    found, root = fit_interval(fit, CONTRAST, 0.9), signed_root(fit, CONTRAST)
    quantile = stats.t.ppf(0.95, found.df)
    assert root(found.low) == pytest.approx(-quantile, abs=1e-3)
    assert root(found.high) == pytest.approx(quantile, abs=1e-3)
    assert (found.p_value < 0.1) == (found.low > 0 or found.high < 0)


def test_many_incidents_give_the_wald_interval() -> None:
    rows = draw(Kind("", 30.0, team=20), np.random.default_rng(5))
    fit = fit_counts(rows)
    found, wald = fit_interval(fit, CONTRAST), wald_interval(fit, CONTRAST)
    assert found.low == pytest.approx(wald.low, abs=0.03 * wald.std_error)
    assert found.high == pytest.approx(wald.high, abs=0.03 * wald.std_error)


@pytest.mark.parametrize("unit", [0.1, 25.4])
def test_the_unit_of_a_column_changes_nothing_but_the_unit(unit: float) -> None:
    rows = draw(Kind("", 0.8), np.random.default_rng(6))
    scaled = CountRows(rows.y, rows.X * [1.0, unit], rows.exposure, terms=rows.terms)
    one, two = (fit_interval(fit_counts(r), CONTRAST) for r in (rows, scaled))
    assert two.estimate * unit == pytest.approx(one.estimate, abs=1e-4)
    assert two.low * unit == pytest.approx(one.low, abs=1e-3)
    assert two.p_value == pytest.approx(one.p_value, abs=1e-4)


def test_the_unit_of_exposure_moves_the_constant_alone() -> None:
    rows = draw(Kind("", 0.8), np.random.default_rng(7))
    other = CountRows(rows.y, rows.X, rows.exposure * 10.0, terms=rows.terms)
    one, two = fit_counts(rows), fit_counts(other)
    assert one.beta[0] - two.beta[0] == pytest.approx(np.log(10.0), abs=1e-4)
    assert one.beta[1] == pytest.approx(two.beta[1], abs=1e-4)


def test_generalised_estimating_equations_agree_on_a_large_field() -> None:
    """A second voice with other assumptions: statsmodels' GEE, exchangeable within the driver.
    A log ratio within the driver is the same for both models."""
    rows = draw(Kind("", 1.0, team=60, runs=40), np.random.default_rng(8), 0.4)
    found = fit_interval(fit_counts(rows), CONTRAST)
    other = sm.GEE(
        rows.y,
        rows.X,
        groups=rows.terms[0].codes,
        exposure=rows.exposure,
        family=sm.families.Poisson(),
        cov_struct=sm.cov_struct.Exchangeable(),
    ).fit()
    assert found.estimate == pytest.approx(other.params[1], abs=0.5 * found.std_error)
    assert found.std_error == pytest.approx(other.bse[1], rel=0.25)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"y": np.array([0.5, 1.0])}, "whole"),
        ({"y": np.array([-1.0, 1.0])}, "not negative"),
        ({"X": np.ones((2, 2))}, "combination"),
        ({"X": np.ones((3, 1))}, "shape"),
        ({"exposure": np.array([20.0, 0.0])}, "exposure"),
        ({"trials": np.array([1.0, 1.0]), "y": np.array([2.0, 0.0])}, "successes"),
        ({"terms": (RandomTerm(np.array([0])),)}, "one code a row"),
    ],
)
def test_rows_that_do_not_fit_are_refused(change: dict, message: str) -> None:
    good = {"y": np.array([0.0, 1.0]), "X": np.ones((2, 1))}
    with pytest.raises(ValueError, match=message):
        CountRows(**{**good, **change})


def test_calls_that_make_no_sense_are_refused() -> None:
    rows = CountRows(np.array([0.0, 1.0, 2.0]), np.ones((3, 1)))
    with pytest.raises(ValueError, match="family"):
        fit_counts(rows, "normal")
    with pytest.raises(ValueError, match="trials"):
        fit_counts(rows, "binomial")
    with pytest.raises(ValueError, match="restricted"):
        fit_interval(fit_counts(rows, "poisson", restricted=False), np.array([1.0]))
