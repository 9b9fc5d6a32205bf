"""The tables handed to the models hold what the season holds."""

from __future__ import annotations

import numpy as np
import pytest

from tests.calibration.frames import season_data
from tests.calibration.kinds import BY_NAME
from tests.calibration.seasons import make_season


@pytest.mark.parametrize("name", ["gaps", "null", "varying", "pair"])
def test_tables_hold_the_season(name: str) -> None:
    season = make_season(BY_NAME[name], np.random.default_rng(5))
    data = season_data(season)
    laps = data.laps
    assert len(laps) == season.laps.driven.sum()
    assert laps["lap_s"].sum() == pytest.approx(season.laps.seconds[season.laps.driven].sum())
    assert (laps["status"] == "incident").sum() == season.laps.incident.sum()
    assert (laps["status"] == "first").sum() == len(data.runs)
    assert data.runs["team"].sum() == (season.plan.driver < season.kind.team).sum()
    for column, factor in enumerate(data.factors):
        known = data.runs[factor.name].notna().to_numpy()
        assert np.array_equal(known, data.runs["team"].to_numpy())
        levels = np.array(factor.levels)[season.plan.settings[known, column]]
        assert np.array_equal(data.runs.loc[known, factor.name].to_numpy(dtype=str), levels)


def test_runs_count_from_one_in_the_order_of_the_day() -> None:
    runs = season_data(make_season(BY_NAME["gaps"], np.random.default_rng(5))).runs
    for _, stay in runs.groupby(["meeting", "driver"]):
        in_order = stay.sort_values("hour")
        assert list(in_order["run_no"]) == list(range(1, len(stay) + 1))
