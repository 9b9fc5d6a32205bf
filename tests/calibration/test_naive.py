"""The naive analyses are right where their assumptions hold, and lie where they do not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from tests.calibration.kinds import PLAIN, PLAIN_DAYS
from tests.calibration.naive import ANALYSES
from tests.calibration.seasons import make_season

DAYS = 200


def found(kind_name: str, analysis: str, **changes: Any) -> int:
    """Days of DAYS on which the analysis finds an effect that is not there."""
    kind = next(day for day in PLAIN_DAYS if day.name == kind_name)
    kind = replace(kind, **changes)
    seasons = (make_season(kind, np.random.default_rng([7, day])) for day in range(DAYS))
    return sum(ANALYSES[analysis](season) < 0.05 for season in seasons)


@pytest.mark.parametrize("analysis", ANALYSES)
def test_without_grip_drivers_and_luck_of_the_run_all_hold_their_level(analysis: str) -> None:
    low, high = stats.binom.ppf([0.0005, 0.9995], DAYS, 0.05)
    count = found("plain-random", analysis, gain=(0.0, 0.0), driver_sd=0.0, run_sd=0.0)
    assert low <= count <= high


@pytest.mark.parametrize("analysis", list(ANALYSES)[:3])
def test_laps_taken_as_independent_find_effects_of_nothing(analysis: str) -> None:
    # Even in random order: at least a quarter of the days, where 5 % was promised.
    assert found("plain-random", analysis) > stats.binom.ppf(0.999, DAYS, 0.25)


@pytest.mark.parametrize("analysis", ANALYSES)
def test_a_change_over_lunch_fools_them_all(analysis: str) -> None:
    assert found("plain-lunch", analysis) > stats.binom.ppf(0.999, DAYS, 0.055)


def test_the_plain_day_has_no_effect() -> None:
    season = make_season(PLAIN, np.random.default_rng(0))
    assert all(season.is_null(key) for key in season.truth)
