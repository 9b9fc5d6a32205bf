import warnings
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pipeline.plan.boundary import chance_of_bend, chance_positive
from pipeline.plan.request import MOST_DRIVERS, MOST_RUNS
from tests.plan.days import bent, day


@pytest.mark.parametrize(("first", "second", "weight"), [(1, 1, 1.0), (2, 3, 0.4), (5, 2, 3.0)])
def test_two_weights_are_a_question_to_the_f_distribution(first, second, weight):
    """Reference: a weighted difference of two chi-squared values is positive where F is large."""
    weights = np.repeat([1.0, -weight], [first, second])
    expected = stats.f.sf(weight * second / first, first, second)
    assert chance_positive(weights) == pytest.approx(expected, abs=1e-5)


def test_many_weights_are_what_chance_draws():
    weights = np.array([3.0, 1.0, 0.2, -0.5, -1.0, -1.5, 0.0])
    draws = np.random.default_rng(3).chisquare(1, (100_000, len(weights)))
    assert chance_positive(weights) == pytest.approx((draws @ weights > 0).mean(), abs=0.006)


@pytest.mark.parametrize(("drivers", "runs"), [(1, 6), (1, 8), (2, 7)])
def test_the_chance_is_that_of_a_likelihood_which_rises_from_zero(drivers, runs):
    """Monte Carlo: the restricted likelihood itself, by its definition, on days made at random."""
    nuisance = bent(day(drivers, runs))
    days = 2000
    chance = np.random.default_rng(drivers + runs)
    root = np.linalg.cholesky(nuisance.covariance)
    means = chance.normal(size=(days, len(root))) @ root.T
    step = 1e-5
    rises = _criterion(nuisance, means, step) > _criterion(nuisance, means, 0.0)
    assert chance_of_bend(nuisance) == pytest.approx(rises.mean(), abs=0.04)


def _criterion(nuisance, means, bend):
    """(days,) log restricted likelihood, the scatter's own variance at its best."""
    X, n = nuisance.fixed, len(nuisance.fixed)
    V = np.eye(n) + bend * nuisance.smooth / nuisance.run_variance
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    P = inverse - inverse @ X @ np.linalg.solve(information, X.T @ inverse)
    squares = np.einsum("di,ij,dj->d", means, P, means)
    logs = np.linalg.slogdet(V)[1] + np.linalg.slogdet(information)[1]
    return -((n - X.shape[1]) * np.log(squares) + logs) / 2


def test_a_larger_bend_is_found_more_often():
    found = [chance_of_bend(bent(day(2, 8), size)) for size in (1e-4, 0.05, 0.2, 2.0)]
    assert found == sorted(found)
    assert 0.3 < found[0] < 0.5 and found[-1] > 0.95


def test_the_largest_day_that_can_be_planned_is_within_range():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert 0.5 < chance_of_bend(bent(day(MOST_DRIVERS, MOST_RUNS))) < 1


def test_the_unit_does_not_matter():
    nuisance = bent(day(1, 7))
    in_ms = replace(
        nuisance, smooth=nuisance.smooth * 1e6, run_variance=nuisance.run_variance * 1e6
    )
    assert chance_of_bend(in_ms) == pytest.approx(chance_of_bend(nuisance), abs=1e-6)
