from pathlib import Path

import pytest

from pipeline.errors import UserError
from pipeline.runs.logbooks import read_log
from pipeline.tables.outcomes import OUTCOMES
from pipeline.team.folder import Factor, load_team
from tests.folders import MEETINGS, TOML, team_folder


def problems_of(folder: Path) -> list[str]:
    with pytest.raises(UserError) as caught:
        load_team(folder)
    assert caught.value.exit_status == 1
    return [str(problem) for problem in caught.value.problems]


def test_a_good_folder_loads_without_a_warning(tmp_path):
    team = load_team(team_folder(tmp_path))
    assert team.name == "Test team"
    assert team.race_seconds == 300
    assert team.factor("Rear Anti-Roll bar").reference == "1.3"
    assert team.meeting("SPRING").timezone == "Europe/Berlin"
    assert team.team_drivers == ["Ann Arbor", "Bo Burg"]
    assert team.warnings == ()


def test_every_fault_of_all_files_is_told_at_once_with_its_place(tmp_path):
    toml = TOML.replace("race_seconds = 300", 'race_seconds = "long"').replace(
        'reference = "1.3"', 'reference = "1.35"'
    )
    folder = team_folder(
        tmp_path,
        toml=toml,
        drivers="driver,transponder,team,from,until\nAnn,1,maybe,3/5/2026,\n,2,no,,\n",
        meetings="meeting,date,grip\nspring,soon,lowish\n",
        sessions="meeting,session,kind,start\nsprng,Q1,quali,25:00\n",
    )
    found = problems_of(folder)
    places = [text.split(": found")[0] for text in found]
    assert places == [
        "team.toml, line 3, column 'team: race_seconds'",
        "team.toml, line 11, column 'factor 1: reference'",
        "drivers.csv, line 3, column 'driver'",
        "drivers.csv, line 2, column 'team'",
        "drivers.csv, line 2, column 'from'",
        "meetings.csv, line 2, column 'date'",
        "meetings.csv, line 2, column 'grip'",
        "sessions.csv, line 2, column 'meeting'",
        "sessions.csv, line 2, column 'kind'",
        "sessions.csv, line 2, column 'start'",
    ]
    assert "Did you mean 'low'?" in found[6]
    assert "Did you mean 'spring'?" in found[7]
    assert "Did you mean 'qualifying'?" in found[8]


CLAIM = '\n[[claim]]\ntext = "t"\nfactor = "{}"\nfrom = "{}"\nto = "{}"\noutcome = "{}"\n'


@pytest.mark.parametrize(
    ("claim", "said"),
    [
        (("rear_bra", "1.3", "1.4", "pace"), "Did you mean 'rear_bar'?"),
        (("rear_bar", "1.3", "1.5", "pace"), "expected one of 1.2, 1.3, 1.4 (mm)"),
        (("rear_bar", "1.3", "1.30", "pace"), "another level than `from`"),
        (("rear_bar", "1.3", "1.4", "speed"), "'spread'"),
        (("ride_height", "low", "5.4", "pace"), "expected a number in mm"),
    ],
)
def test_a_wrong_claim(tmp_path, claim, said):
    folder = team_folder(tmp_path, toml=TOML + CLAIM.format(*claim) + 'expect = "lower"\n')
    (problem,) = problems_of(folder)
    assert said in problem


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "rear_bar"', 'name = "rear bar"', "letters, digits and _"),
        ('name = "rear_bar"', 'name = "session"', "a name that no other column has"),
        ('name = "ride_height"', 'name = "rear_bar"', "each factor once"),
        ('"1.2", "1.3", "1.4"', '"1.30", "1.3", "1.4"', "levels that differ"),
        ('levels = ["1.2", "1.3", "1.4"]', "levels = []", "at least two levels"),
        ('kind = "number"', 'kind = "numbr"', "'number'"),
        ('label = "Ride height"', 'lable = "Ride height"', "Did you mean 'label'?"),
        ("[team]", "[tean]", "Did you mean 'team'?"),
        ('name = "Test team"', 'name = "Test team', "line 2"),
    ],
)
def test_a_wrong_team_toml(tmp_path, old, new, said):
    assert said in "\n".join(problems_of(team_folder(tmp_path, toml=TOML.replace(old, new, 1))))


def test_numbers_without_quotes_are_levels_too(tmp_path):
    toml = TOML.replace('["1.2", "1.3", "1.4"]', "[1.2, 1.30, 1.4]").replace('"1.3"', "1.3")
    factor = load_team(team_folder(tmp_path, toml=toml)).factors[0]
    assert factor.levels == ("1.2", "1.3", "1.4")
    assert factor.reference == "1.3"


@pytest.mark.parametrize(
    ("text", "level"),
    [
        ("1.3", "1.3"),
        ("1,30 mm", "1.3"),
        (" 1.40MM ", "1.4"),
        ("std", "1.3"),
        ("1.5", None),
        ("1.3 cm", None),
        ("", None),
    ],
)
def test_levels_as_people_write_them(tmp_path, text, level):
    assert load_team(team_folder(tmp_path)).factors[0].read(text) == level


def test_a_number_with_a_word_is_a_level_of_its_own():
    tyre = Factor("tyre", "Tyre", "category", ("28 soft", "28 hard", "32 soft"), "28 soft")
    assert [tyre.read(t) for t in ("28 Hard", "28", "28 soft")] == ["28 hard", None, "28 soft"]
    spring = Factor("spring", "Spring", "ordered", ("2.5 mm", "2.6 mm"), "2.5 mm")
    assert [spring.read(text) for text in ("2,6", "2.60mm", "2.6 cm")] == ["2.6 mm"] * 2 + [None]


def test_numbers_as_people_write_them(tmp_path):
    height = load_team(team_folder(tmp_path)).factors[1]
    read = [height.read(text) for text in ("5,20mm", "-0.50", "+1", "std", "5.2 in", "high")]
    assert read == ["5.2", "-0.5", "1", "5.2", None, None]


def test_a_transponder_has_one_driver_a_day_and_class(tmp_path):
    lent = "driver,transponder,team,from,until,class\nAnn,1,yes,,2026-05-31,\nBo,1,no,{},,\n"
    assert load_team(team_folder(tmp_path / "a", drivers=lent.format("2026-06-01")))
    (problem,) = problems_of(team_folder(tmp_path / "b", drivers=lent.format("2026-05-31")))
    assert "drivers.csv, line 3" in problem
    assert "also in line 2" in problem
    two = "driver,transponder,team,class\nAnn,1,yes,touring\nBo,1,no,formula\n"
    assert load_team(team_folder(tmp_path / "c", drivers=two))


def test_one_driver_spelt_in_two_cases_is_one(tmp_path):
    text = "driver,transponder,team,share\nAnn  Arbor,1,yes,yes\nann arbor,2,yes,no\n"
    team = load_team(team_folder(tmp_path, drivers=text))
    assert team.team_drivers == ["Ann  Arbor"]
    assert not team.shares("Ann  Arbor")
    assert not team.shares("Nobody")


def test_sessions_carry_the_reason_they_are_left_out_for(tmp_path):
    text = "meeting,session,exclude\nSpring,Q1,yes\nspring,Q2,no\nspring,Q3,rain\nspring,Q4,\n"
    team = load_team(team_folder(tmp_path, sessions=text))
    assert list(team.sessions["exclude"]) == ["excluded in the sessions table", "", "rain", ""]
    assert set(team.sessions["meeting"]) == {"spring"}


def test_what_is_missing_or_unknown_is_a_warning(tmp_path):
    folder = team_folder(tmp_path, meetings=MEETINGS.replace("venue", "place"))
    (folder / "drivers.csv").unlink()
    first, second = load_team(folder).warnings
    assert first == "meetings.csv: column 'place' is not used"
    assert "no drivers.csv" in second


def test_no_team_folder_is_one_clear_message(tmp_path):
    with pytest.raises(UserError, match=r"has no team\.toml") as caught:
        load_team(tmp_path)
    assert caught.value.problems == ()
    with pytest.raises(UserError, match="there is no folder"):
        load_team(tmp_path / "absent")


def test_claims_know_all_outcomes(tmp_path):
    claims = "".join(
        CLAIM.format("rear_bar", "1.3", "1.4", outcome) + 'expect = "lower"\n'
        for outcome in OUTCOMES
    )
    team = load_team(team_folder(tmp_path, toml=TOML + claims))
    assert [claim.outcome for claim in team.claims] == list(OUTCOMES)


def test_a_typo_in_many_rows_is_one_fault_that_names_the_lines(tmp_path):
    sessions = "meeting,session,kind\n" + "".join(f"sprng,Q{n},qualifyng\n" for n in range(14))
    found = problems_of(team_folder(tmp_path, sessions=sessions))
    assert len(found) == 2
    for text in found:
        assert text.startswith("sessions.csv, line 2, ") and "Did you mean" in text
        assert text.endswith("So in 13 more lines: 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, …")


def test_a_typo_in_the_setup_log_is_one_fault_too(tmp_path):
    log = "meeting,driver,run,factor,value\n" + "".join(
        f"spring,Ann Arbr,{n},rear_bar,1.2\n" for n in (1, 2, 3)
    )
    found = read_log(load_team(team_folder(tmp_path, setups=log))).problems
    assert [problem.line for problem in found] == [2]
    assert str(found[0]).endswith("Did you mean 'Ann Arbor'? So in 2 more lines: 3, 4")
