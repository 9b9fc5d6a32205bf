import numpy as np

from pipeline.simulate.trials import WELL_MIXED, Trial, settings_of, usual_trials
from tests.simulate.worlds import day


def by_run(world, settings, driver):
    return [settings[r] for r in world.team_runs if world.runs[r].driver == driver]


def test_a_pattern_says_what_is_on_the_car_in_each_run():
    world = day(drivers=10, team=2)
    trial = Trial(0, 1, {"body": ("round", "wedge"), "screws": ("steel", "alloy")}, "abba")
    settings = settings_of(world, [trial])
    bodies = [car["body"] for car in by_run(world, settings, 1)]
    assert bodies == ["round", "wedge", "wedge", "round"] * 2
    assert [car["screws"] == "alloy" for car in by_run(world, settings, 1)] == [
        body == "wedge" for body in bodies
    ]
    assert {car["body"] for car in by_run(world, settings, 0)} == {"round"}


def test_a_tyre_set_ages_run_by_run_and_is_laid_aside():
    world = day(drivers=10, team=1)
    ages = [int(car["tyre_runs"]) for car in by_run(world, settings_of(world, [], {0: 3}), 0)]
    assert ages == [0, 1, 2, 0, 1, 2, 0, 1]


def test_good_patterns_try_both_sides_as_often_before_and_after_lunch():
    for pattern in WELL_MIXED:
        assert pattern.count("a") == pattern.count("b") == 4
        assert pattern[:4].count("b") == 2


def test_every_factor_has_its_turn_and_those_of_a_pair_go_the_same_way():
    world = day(drivers=20, team=9)
    trials = usual_trials(world, np.random.default_rng(1), ("front_spring", "front_oil"))
    tried = [name for trial in trials for name in trial.levels]
    assert {name: tried.count(name) for name in world.factors if name != "tyre_runs"} == {
        name: tried.count(name) for name in set(tried)
    }
    assert max(tried.count(n) for n in set(tried)) - min(tried.count(n) for n in set(tried)) <= 1
    for trial in trials:
        if "front_oil" in trial.levels:
            pair = (trial.levels["front_spring"][1], trial.levels["front_oil"][1])
            assert pair in {("soft", "350"), ("hard", "450")}


def test_a_driver_never_tries_a_factor_twice_at_once():
    world = day(drivers=20, team=10)
    trials = usual_trials(world, np.random.default_rng(2))
    for driver in range(10):
        tried = [name for t in trials if t.driver == driver for name in t.levels]
        assert len(tried) == len(set(tried)) == 2
