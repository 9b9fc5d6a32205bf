"""Conditions that a run met: grip by session, and numbers such as the track's temperature."""

import math

import pytest

from pipeline.errors import UserError
from pipeline.runs.gathering import gather
from pipeline.team.folder import load_team
from tests.folders import TOML, team_folder
from tests.laps import heat, stored

HEAT = (
    TOML
    + """
[[condition]]
name = "track_temp"
label = "Track temperature"
unit = "°C"
step = 5
"""
)
MEETINGS = "meeting,date,grip,track_temp\nspring,2026-04-18,high,{}\nsummer,2026-07-04,low,{}\n"
LAPS = [18.0, 16.0, 16.2, 16.1]
CARS = {"101 Ann Arbor": LAPS, "7 Cy Coe": LAPS}


def runs_of(folder, *heats, **files):
    team_folder(folder, **files)
    stored(folder, *heats)
    return gather(load_team(folder)).of_class(None).data.runs


def problems_of(folder):
    with pytest.raises(UserError) as caught:
        load_team(folder)
    return [str(problem) for problem in caught.value.problems]


def test_the_grip_of_a_session_counts_before_that_of_its_meeting(tmp_path):
    sessions = "meeting,session,class,grip\nSpring,q1,,LOW\nspring,Q3,touring,medium\n"
    heats = [heat(name, time, CARS) for name, time in (("Q1", "08:00"), ("Q2", "09:30"))]
    runs = runs_of(tmp_path, *heats, sessions=sessions)
    # Rivals drove on the same track.
    assert runs.groupby("session")["grip"].unique().map(list).to_dict() == {
        "q1": ["low"], "Q2": ["high"],
    }  # fmt: skip


def test_rows_of_one_session_that_differ_in_grip_say_nothing_of_it(tmp_path):
    sessions = "meeting,session,heat,grip\nspring,Q1,A,low\nspring,Q1,B,medium\n"
    runs = runs_of(tmp_path, heat("Q1", "08:00", CARS), sessions=sessions)
    assert set(runs["grip"]) == {"high"}


def test_a_wrong_grip_of_a_session_is_a_fault_with_its_line(tmp_path):
    (problem,) = problems_of(
        team_folder(tmp_path, sessions="meeting,session,grip\nspring,Q1,hihg\n")
    )
    assert problem.startswith("sessions.csv, line 2, column 'grip': found 'hihg'")
    assert "Did you mean 'high'?" in problem


@pytest.mark.parametrize(
    ("cell", "number"),
    [("31", 31.0), ("31,5 °C", 31.5), ("−2.0", -2.0), (" 31.50 °c", 31.5), ("", math.nan)],
)
def test_numbers_of_a_condition_as_people_write_them(tmp_path, cell, number):
    meetings = MEETINGS.format(f'"{cell}"', "")
    runs = runs_of(tmp_path, heat("Q1", "08:00", CARS), toml=HEAT, meetings=meetings)
    assert runs["track_temp"].to_list() == pytest.approx([number] * 2, nan_ok=True)


def test_the_number_of_a_session_counts_before_that_of_its_meeting(tmp_path):
    sessions = "meeting,session,track_temp\nspring,Q2,24.5\nspring,Q3,\n"
    heats = [heat(f"Q{n}", f"0{7 + n}:00", CARS) for n in (1, 2, 3)]
    files = {"toml": HEAT, "meetings": MEETINGS.format(31, ""), "sessions": sessions}
    runs = runs_of(tmp_path, *heats, **files)
    found = runs.groupby("session")["track_temp"].unique().map(list).to_dict()
    assert found == {"Q1": [31.0], "Q2": [24.5], "Q3": [31.0]}


def test_a_condition_in_sessions_csv_alone(tmp_path):
    sessions = "meeting,session,track_temp\nspring,Q2,24.5\n"
    team_folder(tmp_path, toml=HEAT, sessions=sessions)
    stored(tmp_path, heat("Q1", "08:00", CARS), heat("Q2", "09:00", CARS))
    team = load_team(tmp_path)
    assert team.warnings == ()
    assert (team.conditions[0].step, team.conditions[0].unit) == (5, "°C")
    runs = gather(team).of_class(None).data.runs
    assert runs["track_temp"].to_list() == pytest.approx([math.nan] * 2 + [24.5] * 2, nan_ok=True)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "track_temp"', 'name = "rear_bar"', "'rear_bar' a second time"),
        ('name = "track_temp"', 'name = "grip"', "a name that no other column has"),
        ('name = "track_temp"', 'name = "layout"', "a name that no other column has"),
        ('name = "track_temp"', 'name = "grip_position"', "a name that no other column has"),
        ('name = "track_temp"', 'name = "track temp"', "letters, digits and _"),
        ("step = 5", "step = 0", "greater than 0"),
        ("step = 5", "steps = 5", "Did you mean 'step'?"),
        ("[[condition]]", "[condition]", "[[condition]], in double brackets"),
    ],
)
def test_a_wrong_condition_is_one_clear_fault(tmp_path, old, new, said):
    toml = HEAT.replace(old, new, 1)
    problems = problems_of(team_folder(tmp_path, toml=toml, meetings=MEETINGS.format(31, 24)))
    assert said in problems[0]
    assert "team.toml, line 2" in problems[0]
    assert len(problems) == 1


@pytest.mark.parametrize("cell", ["warm", "31 F", "31 24"])
def test_a_cell_that_is_no_number_is_a_fault_with_its_line(tmp_path, cell):
    meetings = MEETINGS.format("31 °C", cell)
    (problem,) = problems_of(team_folder(tmp_path, toml=HEAT, meetings=meetings))
    assert problem.startswith(f"meetings.csv, line 3, column 'track_temp': found '{cell}'")
    assert "expected a number in °C, or nothing" in problem


def test_a_condition_without_a_column_is_a_fault_that_names_what_may_be_meant(tmp_path):
    meetings = MEETINGS.format(31, 24).replace("track_temp", "track_tmp")
    (problem,) = problems_of(team_folder(tmp_path, toml=HEAT, meetings=meetings))
    assert "expected a column 'track_temp' of numbers here or in sessions.csv" in problem
    assert "'track_tmp'" in problem


CLAIM = """
[[property]]
name = "stiffness"

[[claim]]
text = "Softer is faster"
{}
outcome = "pace"
expect = "lower"
"""


def test_a_claim_may_name_a_property_and_its_positions(tmp_path):
    keys = 'property = "stiffness"\nfrom = 0\nto = "-1"'
    (claim,) = load_team(team_folder(tmp_path, toml=TOML + CLAIM.format(keys))).claims
    assert (claim.property, claim.factor, claim.from_, claim.to) == ("stiffness", "", "0", "-1")


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ('property = "stifness"\nfrom = 0\nto = 1', "Did you mean 'stiffness'?"),
        ('property = "stiffness"\nfrom = "soft"\nto = 1', "a position on 'stiffness', as 1 or -1"),
        ('property = "stiffness"\nfrom = 1\nto = "1.0"', "another position than `from`"),
        ('property = "stiffness"\nfactor = "rear_bar"\nfrom = 0\nto = 1', "found both"),
        ("from = 0\nto = 1", "found neither"),
    ],
)
def test_a_wrong_claim_on_a_property(tmp_path, keys, said):
    (problem,) = problems_of(team_folder(tmp_path, toml=TOML + CLAIM.format(keys)))
    assert said in problem
