"""Settings that rest on an earlier meeting are counted and said; none lands on a renamed one."""

import json

import pytest
from click.testing import CliRunner

from pipeline.checking import check
from pipeline.cli.check import command as check_command
from pipeline.errors import UserError
from pipeline.public.teams import open_team
from pipeline.runs.gathering import gather, load_season
from pipeline.team.folder import load_team
from tests.folders import MEETINGS, TOML, team_folder
from tests.laps import heat, stored

LAPS = [18.0, 16.0, 16.2, 16.1]
CARS = {"101 Ann Arbor": LAPS, "102 Bo Burg": LAPS, "7 Cy": LAPS}
HEAD = "meeting,driver,run,factor,value\n"
SHEET = "meeting,driver,run,rear_bar,ride_height\n"


def season(folder, log, **files):
    team_folder(folder, setups=log, **files)
    stored(folder, *heats())
    return gather(load_team(folder))


def heats():
    for name, start in {"P1": "08:00", "Q1": "09:00", "Q2": "10:00", "F": "11:00"}.items():
        yield heat(name, start, CARS)
    for name, start in {"P1": "08:00", "Q1": "09:00"}.items():
        yield heat(name, start, CARS, meeting="summer", date="2026-07-04")


def settings(season, driver, factor):
    runs = season.runs[season.runs["driver"] == driver]
    return " ".join(runs[factor].fillna(".").to_list())


def test_a_blank_cell_of_the_sheet_means_as_before_and_a_question_mark_not_known(tmp_path):
    log = SHEET + (
        "spring,Ann Arbor,1,1.3,5.2\n"
        "spring,Ann Arbor,2,,5.0\n"
        "spring,Ann Arbor,3,?,\n"
        "spring,Ann Arbor,4,,5.4\n"
        "summer,Ann Arbor,1,,\n"
        "summer,Ann Arbor,2,1.4,?\n"
    )
    found = season(tmp_path, log)
    assert settings(found, "Ann Arbor", "rear_bar") == "1.3 1.3 . . . 1.4"
    assert settings(found, "Ann Arbor", "ride_height") == "5.2 5 5 5.4 5.4 ."
    assert found.setups.problems == []


def test_a_run_without_a_row_is_as_before_too(tmp_path):
    found = season(tmp_path, SHEET + "spring,Ann Arbor,2,1.2,\nspring,Ann Arbor,4,1.4,5.0\n")
    assert settings(found, "Ann Arbor", "rear_bar") == ". 1.2 1.2 1.4 1.4 1.4"
    assert settings(found, "Ann Arbor", "ride_height") == ". . . 5 5 5"


def test_a_question_mark_in_the_log_of_changes_ends_a_setting(tmp_path):
    found = season(
        tmp_path, HEAD + "spring,Ann Arbor,1,rear_bar,1.2\nspring,Ann Arbor,3,rear_bar,?\n"
    )
    assert settings(found, "Ann Arbor", "rear_bar") == "1.2 1.2 . . . ."


@pytest.mark.parametrize(
    ("log", "said"),
    [
        (
            HEAD + "spring,Ann Arbor,1,rear_bar,1.2\nspring,Bo Burg,4,ride_height,5\n",
            "summer: nothing was logged there for 4 of the team's 4 runs (Ann Arbor 2, Bo Burg "
            "2); what was on these cars is carried over from spring",
        ),
        (
            HEAD + "spring,Ann Arbor,1,rear_bar,1.2\nsummer,Ann Arbor,2,rear_bar,1.4\n",
            "summer: nothing was logged there for 1 of the team's 4 runs (Ann Arbor 1); what was "
            "on these cars is carried over from spring",
        ),
        (
            HEAD + "spring,Ann Arbor,1,rear_bar,1.2\nspring,Ann Arbor,1,ride_height,5\n"
            "summer,Ann Arbor,1,rear_bar,1.4\n",
            "summer: of what is known of the team's runs, ride_height of 2 runs is carried over "
            "from spring",
        ),
        (HEAD + "spring,Ann Arbor,1,rear_bar,1.2\nsummer,Ann Arbor,1,rear_bar,reset\n", None),
        (SHEET + "spring,Ann Arbor,1,1.2,5\nsummer,Ann Arbor,1,1.2,5\n", None),
        (
            SHEET + "spring,Ann Arbor,1,1.2,5\nsummer,Ann Arbor,1,,\n",
            "summer: nothing was logged there for 2 of the team's 4 runs (Ann Arbor 2); what was "
            "on these cars is carried over from spring",
        ),
    ],
)
def test_what_is_carried_over_is_counted_and_said(tmp_path, log, said):
    found = season(tmp_path, log)
    assert [note for note in found.notes if "carried over" in note] == ([said] if said else [])
    assert [note for meeting, note in found.carried if meeting == "summer"] == (
        [said] if said else []
    )
    assert not [note for meeting, note in found.carried if meeting == "spring"]
    assert [n for n in check(load_team(tmp_path)).notes if "carried" in n] == (
        [said] if said else []
    )


def test_the_run_sheet_says_it_of_its_meeting_alone(tmp_path):
    season(tmp_path, HEAD + "spring,Ann Arbor,1,rear_bar,1.2\nspring,Bo Burg,1,rear_bar,1.2\n")
    notes = {m: open_team(tmp_path).meeting(m).notes for m in ("spring", "summer")}
    said = {m: [note for note in all_ if "carried over" in note] for m, all_ in notes.items()}
    assert said["spring"] == []
    assert [note.startswith("summer: nothing was logged") for note in said["summer"]] == [True]


def test_scores_of_a_driver_who_did_not_run_do_not_count(tmp_path):
    feels = TOML + '[[feel]]\nname = "steering"\nworse = "dull"\nbetter = "sharp"\n'
    feel = "meeting,driver,run,steering\nautumn,Ann Arbor,1,2\nspring,Ann Arbor,1,1\n"
    autumn = MEETINGS + "autumn,2026-02-01,Hall,carpet,high,Europe/Berlin,\n"
    found = season(tmp_path, HEAD, toml=feels, feel=feel, meetings=autumn)
    assert found.runs["steering"].dropna().to_list() == [1]
    assert [w for w in found.setups.warnings if w.endswith("it does not count")]


RENAMED = MEETINGS.replace("spring,", "spring-cup,")


def test_a_meeting_renamed_in_the_tables_is_a_fault_that_names_the_stores(tmp_path):
    log = HEAD + "spring-cup,Ann Arbor,1,rear_bar,1.2\n"
    found = season(tmp_path, log, meetings=RENAMED)
    (problem,) = found.setups.problems
    assert "'spring' in the store" in str(problem)
    assert "'spring-cup' is of the same date (2026-04-18)" in str(problem)
    assert "backtoback rename spring spring-cup" in str(problem)
    assert settings(found, "Ann Arbor", "rear_bar") == ". . . . . ."
    with pytest.raises(UserError, match="rename spring spring-cup"):
        load_season(load_team(tmp_path))
    result = CliRunner().invoke(check_command, ["--team", str(tmp_path), "--json"])
    assert result.exit_code == 0
    assert len(json.loads(result.stdout)["problems"]) == 1


def test_a_meeting_taken_out_of_the_tables_is_told_as_before(tmp_path):
    left = "\n".join(line for line in MEETINGS.splitlines() if "spring" not in line) + "\n"
    found = season(tmp_path, HEAD, meetings=left)
    assert found.setups.problems == []
    assert any("'spring' is in the store but not in meetings.csv" in note for note in found.notes)


@pytest.mark.parametrize(
    ("values", "reference", "wrong"),
    [
        # 5 or 5000: the log has 5000, or the reference is.
        (["5.000", "5000"], None, [2]),
        (["5,000", "6000", "5.000"], None, [2, 4]),
        (["5.000"], "5000", [2]),
        (["12.500", "10000"], None, [2]),
        (["5.000 mm", "5000"], None, [2]),
        (["-5.000", "-4000"], None, [2]),
        (["1.200", "6000"], None, [2]),
        # A value near the one reading speaks for it.
        (["5.000", "5.2"], None, []),
        (["5.000", "5.2", "5000"], None, []),
        (["5.000", "5000"], "4.8", []),
        (["5.000", "5.500"], None, []),
        (["5.000", "300000"], None, []),
        (["5.00", "5000"], None, []),
        (["5.0001", "5000"], None, []),
        (["0.500", "500"], None, []),
        (["5000", "7000"], None, []),
    ],
)
def test_a_group_separator_that_could_be_a_decimal(tmp_path, values, reference, wrong):
    rows = [f'spring,Ann Arbor,{n},ride_height,"{v}"\n' for n, v in enumerate(values, 1)]
    mark = f'reference = "{reference}"\n' if reference else ""
    toml = TOML.replace('reference = "5.2"\n', mark)
    found = season(tmp_path, HEAD + "".join(rows), toml=toml)
    assert [problem.line for problem in found.setups.problems] == wrong
    for problem in found.setups.problems:
        text = values[problem.line - 2].split()[0].replace(",", ".")
        one, other = f"{float(text):.10g}", f"{float(text) * 1000:.10g}"
        assert f"{one} or {other}" in str(problem)


def test_a_reference_with_a_group_separator(tmp_path):
    log = HEAD + "spring,Ann Arbor,1,ride_height,5000\nspring,Ann Arbor,2,ride_height,6000\n"
    found = season(tmp_path, log, toml=TOML.replace('"5.2"', '"5.000"'))
    (problem,) = found.setups.problems
    assert problem.where == "team.toml"
    assert "5 or 5000" in str(problem)
