"""What people do with the same laps: five analyses that forget something."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import statsmodels.api as sm
from scipy import stats

from tests.calibration.seasons import Floats, Season

Analysis = Callable[[Season], float]


def t_test_on_laps(season: Season) -> float:
    """p-value of B against A; forgets driver, time and that laps of a run share its luck."""
    lap_s, run = _timed_laps(season)
    changed = _changed(season)[run]
    return float(stats.ttest_ind(lap_s[changed], lap_s[~changed]).pvalue)


def laps_with_drivers(season: Season) -> float:
    """p-value; forgets time and runs."""
    lap_s, run = _timed_laps(season)
    return _least_squares(lap_s, np.c_[_changed(season), _drivers(season)][run])


def laps_with_drivers_and_time(season: Season) -> float:
    """p-value; a quadratic in time of day; forgets runs."""
    lap_s, run = _timed_laps(season)
    return _least_squares(lap_s, _changed_drivers_time(season)[run])


def run_means_with_drivers_and_time(season: Season) -> float:
    """p-value; a quadratic in time of day, which no track follows."""
    lap_s, run = _timed_laps(season)
    means = np.bincount(run, lap_s) / np.bincount(run)
    return _least_squares(means, _changed_drivers_time(season))


def t_test_on_best_laps(season: Season) -> float:
    """p-value; one lap a run; forgets driver and time."""
    best = np.where(season.laps.driven, season.laps.seconds, np.inf).min(axis=1)
    changed = _changed(season)
    return float(stats.ttest_ind(best[changed], best[~changed]).pvalue)


ANALYSES: dict[str, Analysis] = {
    "t-test on laps": t_test_on_laps,
    "laps, driver effects": laps_with_drivers,
    "laps, driver effects, quadratic time": laps_with_drivers_and_time,
    "run means, driver effects, quadratic time": run_means_with_drivers_and_time,
    "t-test on each run's best lap": t_test_on_best_laps,
}


def _timed_laps(season: Season) -> tuple[Floats, np.ndarray]:
    run, lap = np.nonzero(season.laps.driven)
    return season.laps.seconds[run, lap], run


def _changed(season: Season) -> np.ndarray:
    return season.plan.settings[:, 0] > 0


def _drivers(season: Season) -> Floats:
    return (season.plan.driver[:, None] == np.unique(season.plan.driver)).astype(float)


def _changed_drivers_time(season: Season) -> Floats:
    hour = season.plan.hour - season.plan.hour.mean()
    return np.c_[_changed(season), _drivers(season), hour, hour**2]


def _least_squares(response: Floats, columns: Floats) -> float:
    return float(sm.OLS(response, columns).fit().pvalues[0])
