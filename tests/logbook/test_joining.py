"""Logbooks joined to runs, as a specification: the day, what was kept and typed, the answer."""

from __future__ import annotations

import json

import pytest

from pipeline.checking import check
from pipeline.runs.logbooks import replacing_lines
from tests.commands import run
from tests.folders import MEETINGS
from tests.laps import heat, stored
from tests.logbook.days import (
    BOOK,
    CHANGES,
    HEAD,
    LAPS,
    answer,
    day,
    joined,
    keep,
    team_of,
)  # fmt: skip


def test_a_logbook_is_the_setup_log_of_its_runs_and_how_they_felt(tmp_path):
    day(tmp_path)
    assert answer(tmp_path) == "1.3 1.4 1.4 1.3"
    assert answer(tmp_path, "ride_height") == "5.2 5.2 5.4 5.4"
    assert answer(tmp_path, "rear_grip") == "0 -1 -2 1"
    assert answer(tmp_path, "steering") == "1 . 2 ."
    assert joined(tmp_path)[1:] == ([], [])
    assert answer(tmp_path, "rear_bar", "Bo Burg") == ". . . ."


def test_without_setups_csv_a_logbook_is_enough(tmp_path):
    day(tmp_path)
    (tmp_path / "setups.csv").unlink()
    assert answer(tmp_path) == "1.3 1.4 1.4 1.3"
    assert joined(tmp_path)[2] == []


@pytest.mark.parametrize(
    ("typed", "kept", "bar"),
    [
        # typed rows before, between and after those of the logbook
        ("spring,Ann Arbor,1,rear_bar,1.2\n", "2,10:55,1.4", "1.2 1.4 1.4 1.4"),
        ("spring,Ann Arbor,4,rear_bar,1.2\n", "2,10:55,1.4", ". 1.4 1.4 1.2"),
        ("spring,Ann Arbor,3,rear_bar,1.2\n", "1,,1.4\n2,,1.4\n4,,1.3", "1.4 1.4 1.2 1.3"),
        # the same said twice is no conflict
        ("spring,Ann Arbor,2,rear_bar,1.40\n", "2,,1.4", ". 1.4 1.4 1.4"),
        # a blank cell means as before, a question mark not known
        ("", "1,,1.4\n2,,\n3,,?\n4,,", "1.4 1.4 . ."),
        # what the logbook does not know leaves the typed rows of that meeting standing
        ("spring,Ann Arbor,1,rear_bar,1.2\n", "1,,?\n2,,?\n3,,1.3\n4,,?", "1.2 1.2 1.3 1.3"),
    ],
)
def test_typed_rows_and_logbooks_make_one_log(tmp_path, typed, kept, bar):
    rows = "".join(f"spring,Ann Arbor,{row},,,,\n" for row in kept.split("\n"))
    day(tmp_path, kept=HEAD + rows, typed=CHANGES + typed)
    assert answer(tmp_path) == bar
    assert joined(tmp_path)[1] == []


def test_what_was_on_the_car_last_holds_at_the_next_meeting(tmp_path):
    day(tmp_path)
    stored(tmp_path, heat("P", "08:00", {"101": LAPS}, meeting="summer", date="2026-07-04"))
    assert answer(tmp_path) == "1.3 1.4 1.4 1.3 1.3"
    assert answer(tmp_path, "rear_grip") == "0 -1 -2 1 ."


def test_a_logbook_of_a_meeting_that_was_not_imported_is_where_the_next_starts_from(tmp_path):
    day(tmp_path, meetings=MEETINGS + "early,2026-01-02,Hall,carpet,high,Europe/Berlin,\n", kept="")
    keep(tmp_path, BOOK.replace("spring", "early"), "early/Ann-Arbor.csv")
    assert answer(tmp_path) == "1.3 1.3 1.3 1.3"
    _, problems, warnings = joined(tmp_path)
    assert problems == []
    assert warnings == [
        "logbooks/early/Ann-Arbor.csv: the store has no run of Ann Arbor at early for run 1, 2, 3, "
        "4 of the logbook; such rows hold from the next run"
    ]


def test_a_run_that_is_not_in_the_store_yet_waits(tmp_path):
    day(tmp_path, starts=("10:00", "11:00"))
    assert answer(tmp_path) == "1.3 1.4"
    _, problems, warnings = joined(tmp_path)
    assert problems == []
    assert warnings == [
        "logbooks/spring/Ann-Arbor.csv: the store has no run of Ann Arbor at spring for run 3, 4 "
        "of the logbook; such rows do not count"
    ]


# starts in the exports; times of runs 1, 2, … in the logbook; which run each is ('-': none)
TIMES = {
    "written down as the car goes out": ("10:00 11:00 12:00", "09:55 10:57 11:52", "1 2 3"),
    "made ready early": ("10:00 10:30 11:00", "09:35 10:05 10:40", "1 2 3"),
    "written down after the run": ("10:00 10:30 11:00", "10:12 10:45 11:14", "1 2 3"),
    "no transponder in run 2": ("10:00 12:00 13:00", "09:55 10:55 11:55 12:55", "1 - 2 3"),
    "the same, runs close together": ("10:00 11:00 11:30", "09:55 10:25 10:55 11:25", "1 - 2 3"),
    "nobody wrote down run 3": ("10:00 10:40 11:20 12:00", "09:55 10:36 11:56", "1 2 4"),
    "a clock that leapt once": ("10:00 11:00 12:00 13:00", "09:55 10:55 03:10 12:55", "1 2 3 4"),
    "a clock that is far off": ("10:00 11:00 12:00", "02:25 03:25 04:25", "1 2 3"),
    "at most 45 minutes before": ("10:00 11:00 12:00", "09:15 10:15 11:15", "1 2 3"),
    "more: a wrong clock, or run 1 is missing": ("10:00 11:00 12:00", "09:14 10:14 11:14", "? ? ?"),
    "at most 20 minutes after": ("10:00 11:00 12:00", "10:20 11:20 12:20", "1 2 3"),
    "more after": ("10:00 11:00 12:00", "10:21 11:21 12:21", "? ? ?"),
    "an hour slow": ("10:00 11:00 12:00 13:00", "08:55 09:55 10:55 11:55", "? ? ? ?"),
    "nobody wrote down run 1": ("10:00 11:00 12:00", "10:55 11:55", "? ?"),
}


@pytest.mark.parametrize("case", TIMES)
def test_number_and_time_tell_which_run_a_row_is(tmp_path, case):
    """Each row sets a ride height of its own: the runs show which row came to which."""
    starts, clocks, answers = map(str.split, TIMES[case])
    rows = [f"spring,Ann Arbor,{n},{clock},,{n},,,\n" for n, clock in enumerate(clocks, 1)]
    day(tmp_path, starts=tuple(starts), kept=HEAD + "".join(rows))
    runs, problems, warnings = joined(tmp_path)
    heights = runs["ride_height"].to_list()
    if "?" in answers:
        assert len(problems) == 1 and "by its time" in problems[0]
        assert runs["ride_height"].isna().all()
        return
    assert problems == []
    for row, found in enumerate(answers, 1):
        assert found == "-" or heights[int(found) - 1] == str(row)
    by_number = [str(n) for n in range(1, len(answers) + 1)]
    strange = ("leapt" in case) or ("off" in case)
    assert bool(warnings) == (answers != by_number or strange)


def test_a_typed_row_that_says_otherwise_is_a_fault_that_names_both(tmp_path):
    day(tmp_path, typed=CHANGES + "spring,Ann Arbor,12:00,rear_bar,1.2\n")
    _, (problem,), _ = joined(tmp_path)
    assert problem.startswith(
        "setups.csv, line 2: found '1.2' for rear_bar of Ann Arbor's run 3 at spring, and '1.4' in "
        "line 4 of logbooks/spring/Ann-Arbor.csv; expected one value for a run"
    )


def test_a_logbook_taken_in_with_replace_counts_and_check_names_the_row(tmp_path):
    day(tmp_path, typed=CHANGES + "spring,Ann Arbor,S3,rear_bar,1.2\n",
        kept=replacing_lines([("3", "rear_bar", "1.2")]).decode() + BOOK)  # fmt: skip
    assert answer(tmp_path) == "1.3 1.4 1.4 1.3"
    assert joined(tmp_path)[1] == []
    report = check(team_of(tmp_path))
    assert (
        "setups.csv, line 2: '1.2' for rear_bar of Ann Arbor's run 3 at spring is overruled by "
        "'1.4' in line 5 of logbooks/spring/Ann-Arbor.csv"
    ) in report.notes


def test_feel_csv_and_a_logbook_make_one_and_may_disagree(tmp_path):
    feel = "meeting,driver,run,Rear grip,steering\nspring,Ann Arbor,2,-1,2\nspring,Bo Burg,S1,+1,\n"
    day(tmp_path, feel=feel)
    assert answer(tmp_path, "steering") == "1 2 2 ."
    assert answer(tmp_path, "rear_grip", "Bo Burg") == "1 . . ."
    assert joined(tmp_path)[1:] == ([], [])
    (tmp_path / "feel.csv").write_text(feel.replace("2,-1,2", "2,1,2"))
    _, (problem,), _ = joined(tmp_path)
    assert problem.startswith("feel.csv, line 2: found '1' for rear_grip of Ann Arbor's run 2")


def test_a_driver_of_two_classes_says_which_car_the_logbook_is_of(tmp_path):
    drivers = "driver,transponder,team\nAnn Arbor,101,yes\nAnn Arbor,111,yes\n"
    day(tmp_path, starts=(), drivers=drivers, kept="")
    stored(
        tmp_path,
        heat("Q1", "08:00", {"101": LAPS}, racing_class="Touring"),
        heat("Q2", "09:00", {"111": LAPS}, racing_class="Formula"),
    )
    keep(tmp_path, "meeting,driver,run,rear_bar\nspring,Ann Arbor,1,1.4\n")
    _, (problem,), _ = joined(tmp_path)
    assert problem.startswith("logbooks/spring/Ann-Arbor.csv, line 2, column 'class'")
    keep(tmp_path, "meeting,driver,class,run,rear_bar\nspring,Ann Arbor,formula,1,1.4\n")
    assert joined(tmp_path)[1] == []
    assert answer(tmp_path) == ". 1.4"


def test_check_shows_what_was_scored_and_taken_in(tmp_path):
    day(tmp_path)
    said = run("--team", tmp_path, "check")
    assert said.status == 0
    assert "\nHow runs felt:\n  Rear grip: scored in 4 of 8 runs\n" in said.out
    assert "\nLogbooks that were taken in:\n  spring, Ann Arbor: 4 runs\n" in said.out
    report = json.loads(run("--team", tmp_path, "check", "--json").out)
    assert report["logbooks"] == [{"meeting": "spring", "driver": "Ann Arbor", "runs": 4}]
    assert report["feels"][1]["scored"] == 2
