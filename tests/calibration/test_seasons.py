"""The seasons are what their kind says, and their truth is what is in the laps."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from tests.calibration.kinds import BY_NAME, KINDS, Kind
from tests.calibration.replicate import season_of
from tests.calibration.seasons import Season, make_season

QUIET = replace(
    BY_NAME["four"],
    gain=(0.0, 0.0),
    driver_sd=0.0,
    driver_meeting_sd=0.0,
    run_sd=0.0,
    lap_sd=1e-9,
    lap_sd_ratio=1.0,
    run_log_sd=0.0,
    come_in=0.0,
    run_fade_sd=0.0,
    incident_rate=0.0,
    null_share=0.0,
)


def make(kind: Kind, number: int = 0) -> Season:
    return make_season(kind, np.random.default_rng(number))


def at_level(season: Season) -> np.ndarray:
    return season.plan.settings[:, 0] == 1


def truth(season: Season, outcome: str) -> float:
    return season.truth[outcome, "bar", "B"]


def settled_means(season: Season) -> np.ndarray:
    """Mean of each run's laps after the first."""
    return np.mean(season.laps.seconds[:, 1:], axis=1, where=season.laps.driven[:, 1:])


def run_slopes(season: Season) -> np.ndarray:
    most = season.laps.seconds.shape[1]
    lap = np.where(season.laps.driven, np.arange(most), np.nan)
    lap -= np.nanmean(lap, axis=1, keepdims=True)
    return np.nansum(lap * season.laps.seconds, axis=1) / np.nansum(lap**2, axis=1)


def test_same_seed_same_season() -> None:
    first, again, other = (season_of("field", 1, number) for number in (3, 3, 4))
    assert np.array_equal(first.laps.seconds, again.laps.seconds)
    assert not np.array_equal(first.laps.seconds, other.laps.seconds)


def test_without_luck_the_run_means_differ_by_the_pace_effect() -> None:
    season = make(QUIET)
    means = settled_means(season)
    changed = at_level(season)
    difference = means[changed].mean() - means[~changed].mean()
    assert truth(season, "pace") != 0
    assert difference == pytest.approx(truth(season, "pace"), abs=1e-3)


def test_without_luck_the_slopes_differ_by_the_fade_effect() -> None:
    season = make(QUIET)
    slopes, changed = run_slopes(season), at_level(season)
    difference = slopes[changed].mean() - slopes[~changed].mean()
    assert difference == pytest.approx(truth(season, "fade"), abs=1e-3)


def test_lap_sd_ratio_is_the_spread_effect() -> None:
    kind = replace(QUIET, lap_sd=0.22, fade=0.0, meetings=50, laps=(25, 25))
    season = make(kind)
    slope = truth(season, "fade") * at_level(season)
    lap = np.arange(25) - 12
    residual = season.laps.seconds - slope[:, None] * lap
    sd = residual.std(axis=1, ddof=1)
    ratio = sd[at_level(season)].mean() / sd[~at_level(season)].mean()
    assert ratio == pytest.approx(truth(season, "spread"), rel=0.03)


def test_incident_rate_ratio_is_the_mistakes_effect() -> None:
    season = make(replace(BY_NAME["four"], meetings=200, null_share=0.0))
    incidents = season.laps.incident.sum(axis=1)
    laps = season.laps.driven.sum(axis=1) - 1
    fit = sm.GLM(
        incidents,
        np.c_[at_level(season), np.eye(4)[season.plan.driver]],
        family=sm.families.Poisson(),
        exposure=laps,
    ).fit(scale="X2")
    assert abs(fit.params[0] - np.log(truth(season, "mistakes"))) < 4 * fit.bse[0]


def test_mean_of_all_laps_gives_the_race_effect() -> None:
    season = make(replace(BY_NAME["four"], meetings=200, null_share=0.0))
    means = settled_means(season)
    stay = season.plan.meeting * 4 + season.plan.driver
    changed = at_level(season)
    paired = np.array(
        [
            means[(stay == s) & changed].mean() - means[(stay == s) & ~changed].mean()
            for s in np.unique(stay)
        ]
    )
    laps_a_race = 300.0 / season.laps.seconds[season.laps.driven].mean()
    error = laps_a_race * paired.std() / np.sqrt(len(paired))
    assert abs(laps_a_race * paired.mean() - truth(season, "race")) < 4 * error


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_every_team_run_has_a_setting_and_no_rival_has(kind: Kind) -> None:
    season = make(kind)
    assert np.array_equal(season.plan.settings.min(axis=1) >= 0, season.plan.driver < kind.team)


@pytest.mark.parametrize("name", ["pair", "four", "field", "null", "varying", "single"])
def test_levels_share_a_drivers_runs_evenly(name: str) -> None:
    season = make(BY_NAME[name])
    for column, (_, levels) in enumerate(season.kind.factors):
        of_first = season.plan.settings[
            (season.plan.driver == 0) & (season.plan.meeting == 0), column
        ]
        counts = np.bincount(of_first, minlength=levels)
        assert counts.max() - counts.min() <= 1


def test_with_the_clock_each_driver_changes_once() -> None:
    season = make(BY_NAME["clock"])
    for driver in range(season.kind.team):
        settings = season.plan.settings[season.plan.driver == driver, 0]
        assert np.array_equal(settings, np.sort(settings))
        assert 0 < settings.sum() < len(settings)


def test_lap_sds_are_apart_by_three() -> None:
    kind = replace(
        BY_NAME["unequal"], run_log_sd=0.0, meetings=40, null_share=1.0, incident_rate=0.0
    )
    season = make(kind)
    lap = np.where(season.laps.driven, season.laps.seconds, np.nan)[:, 8:]
    run_sd = np.nanstd(lap, axis=1, ddof=1)
    by_driver = [run_sd[season.plan.driver == driver].mean() for driver in range(24)]
    assert max(by_driver) / min(by_driver) == pytest.approx(3.0, rel=0.08)


def noise(**kind: Any) -> np.ndarray:
    """Laps about their meeting's mean (R, laps), in lap SDs."""
    season = make(replace(QUIET, lap_sd=0.22, meetings=50, null_share=1.0, fade=0.0, **kind))
    by_meeting = season.laps.seconds.reshape(50, -1)
    centred = (by_meeting - by_meeting.mean(axis=1, keepdims=True)) / 0.22
    return centred.reshape(season.laps.seconds.shape)


def test_carry_is_the_autocorrelation_of_laps() -> None:
    laps = noise(carry=0.4)
    together = np.corrcoef(laps[:, :-1].ravel(), laps[:, 1:].ravel())[0, 1]
    assert together == pytest.approx(0.4, abs=0.02)


def test_tails_are_heavy() -> None:
    assert np.mean(np.abs(noise()) > 5) < 1e-4  # 6e-7 for normal laps
    assert np.mean(np.abs(noise(tail_df=4.0)) > 5) > 1e-3  # 2e-3 for t with 4 df


def test_gaps_lose_runs_and_laps() -> None:
    season = make(BY_NAME["gaps"])
    assert len(season.plan.hour) < 0.85 * 24 * 8
    assert (season.laps.driven.sum(axis=1) < 15).mean() > 0.1


def test_sun_takes_grip_away_again() -> None:
    season = make(replace(QUIET, grip="sun", gain=(0.6, 0.6)))
    seconds = season.laps.seconds[season.plan.driver == 0][:, 10]
    assert seconds.argmin() not in (0, 7)
    assert seconds[7] > seconds[0]
