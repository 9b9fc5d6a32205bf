"""What options do in the world: consequences of the mechanism, none of them written in it."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.simulate.car import SetupFactor
from pipeline.simulate.truth import both_worlds, compare, truth
from pipeline.simulate.world import run
from tests.simulate.worlds import all_at, day, kit


def effect(world, factor, level, reference, draws=8, **more):
    return truth(world, kit(world), factor, level, reference, draws, **more)


@pytest.mark.parametrize(
    ("factor", "soft", "reference"),
    [("centre_brace", "removed", "fitted"), ("front_spring", "soft", "medium")],
)
def test_a_softer_car_gains_in_low_grip_and_loses_repeatability(factor, soft, reference):
    # Common practice, no source.
    low, high = (effect(day(grip), factor, soft, reference) for grip in ("low", "high"))
    assert low["pace"].estimate < -3 * low["pace"].std_error < 0
    assert high["pace"].estimate > 3 * high["pace"].std_error > 0
    for found in (low, high):
        assert found["spread"].estimate > np.exp(3 * found["spread"].std_error)
        assert found["mistakes"].estimate > np.exp(2 * found["mistakes"].std_error)


def test_a_stiffer_car_is_the_reverse():
    # Common practice, no source.
    low, high = (effect(day(grip), "rear_bar", "1.4", "1.3") for grip in ("low", "high"))
    assert low["pace"].estimate > 3 * low["pace"].std_error
    assert high["pace"].estimate < -3 * high["pace"].std_error
    assert low["spread"].estimate < np.exp(-3 * low["spread"].std_error)
    assert high["spread"].estimate < np.exp(-3 * high["spread"].std_error)


TURN = SetupFactor("turn", "How readily the car turns", "number", "0", per_unit={"rotation": 1.0})


def test_the_quickest_over_a_lap_is_not_the_quickest_over_five_minutes():
    # Common practice, no source. The more a car turns, the quicker up to a point, and the wilder.
    world = replace(day("medium", drivers=12, team=12), factors={"turn": TURN})
    steps = ["0.4", "0.8", "1.2", "1.6", "2.0"]
    pairs = both_worlds(world, kit(world), [("turn", step, "0") for step in steps], 8)
    found = [compare(world, pair) for pair in pairs]
    quickest = {
        outcome: int(np.argmin([0.0, *(effects[outcome].estimate for effects in found)]))
        for outcome in ("pace", "race")
    }
    assert 0 < quickest["race"] < quickest["pace"]


def test_what_twitches_costs_a_club_driver_more_than_a_good_one():
    world = day(drivers=12, team=12)
    skill = np.array([driver.skill for driver in world.drivers])
    middle = np.median(skill)
    good = effect(world, "rear_toe", "2.5", "3.0", where=lambda w, r: skill[r.driver] < middle)
    club = effect(world, "rear_toe", "2.5", "3.0", where=lambda w, r: skill[r.driver] > middle)
    assert club["spread"].estimate > good["spread"].estimate
    assert club["race"].estimate > good["race"].estimate


def test_a_part_that_does_nothing_has_exactly_no_effect():
    found = effect(day(), "screws", "alloy", "steel")
    assert {o: f.estimate for o, f in found.items()} == {
        "pace": 0.0,
        "spread": 1.0,
        "mistakes": 1.0,
        "fade": 0.0,
        "race": 0.0,
    }


def test_turning_the_contrast_round_turns_the_effect_round():
    world = day()
    there = effect(world, "body", "wedge", "round")
    back = effect(world, "body", "round", "wedge")
    assert back["pace"].estimate == pytest.approx(-there["pace"].estimate)
    assert back["spread"].estimate == pytest.approx(1 / there["spread"].estimate)
    assert back["mistakes"].estimate == pytest.approx(1 / there["mistakes"].estimate)


def test_same_chance_in_both_worlds_makes_the_truth_exact():
    world = day()
    paired = effect(world, "body", "wedge", "round", draws=8)["pace"].std_error
    team = list(world.team_runs)
    means = []
    for body in ("wedge", "round"):
        laps = run(world, all_at(world, body=body), 8)
        means.append(np.nanmean(np.where(laps.clean, laps.lap_s, np.nan)[:, team], axis=(1, 2)))
    unpaired = np.sqrt(sum(mean.var(ddof=1) for mean in means) / 8)
    assert paired < unpaired / 2


def test_more_draws_make_the_truth_surer():
    world = day(drivers=10)
    few, many = (effect(world, "rear_toe", "2.5", "3.0", draws)["pace"] for draws in (4, 64))
    assert many.std_error < few.std_error
    assert abs(few.estimate - many.estimate) < 4 * (few.std_error + many.std_error)


def test_a_number_is_a_slope_from_each_runs_own_value():
    world = day()
    settings = {r: {"tyre_runs": str(world.runs[r].run_no - 1)} for r in world.team_runs}
    old = truth(world, settings, "tyre_runs", "+1", "0", 8)
    new = truth(world, kit(world), "tyre_runs", "+1", "0", 8)
    # A set is best for some runs, then goes off (common practice, no source).
    assert new["pace"].estimate < 0 < old["pace"].estimate


def test_a_condition_without_runs_has_no_truth():
    with pytest.raises(ValueError, match="no run"):
        effect(day(drivers=10), "body", "wedge", "round", draws=2, where=lambda w, r: False)
