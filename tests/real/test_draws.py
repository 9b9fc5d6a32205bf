"""Labels by lot, effects that are added, and what people do with such laps."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.real import made_up
from tests.real.draws import (
    FADE_S,
    PACE_S,
    RACE_S,
    ROWS,
    SPREAD,
    Draw,
    Row,
    added,
    draw,
    records,
    truth,
    unflagged,
)
from tests.real.naive import best_laps_compared, t_test_on_laps
from tests.real.races import Races, races_of


@pytest.fixture(scope="module")
def races() -> Races:
    return races_of(made_up.table(meetings=4))


THREE = Row(3, 4)


def world(races: Races, seed: int = 2, row: Row = THREE) -> Draw:
    return draw(races, row, np.random.default_rng(seed))


def test_a_draw_is_its_seeds_alone(races: Races) -> None:
    one, two, other = (world(races, seed) for seed in (2, 2, 3))
    pd.testing.assert_frame_equal(one.runs, two.runs)
    assert not one.runs.equals(other.runs)
    assert one.runs["meeting"].nunique() == 3
    assert one.runs.loc[one.runs["team"], "driver"].nunique() == 4
    assert one.runs.loc[~one.runs["team"], "label"].isna().all()
    assert set(one.runs.loc[one.runs["team"], "label"]) == {"A", "B"}


@pytest.mark.parametrize(("which", "expected"), [("fastest", [1, 2]), ("slowest", [7, 8])])
def test_the_fastest_and_the_slowest(which: str, expected: list[int], races: Races) -> None:
    team = world(races, row=Row(4, 2, which)).runs.query("team")["driver"].unique()
    assert sorted(team) == [f"Driver {number:02d}" for number in expected]


@pytest.mark.parametrize("up", [True, False])
def test_pace_and_fade_are_added_to_the_laps_at_b(up: bool, races: Races) -> None:
    given, chance = world(races), np.random.default_rng(1)
    sign = 1 if up else -1
    gain = added(given, "pace", up, chance).laps["lap_s"] - given.laps["lap_s"]
    np.testing.assert_allclose(gain, np.where(given.changed, sign * PACE_S, 0), atol=1e-9)
    fade = added(given, "fade", up, chance).laps.assign(old=given.laps["lap_s"])
    for run, laps in fade.groupby("run"):
        slope = np.polyfit(laps["lap"], laps["lap_s"] - laps["old"], 1)[0] if len(laps) > 1 else 0
        label = given.runs["label"].iloc[run]
        assert slope == pytest.approx(sign * FADE_S if label == "B" else 0, abs=1e-9)
        assert (laps["lap_s"] - laps["old"]).mean() == pytest.approx(0, abs=1e-9)


def test_spread_is_wider_about_the_same_line(races: Races) -> None:
    given = world(races)
    wider = added(given, "spread", True, np.random.default_rng(1)).laps.assign(
        old=given.laps["lap_s"], b=given.changed
    )
    assert (wider["lap_s"] == wider["old"])[~wider["b"]].all()
    usual = wider.groupby("run")["old"].transform("median")
    ordinary = wider[wider["b"] & (np.abs(wider["old"] / usual - 1) < 0.03)]
    for _, laps in ordinary.groupby("run"):
        if len(laps) > 4:
            rest = [laps[c] - np.polyval(np.polyfit(laps["lap"], laps[c], 1), laps["lap"])
                    for c in ("lap_s", "old")]  # fmt: skip
            assert rest[0].std() / rest[1].std() == pytest.approx(SPREAD, rel=0.01)


def test_mistakes_are_halved_on_the_other_side(races: Races) -> None:
    given, chance = world(races, row=Row(4, 8)), np.random.default_rng(1)
    slow = given.laps.assign(
        lap_s=given.laps["lap_s"] + 9.0 * (chance.random(len(given.laps)) < 0.2)
    )
    given = Draw(given.runs, slow)
    usual = given.laps.groupby("run")["lap_s"].transform("median")
    for up in (True, False):
        after = added(given, "mistakes", up, chance).laps["lap_s"]
        gone = (given.laps["lap_s"] > 1.07 * usual) & (after < 1.01 * usual)
        for side in (True, False):
            rows = (given.changed == side) & (given.laps["lap"] > 1)
            share = gone[rows].sum() / (given.laps["lap_s"] > 1.07 * usual)[rows].sum()
            assert share == pytest.approx(0 if side == up else 0.5, abs=0.15)


def test_the_truth_of_each_outcome(races: Races) -> None:
    given = world(races)
    assert truth(given, "pace", "nothing", True) == 0
    assert truth(given, "spread", "pace", True) == 1
    assert truth(given, "spread", "spread", False) == 1 / SPREAD
    laps = RACE_S / given.laps["lap_s"].median()
    assert truth(given, "race", "pace", False) == pytest.approx(-PACE_S * laps)


def test_flags_take_laps_out(races: Races) -> None:
    given = world(races)
    left = unflagged(given).laps
    assert set(left["flag"]) == {"green"}
    assert len(left) == (given.laps["flag"] == "green").sum()


def test_a_t_test_on_laps_finds_what_is_not_there(races: Races) -> None:
    worlds = [world(races, seed) for seed in range(60)]
    found = np.mean([t_test_on_laps(each) < 0.05 for each in worlds])
    assert found > 0.3
    best = np.mean([best_laps_compared(each) < 0.05 for each in worlds])
    assert best < 0.2
    sure = added(worlds[0], "pace", True, np.random.default_rng(1))
    big = Draw(sure.runs, sure.laps.assign(lap_s=sure.laps["lap_s"] + 3 * sure.changed))
    assert t_test_on_laps(big) < 1e-6 and best_laps_compared(big) < 0.01


def test_one_draw_looks_at_everything(races: Races) -> None:
    found = pd.DataFrame(records(races, Row(3, 4), 1, 0))
    assert found.groupby("effect")["outcome"].apply(list).to_dict() == {
        "nothing": ["pace", "spread", "mistakes", "fade", "race"],
        "pace": ["pace", "race"],
        "spread": ["spread"],
    }
    assert (found["failure"] == "").all()
    assert found["estimate"].notna().all()
    assert found["ci_low"].lt(found["ci_high"]).all()
    again = pd.DataFrame(records(races, Row(3, 4), 1, 0))
    pd.testing.assert_frame_equal(found, again)


def test_rows_have_names_of_their_own() -> None:
    assert len({row.name for row in ROWS}) == len(ROWS)
    assert ROWS[0].name == "1 meeting, 10 cars"
    assert Row(6, 4, "slowest").name == "6 meetings, 4 slowest cars"
