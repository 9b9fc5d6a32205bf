import numpy as np
import pytest

from pipeline.plan.trend import bent_covariance, with_habits
from tests.plan.days import bent, day, polynomial, slots


def test_the_bend_has_mean_variance_one_and_no_straight_part():
    time = np.tile(0.75 * np.arange(8), 2)
    covariance = bent_covariance(time)
    line = np.column_stack([np.ones(16), time])
    assert np.mean(np.diag(covariance)) == pytest.approx(1)
    assert np.abs(covariance @ line).max() < 1e-9
    assert np.linalg.eigvalsh(covariance).min() > -1e-9
    assert covariance[:8, 8:] == pytest.approx(covariance[:8, :8])


def test_too_few_times_leave_no_bend():
    assert not bent_covariance(np.tile([0.0, 1.0, 2.0, 3.0], 2)).any()


def test_the_projection_takes_out_drivers_and_line_and_nothing_else():
    request = day(2, 8)
    nuisance = bent(request)
    P = nuisance.projection()
    assert np.abs(P @ nuisance.fixed).max() < 1e-8
    assert np.trace(P @ nuisance.covariance) == pytest.approx(16 - 3)


def test_a_polynomial_of_degree_three_is_taken_out():
    request = day(1, 8)
    run, _ = slots(request)
    P = polynomial(request, 3).projection()
    assert np.abs(P @ (0.3 * run**3 - run**2)).max() < 1e-8
    assert np.abs(P @ run**4).max() > 1e-3


def test_habits_stay_within_a_car():
    request = day(2, 6)
    run, driver = slots(request)
    nuisance = bent(request)
    extra = with_habits(nuisance, run, driver).covariance - nuisance.covariance
    assert not extra[:6, 6:].any()
    # first run of a car: half the drift, the to and fro, the first run's own
    assert extra[0, 0] == pytest.approx(0.05**2 + 0.05**2 + 0.10**2)
