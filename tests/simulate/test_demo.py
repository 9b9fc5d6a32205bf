"""The demo team: what is committed is what its command writes, and it has what a demo needs."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.simulate.demo import demo_season
from pipeline.simulate.folder import write_season
from pipeline.team.folder import load_team
from tests.simulate.test_folder import contents

COMMITTED = Path(__file__).parents[2] / "data_demo"
FOUND = ("store", "reports")  # made in it by whoever tries the demo in place


@pytest.fixture(scope="module")
def season():
    return demo_season()


@pytest.fixture(scope="module")
def written(season, tmp_path_factory):
    out = tmp_path_factory.mktemp("demo")
    write_season(season, out)
    return out


def test_the_committed_bytes_are_those_of_the_command(written):
    committed = {
        name: content
        for name, content in contents(COMMITTED).items()
        if name.split("/")[0] not in FOUND
    }
    made = contents(written)
    assert sorted(committed) == sorted(made)
    assert [name for name in made if committed[name] != made[name]] == []


def test_it_is_small_enough(written):
    assert sum(len(content) for content in contents(written).values()) < 3_000_000


def test_it_passes_every_check(written):
    team = load_team(written)
    assert team.warnings == ()
    assert len(team.team_drivers) == 5
    assert len(team.meetings) == 7
    assert set(team.meetings["surface"]) == {"carpet", "asphalt"}
    assert set(team.meetings["grip"]) == {"low", "medium", "high"}
    assert {factor.kind for factor in team.factors} == {"category", "ordered", "number"}
    assert 3 <= len(team.claims) <= 5
    assert [feel.name for feel in team.feels] == ["rear_grip", "steering"]
    assert sum(team.sessions["exclude"] != "") == 1
    assert 0 < sum(team.shares(driver) for driver in team.team_drivers) < 5


def test_it_comes_in_all_layouts_and_several_dialects(season):
    assert {style.layout for style in season.styles} == {"laps", "passings", "grid"}
    assert len({style.encoding for style in season.styles}) >= 4
    assert {style.delimiter for style in season.styles} == {",", ";", "\t"}
    assert {style.decimal for style in season.styles} == {".", ","}


def test_one_meeting_has_two_days_and_one_driver_races_two_classes(season):
    assert sorted(len(meeting.dates) for meeting in season.world.meetings)[-1] == 2
    both = [driver.name for driver in season.world.drivers if len(driver.classes) == 2]
    assert both == [season.world.drivers[1].name]


def team_values(season, name):
    return np.array([season.settings[r][name] for r in season.world.team_runs])


def test_two_factors_always_change_together(season):
    spring, oil = team_values(season, "front_spring"), team_values(season, "front_oil")
    assert (spring == "soft").sum() > 8
    np.testing.assert_array_equal(spring == "soft", oil == "350")


def test_one_factor_is_only_tried_after_lunch(season):
    runs = [season.world.runs[r] for r in season.world.team_runs]
    height = team_values(season, "ride_height")
    starts = [season.world.heat(run).start for run, mm in zip(runs, height, strict=True)
              if mm != "5.2"]  # fmt: skip
    assert starts and min(starts) > 11.5


def test_nobody_bears_the_name_of_another(season):
    names = [driver.name for driver in season.world.drivers]
    numbers = [n for driver in season.world.drivers for n in driver.transponders.values()]
    assert len(set(names)) == len(names)
    assert len(set(numbers)) == len(numbers)


def test_the_lent_transponder_is_raced_by_one_driver_at_a_time(season):
    name, lent = season.numbers[1][:2]
    owner = next(
        d for d, one in enumerate(season.world.drivers) if lent in one.transponders.values()
    )
    borrowed = next(m for m, style in enumerate(season.styles) if style.numbers.get(name) == lent)
    assert not any(run.driver == owner and run.meeting == borrowed for run in season.world.runs)


def test_the_rain_falls_in_the_session_that_is_left_out_and_no_other(season):
    wet = set()
    for meeting in season.world.meetings:
        for session in meeting.sessions:
            hours = np.array([heat.start for heat in session.heats])
            if meeting.weather[session.day].wet(hours).any():
                wet.add((meeting.name, session.name))
    assert wet == set(season.excluded)


def test_the_team_lists_some_rivals_and_the_one_who_is_spelt_otherwise(season, written):
    drivers = load_team(written).drivers
    rivals = set(drivers.loc[~drivers["team"], "driver"])
    spelt = {name for style in season.styles for name in style.spelling}
    members = {driver.name for driver in season.world.drivers if driver.team}
    assert 5 < len(rivals) < 20
    assert spelt - members <= rivals


def test_what_was_felt_moves_no_draw_of_the_rest(season, written, tmp_path):
    """The same bytes of everything else, but for the questions in team.toml."""
    write_season(replace(season, feels=()), tmp_path)
    without, with_feels = contents(tmp_path), contents(written)
    assert set(with_feels) - set(without) == {"feel.csv"}
    assert {name for name in without if without[name] != with_feels[name]} == {"team.toml"}


def test_drivers_score_by_scales_of_their_own(written):
    scores = pd.read_csv(written / "feel.csv")
    assert set(scores["class"]) == {"touring"}
    assert scores["rear_grip"].isin(range(-2, 3)).all()
    spread = scores.groupby("driver")["rear_grip"].agg(["nunique", "size"])
    assert (spread["nunique"] == 1).sum() == 1  # one finds all cars alike
    assert spread["size"].min() > 25
