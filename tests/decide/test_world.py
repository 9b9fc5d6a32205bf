"""The generator: what its seasons hold is what its truth says."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.decide.season import gained, season
from tests.decide.world import WORDS, Factor, World, draw

# Enough runs, and little noise, that plain least squares sees each effect within 0.005 s.
CLEAR = {"run_sd": 0.002, "steps_per_second": 0.0, "team": 12, "field": 12, "toggles": 0.45}


def clear(number: int) -> World:
    world = draw(number, 5)
    return draw(
        number, 5, **CLEAR, lap_sd=np.full(12, 0.01), rates=np.full(12, 1e-9), skills=np.zeros(12),
        by_driver=np.zeros((len(world.factors), 12)), by_meeting=0 * world.by_meeting,
    )  # fmt: skip


def least_squares(world: World, word: str) -> dict[str, np.ndarray]:
    """(values,) s a lap of each factor's values against its reference, at one grip word."""
    data = season(world, 5)
    table, laps = data.table, data.laps
    mean = laps[laps["lap"] > 1].groupby("run")["lap_s"].mean()
    here = table["word"].eq(word)
    owner = table["driver_no"].astype(str) + table["place"].astype(str)
    hour = pd.get_dummies(table["place"].astype(str) + table["turn"].astype(str)).astype(float)
    columns = [pd.get_dummies(owner).astype(float), hour]
    for factor in world.factors:
        columns.append(
            pd.get_dummies(table[factor.name]).astype(float).drop(columns=factor.reference)
        )
    design = np.hstack([block[here] for block in columns])
    solved = np.linalg.lstsq(design, mean[here], rcond=None)[0]
    found, at = {}, columns[0].shape[1] + columns[1].shape[1]
    for factor in world.factors:
        count = len(factor.values)
        found[factor.name] = np.insert(solved[at : at + count - 1], factor.reference, 0.0)
        at += count - 1
    return found


@pytest.mark.parametrize("word", WORDS)
def test_the_laps_hold_the_effects(word: str) -> None:
    world = clear(1)
    found = least_squares(world, word)
    for factor in world.factors:
        pace = factor.pace[WORDS.index(word)]
        assert found[factor.name] == pytest.approx(pace - pace[factor.reference], abs=0.012)


def test_gains_of_a_race_are_those_of_races_driven() -> None:
    world = draw(3, 5, meeting_sd=0.0)
    mistakes = next(factor for factor in world.factors if factor.role == "mistakes")
    said = world.next_gains(mistakes.name, "low", 0)[0]
    rng = np.random.default_rng(1)
    rate = world.rates[0] * np.exp(mistakes.log_rate)
    hits = rng.poisson(rate * world.race_laps, (200_000, 2))
    own = world.by_driver[list(world.factors).index(mistakes), 0] * mistakes.lever
    lost = hits.mean(axis=0) * world.mean_loss + world.race_laps * own
    assert said == pytest.approx(lost[0] - lost, abs=0.05)


def test_drawn_meetings_spread_as_they_are_said_to() -> None:
    world = draw(4, 5, meeting_sd=0.05)
    name = next(factor.name for factor in world.factors if factor.role == "helps")
    spread = world.next_gains(name, "high", None)[:, 1].std() / world.race_laps
    assert spread == pytest.approx(0.05, rel=0.12)


@pytest.mark.parametrize("number", range(6))
def test_the_true_switch_over_is_where_both_are_equal(number: int) -> None:
    world = draw(number, 6)
    row, factor = next((r, f) for r, f in enumerate(world.factors) if f.role == "crossing")
    at = world.switch_over(factor.name)
    own = world.by_driver[row].mean()
    assert factor.pace_at(np.array([at]))[0, 1] + own == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("number", range(6))
def test_the_true_best_value_is_the_fastest(number: int) -> None:
    world = draw(number, 6, driver_sd=0.0, by_driver=np.zeros((6, 6)))
    factor: Factor = next(f for f in world.factors if f.role == "curved")
    best, values = world.best_value(factor.name), np.array(factor.values)
    nearest = int(np.abs(values - best).argmin())
    assert values[0] < best < values[-1]
    assert nearest == factor.pace[0].argmin()


def test_grip_of_a_day_is_measured_from_its_mean_and_rises() -> None:
    world = draw(7, 6)
    hours = np.linspace(9, 17, 400)
    for place, gain in enumerate(world.gains):
        curve = gained(world, place, hours)
        assert curve.mean() == pytest.approx(0, abs=0.01)
        assert (np.diff(curve) > 0).all()
        assert curve[-1] - curve[0] == pytest.approx(gain)


def test_a_smaller_size_changes_the_effects_alone() -> None:
    full, half = draw(2, 7), draw(2, 7, "half")
    assert (half.run_sd, half.words, half.toggles) == (full.run_sd, full.words, full.toggles)
    assert (half.by_meeting == full.by_meeting).all()
    for ours, theirs in zip(half.factors, full.factors, strict=True):
        assert (ours.name, ours.values) == (theirs.name, theirs.values)
        assert ours.pace == pytest.approx(theirs.pace / 2)
