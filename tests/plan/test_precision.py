import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from pipeline.plan.precision import MOST_DAYS, Precision, days_needed, power, precision
from tests.plan.days import bent, day, polynomial, search


def test_standard_error_and_df_without_bend_are_those_of_least_squares():
    request = day(2, 8)
    nuisance = polynomial(request, 1)
    columns = np.tile([0, 1, 1, 0, 1, 0, 0, 1], 2)[:, None].astype(float)
    found = precision(nuisance, columns, np.eye(1))
    assert found.std_errors == pytest.approx([2 / np.sqrt(16)])
    assert found.df == pytest.approx(16 - 2 - 1 - 1)


def test_a_bend_takes_degrees_of_freedom():
    request = day(2, 8)
    columns = np.tile([0, 1, 1, 0, 1, 0, 0, 1], 2)[:, None].astype(float)
    dfs = [precision(bent(request, size), columns, np.eye(1)).df for size in (0.001, 0.05, 0.5)]
    assert dfs == sorted(dfs, reverse=True)
    # at most the six directions in which eight times can bend
    assert 12 - 6 < dfs[-1] < dfs[0] <= 12


@pytest.mark.parametrize(("n", "c4"), [(2, 0.7979), (5, 0.9400), (10, 0.9727), (25, 0.9896)])
def test_expected_sd_is_below_the_true_one_by_c4(n, c4):
    """c4 of the control-chart tables (ASTM manual on control charts; values from memory)."""
    width = Precision(np.array([1.0]), n - 1.0).half_widths[0]
    assert width == pytest.approx(stats.t.ppf(0.975, n - 1) * c4, rel=1e-4)


@pytest.mark.parametrize("runs", [4, 8, 20])
@pytest.mark.parametrize("difference", [0.2, 0.5, 1.5])
def test_power_is_that_of_statsmodels_two_sample_t_test(runs, difference):
    """Reference library: statsmodels TTestIndPower (equal groups, SD 1)."""
    reference = TTestIndPower().power(difference, runs, 0.05)
    ours = power(np.sqrt(2 / runs), 2 * runs - 2, difference)
    assert ours == pytest.approx(reference, rel=1e-6)


def test_days_needed_are_the_first_to_reach_the_power():
    days = days_needed(0.04, 10, 0.05)
    assert days is not None and days > 1
    assert power(0.04 / np.sqrt(days), 10 * days, 0.05) >= 0.8
    assert power(0.04 / np.sqrt(days - 1), 10 * (days - 1), 0.05) < 0.8
    assert days_needed(0.04, 10, 0.0001) is None
    assert days < MOST_DAYS


def test_what_an_order_cannot_tell_has_no_finite_width():
    request = day(2, 6, 2, 2)
    _, settings = search(request, bent(request))
    together = np.tile([0, 3, 0, 3, 3, 0], 2)
    found = precision(bent(request), settings.columns[together], settings.contrasts)
    assert np.isinf(found.half_widths).all()
    assert power(np.inf, 5, 0.03) == 0


@pytest.mark.parametrize("drivers", [1, 2])
def test_the_formula_is_what_simulated_days_report(drivers):
    """Monte Carlo of generalised least squares with known grip and unknown scatter."""
    request = day(drivers, 8)
    nuisance = polynomial(request, 2)
    columns = np.tile([0, 1, 1, 0, 1, 0, 0, 1], drivers)[:, None].astype(float)
    found = precision(nuisance, columns, np.eye(1))
    X = np.column_stack([nuisance.fixed, columns])
    y = np.random.default_rng(5).normal(size=(4000, len(X)))
    residual = y - y @ X @ np.linalg.inv(X.T @ X) @ X.T
    df = len(X) - X.shape[1]
    errors = np.sqrt((residual**2).sum(axis=1) / df * np.linalg.inv(X.T @ X)[-1, -1])
    assert found.half_widths[0] == pytest.approx(
        np.mean(errors * stats.t.ppf(0.975, df)), rel=0.015
    )
