"""Gradients along grip and along conditions that are numbers."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

import pipeline
from pipeline.models.season import estimate
from pipeline.tables.records import SeasonData
from pipeline.team.factors import NumberCondition
from tests.api.frames import dicts, frames
from tests.models import small_season

TEMP = NumberCondition("track_temp", "Track temperature", "°C")
TEMPS = np.array([20.0, 25.0, 30.0, 35.0, 40.0])
PER_STEP = 0.12


@cache
def season(step: float | None = None) -> SeasonData:
    """Five meetings, each warmer than the one before: bar 1.4 loses 0.12 s with every 5 °C."""
    data = small_season.season(meetings=5)
    temp = TEMPS[data.runs["meeting"].str[-1].astype(int)]
    lost = (data.runs["bar"] == "1.4") * PER_STEP * (temp - 30) / 5
    laps = data.laps["lap_s"] + lost.to_numpy()[data.laps["run"]]
    data = small_season.with_laps(data, laps)
    return replace(
        data, runs=data.runs.assign(track_temp=temp), conditions=(replace(TEMP, step=step),)
    )


def rows(data: SeasonData, outcomes: tuple[str, ...] = ("pace",)) -> pd.DataFrame:
    table = estimate(data, outcomes).effects_table()
    return table[table["condition"].eq("track_temp per step")].set_index(["outcome", "level"])


@cache
def found() -> pd.DataFrame:
    return rows(season())


def test_an_effect_that_moves_with_a_number_shows_by_how_much_a_step() -> None:
    row = found().loc[("pace", "1.4")]
    assert row["ci_low"] < PER_STEP < row["ci_high"]
    assert row["verdict"] == "worse with track_temp"
    assert row["n_meetings"] == 5
    for level in ("1.2", "hard"):
        other = found().loc[("pace", level)]
        assert other["ci_low"] < 0 < other["ci_high"]


def test_shuffled_logs_are_asked_of_gradients_too() -> None:
    p = found()["p_shuffled"]
    assert p.loc[("pace", "1.4")] < 0.01
    assert (p.drop(("pace", "1.4")) > 0.01).all()


def test_a_step_is_a_quarter_of_the_range_where_none_is_given() -> None:
    pd.testing.assert_frame_equal(rows(season(step=5.0)), found())


def test_twice_the_step_is_twice_the_gradient_and_nothing_else() -> None:
    double = rows(season(step=10.0))
    for name in ("estimate", "std_error", "ci_low", "ci_high"):
        np.testing.assert_allclose(double[name], 2 * found()[name], rtol=1e-3)
    np.testing.assert_allclose(double["p_value"], found()["p_value"], atol=1e-3)


def test_the_unit_of_a_condition_does_not_matter() -> None:
    data = season()
    warm = replace(data, runs=data.runs.assign(track_temp=data.runs["track_temp"] * 1.8 + 32))
    other = rows(warm)
    np.testing.assert_allclose(other["estimate"], found()["estimate"], rtol=1e-3, atol=1e-5)
    assert other["verdict"].tolist() == found()["verdict"].tolist()


def test_every_outcome_has_its_rows() -> None:
    table = rows(season(), ("spread", "mistakes"))
    assert table.index.to_list() == [
        (outcome, level) for outcome in ("spread", "mistakes") for level in ("1.2", "1.4", "hard")
    ]
    assert table["estimate"].between(0.3, 3).all()


def test_one_value_alone_asks_nothing() -> None:
    data = season()
    assert not len(rows(replace(data, runs=data.runs.assign(track_temp=31.0))))
    nowhere = data.runs["team"] & (data.runs["meeting"] != "meeting 1")
    assert not len(rows(replace(data, runs=data.runs.assign(
        track_temp=data.runs["track_temp"].mask(nowhere))
    )))  # fmt: skip


def test_runs_whose_number_is_not_known_tell_the_effect_and_not_its_gradient() -> None:
    data = season()
    gone = data.runs["meeting"] == "meeting 0"
    less = rows(replace(data, runs=data.runs.assign(track_temp=data.runs["track_temp"].mask(gone))))
    row = less.loc[("pace", "1.4")]
    assert row["std_error"] > found().loc[("pace", "1.4"), "std_error"]
    assert row["ci_low"] < PER_STEP * 15 / 4 / 5 < row["ci_high"]


def test_a_level_that_was_tried_at_one_value_has_no_number_but_a_sentence() -> None:
    """Tried at one meeting, and fitted throughout another: run at two values, told at one."""
    data = season()
    bar = data.runs["bar"].where(data.runs["bar"] != "1.4", "1.3")
    tried = data.runs["meeting"] == "meeting 0"
    bar = bar.mask(tried, data.runs["bar"])
    bar = bar.mask(data.runs["team"] & (data.runs["meeting"] == "meeting 4"), "1.4")
    one = estimate(replace(data, runs=data.runs.assign(bar=bar)), ["pace"])
    table = one.effects_table().query("condition == 'track_temp per step' and level == '1.4'")
    assert table["estimate"].isna().all()
    assert table["verdict"].to_list() == ["not enough runs"]
    (standing,) = [
        s for s in one.standings
        if s.condition == "track_temp per step" and s.contrast.level == "1.4"
    ]  # fmt: skip
    assert standing.sentence == (
        "told at too few values of track temperature: how it changes with track temperature "
        "cannot be told"
    )


def test_a_column_of_numbers_in_a_frame_is_a_condition() -> None:
    data = season()
    runs, laps = frames(data)
    every = pipeline.analyse(runs, laps, dicts(data.factors), outcomes=["pace"])
    own = every.effects.query("condition == 'track_temp per step'").set_index(["outcome", "level"])
    np.testing.assert_allclose(own["estimate"], found()["estimate"], rtol=1e-3, atol=1e-5)
    assert not any("not used" in note for note in every.notes)
    assert "track_temp" in every.runs
    named = pipeline.analyse(
        runs, laps, dicts(data.factors), outcomes=["pace"], conditions=["track_temp"]
    )
    assert set(named.effects["condition"]) == {"all", "track_temp per step"}
    none = pipeline.analyse(runs, laps, dicts(data.factors), outcomes=["pace"], conditions=[])
    assert set(none.effects["condition"]) == {"all"}
    assert "runs: column 'track_temp' is not used" in none.notes


def test_a_column_of_words_is_no_condition() -> None:
    data = season()
    runs, laps = frames(data)
    runs["track_temp"] = "warm"
    found = pipeline.analyse(runs, laps, dicts(data.factors), outcomes=[])
    assert "runs: column 'track_temp' is not used" in found.notes
    with pytest.raises(pipeline.UserError, match="what was handed in") as caught:
        pipeline.analyse(runs, laps, dicts(data.factors), conditions=["track_temp"])
    assert "'warm' in row 0" in str(caught.value.problems[0])


def test_the_runs_say_where_they_stand_on_the_axis_of_grip() -> None:
    words = np.array(["low", "medium", "high", None, "low"], dtype=object)
    data = season()
    grip = words[data.runs["meeting"].str[-1].astype(int)]
    data = replace(data, runs=data.runs.assign(grip=grip).astype({"grip": "str"}))
    runs = estimate(data, ["pace"], []).runs_table()
    at = runs.groupby("meeting")["grip_position"].unique().map(lambda cells: float(cells[0]))
    assert at.to_list() == pytest.approx([-1, 0, 1, np.nan, -1], nan_ok=True)
