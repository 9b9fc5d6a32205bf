"""Logs at the edge of what can be shuffled: a number or none, never a fault."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.models.season import effects_alone
from pipeline.models.shuffled import Log, shuffled_values
from tests.models.small_season import season
from tests.models.test_shuffled import log_of


def test_logs_are_drawn_driver_by_driver() -> None:
    """As a loop over the drivers' days draws them: that two cars go together, or that days are of
    several lengths, moves no other's lot."""
    lengths = [5, 8, 5, 3]
    group = np.repeat(np.arange(4), lengths)
    turn = np.concatenate([np.arange(n) for n in lengths])
    settings = np.random.default_rng(1).integers(0, 2, len(group))
    settings[13:18] = settings[:5]
    heat = np.where(np.isin(group, [0, 2]), turn, 100 + np.arange(len(group)))
    log = log_of(settings, group, turn=turn, heat=heat)
    rng, drawn = np.random.default_rng(2), np.empty((6, len(group)), np.intp)
    for cars in log.together:
        turns = np.argsort(rng.random((6, cars.shape[1])), axis=1)
        for own in cars:
            drawn[:, own] = own[turns]
    assert sorted(len(cars) for cars in log.together) == [1, 1, 2]
    np.testing.assert_array_equal(log.shuffled(6, np.random.default_rng(2)), drawn)


def test_a_driver_with_one_run_changes_nothing() -> None:
    rng = np.random.default_rng(3)
    settings, y = rng.permutation(np.repeat([0, 1], 4)), rng.normal(size=9)
    alone = shuffled_values(log_of(settings, np.zeros(8, np.intp)), y[:8, None])
    group = np.repeat([0, 1], [8, 1])
    beside = shuffled_values(log_of(np.append(settings, 1), group), y[:, None])
    assert alone == beside and alone[0][0].of == 70


def test_levels_that_appear_once() -> None:
    """One run at the level, of two drivers' days: eight logs, no voice; beside a level that was
    run more often there are enough."""
    group = np.repeat([0, 1], 8)
    once = np.zeros(16)
    once[3] = 1
    y = np.random.default_rng(4).normal(size=(16, 1))
    assert np.isnan(shuffled_values(log_of(once, group), y)[0][0].p_value)
    often = np.tile([0, 1, 0, 0, 1, 0, 1, 0], 2) * (1 - once)
    log = replace(log_of(np.column_stack([once, often]), group), factor=np.zeros(2, np.intp))
    assert all(0 < one.p_value <= 1 for one in shuffled_values(log, y)[0])


def five_factors(together: bool) -> Log:
    rng = np.random.default_rng(5)
    columns = rng.integers(0, 2, (40, 5)).astype(float)
    if together:
        columns = np.repeat(columns[:, :1], 5, axis=1)
    group = np.repeat(np.arange(4), 10)
    return replace(log_of(columns, group), factor=np.arange(5))


@pytest.mark.parametrize("together", [False, True])
def test_five_factors_at_once(together: bool) -> None:
    """Each has a voice of its own, unless they were always changed together."""
    y = np.random.default_rng(6).normal(size=(40, 1))
    found = [one.p_value for one in shuffled_values(five_factors(together), y, 199)[0]]
    assert np.isnan(found).all() if together else (np.array(found) > 0).all()


def test_a_setting_along_the_line_has_no_voice() -> None:
    """A number that grew with the clock on the day: the line says the same, and the logs in which
    it does so again are not counted."""
    n = 9
    line = np.arange(n) - (n - 1) / 2
    log = log_of(line, np.zeros(n, np.intp), drift=line[:, None])
    one = shuffled_values(log, np.random.default_rng(7).normal(size=(n, 1)), 199)[0][0]
    assert np.isnan(one.p_value)


def test_thousands_of_drivers() -> None:
    """Three thousand drivers with eight runs each, over two days."""
    rng, n = np.random.default_rng(8), 24_000
    group = np.repeat(np.arange(3000), 8)
    day = (group % 2).astype(np.intp)
    log = log_of(rng.integers(0, 2, n), group, day=day, turn=np.tile(np.arange(8), 3000))
    y = rng.normal(size=(n, 1))
    assert 0 < shuffled_values(log, y, 39)[0][0].p_value <= 1


def test_a_log_with_holes() -> None:
    """Unknown settings, a driver with one run, a meeting of one car, a level that was run once:
    each row has a p value or none, and its words."""
    data = season(meetings=3, cars=8, team=3)
    runs = data.runs
    runs.loc[runs.index[::7], "bar"] = None
    one_run = (runs["driver"] == "driver 01") & (runs["run_no"] > 1)
    one_car = (runs["meeting"] == "meeting 2") & (runs["driver"] != "driver 00")
    runs.loc[one_run | one_car, "excluded"] = "left out"
    runs["bar"] = runs["bar"].where(runs["bar"] != "1.2", "1.4")
    runs.loc[runs.index[runs["team"] & runs["excluded"].isna()][5], "bar"] = "1.2"
    effects = effects_alone(data, outcomes=("pace", "mistakes"), conditions=())
    p = effects["p_shuffled"].dropna()
    assert len(p) and ((p > 0) & (p <= 1)).all()
    assert effects["verdict"].notna().all()
    assert effects.loc[effects["estimate"].isna(), "p_shuffled"].isna().all()
