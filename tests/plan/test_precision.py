from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from pipeline.plan.precision import (
    Case,
    Precision,
    Scatter,
    expected_half_width,
    power,
    precision,
    views_of,
)
from tests.plan.days import bent, day, polynomial, search

ABBA = np.array([0, 1, 1, 0, 0, 1, 1, 0.0])


def columns(drivers):
    return np.tile(ABBA, drivers)[:, None]


def shown(nuisance, settings):
    """One factor at two levels."""
    return precision(views_of(nuisance, 1), settings, np.eye(1))


def test_standard_error_and_df_without_bend_are_those_of_least_squares():
    found = shown(polynomial(day(2, 8), 1), columns(2))
    assert len(found.cases) == 1
    assert found.cases[0].std_errors == pytest.approx([2 / np.sqrt(16)])
    assert found.cases[0].scatter.df() == pytest.approx(16 - 2 - 1 - 1)


def test_a_bend_takes_degrees_of_freedom():
    found = [shown(bent(day(2, 8), size), columns(2)) for size in (0.001, 0.05, 0.5)]
    dfs = [one.cases[0].scatter.df() for one in found]
    assert dfs == sorted(dfs, reverse=True)
    # at most the six directions in which eight times can bend
    assert 12 - 6 < dfs[-1] < dfs[0] <= 12


@pytest.mark.parametrize(("n", "c4"), [(3, 0.8862), (5, 0.9400), (10, 0.9727), (25, 0.9896)])
def test_expected_sd_is_below_the_true_one_by_c4(n, c4):
    """c4 of the control-chart tables (ASTM manual on control charts; values from memory)."""
    width = expected_half_width(n - 1.0)
    assert width == pytest.approx(stats.t.ppf(0.975, n - 1) * c4, rel=1e-4)


@pytest.mark.parametrize("runs", [4, 8, 20])
@pytest.mark.parametrize("difference", [0.2, 0.5, 1.5])
def test_power_is_that_of_statsmodels_two_sample_t_test(runs, difference):
    """Reference library: statsmodels TTestIndPower (equal groups, SD 1)."""
    reference = TTestIndPower().power(difference, runs, 0.05)
    ours = power(np.sqrt(2 / runs), 2 * runs - 2, difference)
    assert ours == pytest.approx(reference, rel=1e-6)


def test_half_width_and_power_are_those_of_simulated_t_intervals():
    """Monte Carlo: the scatter from its chi-squared distribution."""
    df, error, difference = 8, 0.04, 0.1
    chance = np.random.default_rng(5)
    sd = np.sqrt(chance.chisquare(df, 40_000) / df)
    widths = stats.t.ppf(0.975, df) * error * sd
    found = np.abs(chance.normal(difference, error, len(sd))) > widths
    assert error * expected_half_width(df) == pytest.approx(widths.mean(), rel=0.01)
    assert power(error, df, difference) == pytest.approx(found.mean(), abs=0.01)


def test_days_needed_are_the_first_to_reach_the_power():
    found = Precision([Case(np.array([0.04]), Scatter(10))])
    days = found.days_needed(0, 0.05)
    assert days > 1
    assert found.power(0, 0.05, days) >= 0.8 > found.power(0, 0.05, days - 1)
    assert found.power(0, 0.05, days) == pytest.approx(power(0.04 / np.sqrt(days), 10 * days, 0.05))
    assert found.days_needed(0, 0.0001) is None


def test_what_other_days_have_shown_counts_beside_the_day():
    alone = shown(bent(day(1, 8)), columns(1))
    known = shown(replace(bent(day(1, 8)), known_df=200.0), columns(1))
    assert known.cases[0].std_errors == pytest.approx(alone.cases[0].std_errors)
    assert known.cases[0].scatter.df() == pytest.approx(alone.cases[0].scatter.df() + 200)
    assert known.half_widths == pytest.approx(1.97 * known.cases[0].std_errors, rel=0.01)
    assert known.power(0, 0.1) > 1.5 * alone.power(0, 0.1)


def test_what_an_order_cannot_tell_has_no_finite_width():
    request = day(2, 6, 2, 2)
    _, settings = search(request, bent(request))
    together = np.tile([0, 3, 0, 3, 3, 0], 2)
    found = precision(views_of(bent(request), 2), settings.columns[together], settings.contrasts)
    assert np.isinf(found.half_widths).all()
    assert not found.told.any()
    assert found.power(0, 0.03) == 0


@pytest.mark.parametrize("drivers", [1, 2])
def test_standard_errors_are_those_of_generalised_least_squares(drivers):
    """The textbook's inverse of X'V⁻¹X."""
    nuisance = bent(day(drivers, 8))
    X = np.column_stack([nuisance.fixed, columns(drivers)])
    covariance = np.linalg.inv(X.T @ np.linalg.solve(nuisance.covariance, X))
    found = shown(nuisance, columns(drivers))
    assert found.cases[0].std_errors[0] == pytest.approx(np.sqrt(covariance[-1, -1]))
