"""Factors first, then what is asked of each."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.models.families import LEVEL, false_discovery, family_q_values


@pytest.mark.parametrize("count", [0, 1, 2, 40])
def test_q_values_are_the_librarys(count: int) -> None:
    p_values = np.round(np.random.default_rng(count).random(count) ** 3, 2)  # some are equal
    np.testing.assert_array_equal(
        false_discovery(p_values), stats.false_discovery_control(p_values)
    )


def test_of_one_factor_they_are_benjamini_and_hochbergs() -> None:
    p_values = np.random.default_rng(1).random(12) ** 3
    family = np.zeros(12, dtype=np.intp)
    np.testing.assert_array_equal(family_q_values(p_values, family), false_discovery(p_values))


def test_a_question_without_a_number_counts_for_nothing() -> None:
    p_values, family = np.array([0.01, np.nan, 0.2, np.nan]), np.array([0, 0, 0, 1])
    found = family_q_values(p_values, family)
    np.testing.assert_allclose(found, [0.02, np.nan, 0.2, np.nan])


@pytest.mark.parametrize(("third", "called"), [(0.0124, True), (0.0126, False)])
def test_questions_of_a_called_factor_pay_for_the_factors_that_were_not(
    third: float, called: bool
) -> None:
    """Two of four factors are called: their questions are tested at 2.5 %, two a factor."""
    p_values = np.array([0.001, third, 0.002, 0.9, 0.8, 0.7, 0.6, 0.5])
    p_values[1:2] = third * 2  # the larger of two: tested against its own level, not half of it
    found = family_q_values(p_values, np.repeat(np.arange(4), 2))
    assert (found[1] <= LEVEL) == called
    assert (found[4:] > 0.5).all()


def test_a_day_without_effects_shows_one_in_at_most_five_per_cent() -> None:
    """Three factors of five outcomes, those of a factor correlated as outcomes are."""
    rng, days = np.random.default_rng(2), 2000
    family = np.repeat(np.arange(3), 5)
    shown = 0
    for _ in range(days):
        z = 0.7 * np.repeat(rng.normal(size=3), 5) + np.sqrt(1 - 0.49) * rng.normal(size=15)
        shown += (family_q_values(2 * stats.norm.sf(np.abs(z)), family) <= LEVEL).any()
    assert shown / days <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / days)
    assert shown / days >= 0.02
