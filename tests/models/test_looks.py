"""Bounds that hold over all looks: against reference values, simulated walks, another method."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from pipeline.models.engine.inference import Estimate
from pipeline.models.looks import anytime_interval, bounds, level_at, spent, stricter

# z of each look, planned 6 and 12, from 10^6 simulated walks by other code (given to 0.001).
REFERENCE = {
    6: [2.713, 2.640, 2.567, 2.502, 2.444, 2.393, 2.645, 2.749, 2.822],
    12: [
        *(2.935, 2.876, 2.815, 2.759, 2.710, 2.665, 2.625, 2.587, 2.553, 2.521, 2.491, 2.462),
        *(2.654, 2.731, 2.785),
    ],
}
# Jennison and Turnbull (2000), table 2.1, Pocock's constant of five looks at 5 % (from memory).
POCOCK = 2.413


@pytest.mark.parametrize("planned", REFERENCE)
def test_bounds_are_the_reference_ones(planned: int) -> None:
    expected = REFERENCE[planned]
    assert bounds(len(expected), planned) == pytest.approx(expected, abs=6e-4)


def test_error_is_spent_once_and_never_more_than_five_in_a_hundred() -> None:
    for planned in (1, 2, 6, 12):
        total = [spent(look, planned) for look in range(200)]
        assert total[0] == 0.0
        assert np.all(np.diff(total) > 0)
        assert total[planned] == pytest.approx(0.04)
        assert total[-1] < 0.05


def test_simulated_walks_cross_as_often_as_is_spent() -> None:
    looks, planned, walks = 9, 6, 200_000
    steps = np.random.default_rng(5).standard_normal((walks, looks))
    z = np.abs(steps.cumsum(axis=1)) / np.sqrt(np.arange(1, looks + 1))
    crossed = (np.maximum.accumulate(z > np.array(bounds(looks, planned)), axis=1)).mean(axis=0)
    expected = np.array([spent(look, planned) for look in range(1, looks + 1)])
    assert np.all(np.abs(crossed - expected) < 4 * np.sqrt(expected / walks))


def test_recursion_gives_the_constant_of_an_equal_bound() -> None:
    """An equal bound at five looks errs in 5 % at Pocock's constant: the same integration."""
    from pipeline.models.looks import _walked

    nodes, mass, error = np.zeros(1), np.ones(1), 0.0
    for look in range(1, 6):
        reach = POCOCK * np.sqrt(look)
        error += float(mass @ (ndtr(nodes - reach) + ndtr(-reach - nodes)))
        nodes, mass = _walked(nodes, mass, reach)
    assert error == pytest.approx(0.05, abs=2e-4)


@pytest.mark.parametrize("planned", [6, 12])
def test_a_normal_mixture_is_wider_at_every_look(planned: int) -> None:
    """Robbins (1970): |S| below sqrt((k + r) log((k + r) / (r a^2))) at all k. It is narrowest at
    r = 0.13 k: here at each of the looks that are planned."""
    look = np.arange(1, 2 * planned + 1)
    z = np.array(bounds(2 * planned, planned))
    for r in 0.13 * np.arange(1, planned + 1):
        mixture = np.sqrt((look + r) * np.log((look + r) / (r * 0.05**2)) / look)
        assert np.all(mixture > z)


def test_the_interval_is_the_plain_one_at_another_level() -> None:
    estimate = Estimate(0.1, 0.04, 3.5)
    level = level_at(2, 6)
    assert level == pytest.approx(1 - 2 * ndtr(-bounds(2, 6)[-1]))
    assert anytime_interval(estimate, 2, 6) == estimate.interval(level)
    plain, anytime = estimate.interval(), anytime_interval(estimate, 2, 6)
    # With few degrees of freedom it is wider than the plain half-width times z / 1.96.
    assert (anytime[1] - 0.1) / (plain[1] - 0.1) > bounds(2, 6)[-1] / 1.96
    assert stricter(2, 6) == pytest.approx(0.05 / (1 - level))
