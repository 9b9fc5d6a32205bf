"""The truths against worlds large or quiet enough to see them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.worlds.parameters import Effect, Factor, Parameters
from tests.worlds.world import World, world

QUIET: dict[str, Any] = {
    "lap_sd": 1e-9, "run_sd_team": 0.0, "run_sd_rivals": 0.0, "run_spread_sd": 0.0,
    "grip_shape": "none", "kind_sd": 0.0, "come_in_s": 0.0, "fade_s": 0.0, "fade_sd": 0.0,
    "incident_rate": 0.0, "traffic_rate": 0.0, "rivals": 0, "pool": 0, "runs": 12,
    "status_column": True,
}  # fmt: skip


def one(effect: Effect, **more: Any) -> Factor:
    settings = {"name": "part_a", "kind": "category", "levels": ("A", "B"), "reference": 0}
    return Factor(**{**settings, "effects": (effect,), **more})


def truth_of(made: World, outcome: str, column: str = "truth_these", **at: str) -> float:
    wanted = {"factor": "part_a", "condition": "all", "driver": "", **at, "outcome": outcome}
    table = made.truth
    for name, value in wanted.items():
        table = table[table[name].eq(value)]
    assert len(table) == 1, wanted
    return float(table[column].iloc[0])


def run_table(made: World) -> pd.DataFrame:
    """The team's runs with mean and slope of their clean laps."""
    clean = made.laps[made.laps["status"].eq("clean")]
    means = clean.groupby("run")["lap_s"].mean()
    slopes = clean.groupby("run")[["lap", "lap_s"]].apply(
        lambda laps: np.polyfit(laps["lap"], laps["lap_s"], 1)[0]
    )
    return made.runs.assign(mean_s=means, slope=slopes)[made.runs["team"]]


def differences(runs: pd.DataFrame, value: str, level: str = "B", base: str = "A") -> pd.Series:
    """Level less reference, for each driver at each meeting who ran both."""
    means = runs.groupby(["meeting", "driver", "part_a"])[value].mean().unstack()
    return (means[level] - means[base]).dropna()


def meeting_mean(each: pd.Series) -> float:
    """Drivers alike in a meeting, meetings alike."""
    return float(each.groupby("meeting").mean().mean())


VARYING = Parameters(
    factors=(one(Effect(pace=0.08, pace_by_grip=0.05)),),
    **{**QUIET, "meetings": 5, "attendance": 0.8, "missing": 0.1},
    meeting_sd=0.05,
    driver_effect_sd=0.05,
    grip_words=(0.3, 0.3, 0.4),
    surfaces=2,
)


@pytest.mark.parametrize("seed", range(5))
def test_pace_is_the_difference_of_means_where_nothing_else_moves(seed: int) -> None:
    made = world(VARYING, np.random.default_rng(seed))
    runs = run_table(made)
    each = differences(runs, "mean_s")
    assert truth_of(made, "pace") == pytest.approx(meeting_mean(each), abs=1e-3)
    for car, own in each.groupby("driver"):
        assert truth_of(made, "pace", driver=str(car)) == pytest.approx(own.mean(), abs=1e-3)
    for column in ("grip", "surface"):
        for word, part in runs.groupby(column) if runs[column].nunique() > 1 else ():
            found = meeting_mean(differences(part, "mean_s"))
            there = truth_of(made, "pace", condition=f"{column}={word}")
            assert there == pytest.approx(found, abs=1e-3)


def test_the_next_meeting_is_the_mean_of_many() -> None:
    p = replace(VARYING, meetings=300, cars=2, driver_effect_sd=0.0, attendance=1.0)
    made = world(p, np.random.default_rng(1))
    # SD of a meeting's effect: between meetings 0.05 and by word 0.05 x 0.83; over 300 of them.
    assert truth_of(made, "pace") == pytest.approx(truth_of(made, "pace", "truth_next"), abs=0.012)
    assert truth_of(made, "pace", "truth_next") == pytest.approx(0.08 + 0.05 * 0.1)
    assert truth_of(made, "pace", condition="grip per step") == pytest.approx(0.05)
    words = made.runs.drop_duplicates("meeting")["grip"].map({"low": -1, "medium": 0, "high": 1})
    mix = 0.08 + 0.05 * words.mean()
    assert truth_of(made, "pace", "truth_mix") == pytest.approx(mix, abs=1e-6)


def test_the_race_s_slope_is_the_difference_between_grips() -> None:
    effect = Effect(pace=0.08, pace_by_grip=0.05, mistakes=0.3, mistakes_by_grip=0.1)
    settings = {**QUIET, "meetings": 6, "words_in_turn": True, "grip_words": (0.5, 0.25, 0.25)}
    p = Parameters(factors=(one(effect),), **{**settings, "incident_rate": 0.05})
    made = world(replace(p, incident_driver_sd=0.0), np.random.default_rng(3))
    races = [truth_of(made, "race", condition=f"grip={word}") for word in ("low", "high")]
    slope = truth_of(made, "race", condition="grip per step")
    assert slope == pytest.approx((races[1] - races[0]) / 2, rel=0.01)


def test_the_joint_effect_counts_where_the_other_part_was_on() -> None:
    leader = one(Effect(), name="part_b")
    second = one(Effect(pace=0.08), crossing="only at")
    p = Parameters(factors=(leader, second), interaction=-0.1, **QUIET)
    made = world(p, np.random.default_rng(2))
    assert truth_of(made, "pace") == pytest.approx(-0.02)
    runs = run_table(made)
    with_leader = runs[runs["part_b"].eq("B")]
    assert meeting_mean(differences(with_leader, "mean_s")) == pytest.approx(-0.02, abs=1e-3)


def test_a_crossed_joint_effect_is_weighted_by_comparisons() -> None:
    factors = (one(Effect(pace=0.08)), one(Effect(), name="part_b"))
    p = Parameters(factors=factors, interaction=0.1, cars=1, **QUIET)
    made = world(p, np.random.default_rng(3))
    runs = run_table(made)
    # A regression with both main effects weights the strata as n1 n0 / (n1 + n0) does.
    counts = runs.groupby(["part_b", "part_a"]).size().unstack(fill_value=0)
    weight = counts["A"] * counts["B"] / (counts["A"] + counts["B"])
    share = weight["B"] / weight.sum()
    design = np.column_stack([np.ones(len(runs)), runs["part_a"].eq("B"), runs["part_b"].eq("B")])
    fitted = np.linalg.lstsq(design.astype(float), runs["mean_s"].to_numpy(), rcond=None)[0]
    assert truth_of(made, "pace") == pytest.approx(0.08 + 0.1 * share)
    assert truth_of(made, "pace") == pytest.approx(fitted[1], abs=1e-3)


def test_a_number_is_told_by_its_step() -> None:
    values = ("1.0", "1.2", "1.4")
    factor = one(Effect(pace=0.03, fade=0.002), kind="number", levels=values, step=0.2)
    made = world(Parameters(factors=(factor,), **QUIET), np.random.default_rng(4))
    assert truth_of(made, "pace", level="+0.2") == pytest.approx(0.03)
    assert truth_of(made, "fade", level="+0.2") == pytest.approx(0.002)
    runs = run_table(made)
    own = runs["mean_s"] - runs.groupby("driver")["mean_s"].transform("mean")
    x = runs["part_a"] - runs.groupby("driver")["part_a"].transform("mean")
    assert 0.2 * (x @ own) / (x @ x) == pytest.approx(0.03, abs=2e-3)


def test_without_a_step_the_smallest_that_was_run_twice_counts() -> None:
    values = ("1.0", "1.5", "2.0")
    factor = one(
        Effect(pace=0.03), kind="number", levels=values, step=0.5, step_given=False, order="finals"
    )
    made = world(Parameters(factors=(factor,), **QUIET), np.random.default_rng(6))
    found = np.sort(made.runs["part_a"].dropna().unique())
    step = float(np.diff(found).min())
    assert "step" not in made.factors[0]
    assert truth_of(made, "pace", level=f"+{step:g}") == pytest.approx(0.03 * step / 0.5)


def test_fade_is_the_difference_of_slopes() -> None:
    p = Parameters(factors=(one(Effect(fade=0.01)),), **QUIET)
    made = world(p, np.random.default_rng(5))
    runs = run_table(made)
    assert truth_of(made, "fade") == pytest.approx(
        meeting_mean(differences(runs, "slope")), abs=1e-4
    )
    # Runs are one lap shorter at times, so that their middle moves by half a lap.
    assert meeting_mean(differences(runs, "mean_s")) == pytest.approx(0.0, abs=0.003)


LARGE: dict[str, Any] = {**QUIET, "meetings": 12, "cars": 8, "laps": 40, "status_column": True}


def test_spread_is_the_ratio_of_lap_sd() -> None:
    p = Parameters(factors=(one(Effect(spread=0.25)),), **{**LARGE, "lap_sd": 0.2, "tails": "t"})
    made = world(p, np.random.default_rng(6))
    laps = made.laps[made.laps["status"].eq("clean")]
    away = laps["lap_s"] - laps.groupby("run")["lap_s"].transform("mean")
    within = made.runs.loc[laps["run"], ["meeting", "driver", "part_a"]].reset_index(drop=True)
    logs = np.log(away.reset_index(drop=True).groupby([within[c] for c in within]).std()).unstack()
    # 96 pairs of some 220 laps of Student's t: error of the mean log ratio about 0.01.
    assert (logs["B"] - logs["A"]).mean() == pytest.approx(0.25, abs=0.04)
    assert truth_of(made, "spread") == pytest.approx(np.exp(0.25))


def test_mistakes_and_race_are_what_incidents_cost() -> None:
    effect = Effect(pace=0.1, mistakes=np.log(2), fade=0.002)
    settings = {**LARGE, "incident_rate": 0.06, "small_share": 0.4, "after_s": 0.5}
    settings |= {"incident_run_sd": 0.3, "incident_driver_sd": 0.4, "incident_day_fall": 0.5}
    p = Parameters(factors=(one(effect),), race_seconds=300.0, **settings)
    made = world(p, np.random.default_rng(7))
    runs = made.runs.reset_index(drop=True)
    of_lap = runs.loc[made.laps["run"]].reset_index(drop=True)
    level, driver = of_lap["part_a"], of_lap["meeting"] + of_lap["driver"]
    laps = made.laps.assign(level=level, entry=driver, hit=made.laps["status"].eq("incident"))
    laps = laps[laps["lap"] > 1]
    counts = laps.groupby("level")["hit"].agg(["sum", "size"])
    rate = counts["sum"] / counts["size"]
    ratio, error = rate["B"] / rate["A"], np.sqrt((1 / counts["sum"]).sum())
    assert np.log(truth_of(made, "mistakes")) == pytest.approx(np.log(ratio), abs=4 * error)

    net = laps["lap_s"] - laps.groupby("entry")["lap_s"].transform("mean")
    cells = net.groupby(laps["level"]).agg(["mean", "var", "size"])
    found = cells["mean"]["B"] - cells["mean"]["A"]
    error = np.sqrt((cells["var"] / cells["size"]).sum())
    race_laps = 300.0 / laps["lap_s"].median()
    fade = 0.002 * (race_laps - 40) / 2  # over the laps of a race, not of a run
    assert truth_of(made, "race") == pytest.approx(
        race_laps * (found + fade), rel=0.03, abs=4 * race_laps * error
    )


def test_unseen_incidents_are_told() -> None:
    p = Parameters(
        factors=(one(Effect(mistakes=np.log(2.5))),), incident_rate=0.06, small_share=1.0
    )
    made = world(replace(p, incident_driver_sd=0.0), np.random.default_rng(8))
    unseen = made.truth.query("outcome == 'pace' and driver == ''")["unseen_s"].iloc[0]
    losses = np.random.default_rng(0).exponential(1.5, 200_000)
    assert unseen == pytest.approx(0.06 * 1.5 * np.mean(losses * (losses < 1.3)), rel=0.02)
