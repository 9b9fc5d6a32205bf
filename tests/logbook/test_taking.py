"""`log`: files of logbooks into the team folder, and what is refused."""

from __future__ import annotations

import os
from pathlib import Path

import openpyxl
import pytest

from pipeline.cli import main
from tests.commands import Said, run
from tests.folders import DRIVERS
from tests.logbook.days import BOOK, CHANGES, HEAD, answer, day, joined, keep
from tests.logbook.said import tree

TARGET = "logbooks/spring/Ann-Arbor.csv"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A day in the store without any logbook."""
    return day(tmp_path / "team", kept="")


def handed(folder: Path, text: str = BOOK, name: str = "logbook-spring-Ann.csv") -> Path:
    path = folder.parent / name
    path.write_text(text, encoding="utf-8")
    return path


def log(folder: Path, *arguments: object) -> Said:
    return run("--team", folder, "log", *arguments)


def lies(folder: Path) -> list[str]:
    return [p.relative_to(folder).as_posix() for p in (folder / "logbooks").glob("*/[!.]*.csv")]


def test_a_logbook_comes_to_lie_in_the_folder_and_joins_the_runs(folder):
    said = log(folder, handed(folder))
    assert (said.status, said.out, said.err) == (0, "spring, Ann Arbor: 4 runs\n", "")
    (name,) = lies(folder)
    assert name.startswith("logbooks/spring/Ann-Arbor")
    assert (folder / name).read_text("utf-8") == BOOK
    assert answer(folder) == "1.3 1.4 1.4 1.3"
    assert answer(folder, "rear_grip") == "0 -1 -2 1"


def test_the_same_file_again_changes_nothing(folder):
    log(folder, handed(folder))
    before = tree(folder, times=True)
    said = log(folder, handed(folder, name="logbook-spring-Ann (1).csv"))
    assert said.out == "spring, Ann Arbor: 4 runs; taken in already, nothing was changed\n"
    assert tree(folder, times=True) == before


def test_a_later_file_takes_the_place_of_the_earlier_and_says_what_changed(folder):
    log(folder, handed(folder))
    later = BOOK.replace("3,11:55,1.4,5.4,-2", "3,11:55,1.2,5.4,-2").replace("4,12:55", "5,12:55")
    said = log(folder, handed(folder, later))
    assert said.out == (
        "spring, Ann Arbor: 4 runs; new: 5; no longer in it: 4; changed: 3 (rear_bar 1.4 to 1.2)\n"
    )
    assert len(lies(folder)) == 1
    assert answer(folder) == "1.3 1.4 1.2 1.2"


def test_a_spreadsheet_with_the_same_columns_is_taken_in(folder):
    book = openpyxl.Workbook()
    book.active.append(["Meeting", "Driver", "Run", "Rear Anti-Roll Bar", "Weather"])
    book.active.append(["SPRING", "ann  arbor", 2, 1.4, "dry"])
    book.save(folder.parent / "kept.xlsx")
    said = log(folder, folder.parent / "kept.xlsx")
    assert said.status == 0
    assert "column 'weather' is no factor and is not used" in said.err
    (name,) = lies(folder)
    text = (folder / name).read_text()
    assert text == "meeting,driver,run,start,rear_bar,weather\nspring,Ann Arbor,2,,1.4,dry\n"


def test_several_drivers_in_one_file_are_a_logbook_each(folder):
    both = BOOK + "spring,Bo Burg,1,09:50,1.2,5,,,\n"
    said = log(folder, handed(folder, both))
    assert said.out == "spring, Ann Arbor: 4 runs\nspring, Bo Burg: 1 run\n"
    assert len(lies(folder)) == 2


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("spring,Ann Arbor,2", "sprng,Ann Arbor,2", "'sprng'; expected a meeting of meetings.csv. "
         "Did you mean 'spring'?"),
        ("spring,Ann Arbor,2", "spring,An Arbor,2", "Did you mean 'Ann Arbor'?"),
        ("spring,Ann Arbor,2", ",Ann Arbor,2", "line 3, column 'meeting': found an empty cell"),
        (",2,10:55,1.4", ",2,10:55,1.7", "'1.7'; expected one of 1.2, 1.3, 1.4 (mm)"),
        (",2,10:55,1.4", ",2,10:55,2026-04-01", "A spreadsheet has made a date of it"),
        (",2,10:55,", ",2,25:00,", "column 'start': found '25:00'; expected a time of day"),
        (",2,10:55,", ",two,10:55,", "column 'run': found 'two'; expected the number of a run"),
        (",2,10:55,", ",0,10:55,", "column 'run': found '0'"),
        (",2,10:55,", ",1,10:55,", "found run 1 again (first in line 2); expected each run once"),
        ("5.2,-1,", "5.2,0.5,", "'0.5'; expected a whole number from -2 (loose) to 2 (planted)"),
        ("5.2,-1,", "5.2,3,", "column 'rear_grip': found '3'"),
        ("5.2,-1,", "high,-1,", "'high'; expected a number in mm"),
        ("meeting,driver", "meeting,who", "expected a column 'driver'"),
        ("run,start,rear_bar,ride_height,rear_grip,steering", "run,start,a,b,c,d",
         "found columns meeting, driver, run"),
        (",windy\n", ",windy,1,2\n", "found 11 cells; expected at most 9"),
    ],
)  # fmt: skip
def test_a_fault_is_named_with_its_place_and_nothing_is_changed(folder, old, new, said):
    before = tree(folder)
    wrong = handed(folder, BOOK.replace(old, new))
    result = log(folder, wrong)
    assert (result.status, result.out) == (1, "")
    assert said in result.err and str(wrong) in result.err
    assert tree(folder) == before


def test_all_faults_of_all_files_are_named_at_once(folder):
    one = handed(folder, BOOK.replace(",1.4,", ",1.7,"), "one.csv")
    other = handed(folder, BOOK.replace("Ann Arbor", "Ann Arbr"), "other.csv")
    result = log(folder, one, other)
    assert result.err.count("found") == 2
    assert "So in 1 more line: 4" in result.err and "So in 3 more lines: 3, 4, 5" in result.err
    assert lies(folder) == []


def test_who_is_not_of_the_team_has_no_logbook(folder):
    (folder / "drivers.csv").write_text(DRIVERS + "Cy,7,no,,\n")
    result = log(folder, handed(folder, BOOK.replace("Ann Arbor", "Cy")))
    assert result.status == 1
    assert "'Cy'; expected a driver with `yes` in the column team" in result.err


def test_a_file_that_is_not_there_and_one_that_is_no_table(folder):
    assert log(folder, folder.parent / "none.csv").status == 2
    (folder.parent / "photo.csv").write_bytes(b"\x89PNG\0\0")
    result = log(folder, folder.parent / "photo.csv")
    assert result.status == 1 and "NUL bytes" in result.err
    assert log(folder).status == 2


def test_a_page_on_which_no_run_was_closed_changes_nothing(folder):
    before = tree(folder)
    result = log(folder, handed(folder, HEAD))
    assert (result.status, tree(folder)) == (0, before)
    assert "holds no run; it changes nothing" in result.err


def test_two_files_of_one_logbook_that_differ_are_refused(folder):
    one, other = handed(folder, name="a.csv"), handed(folder, BOOK.replace("1.3", "1.2"), "b.csv")
    result = log(folder, one, other)
    assert result.status == 1 and "are both of spring, Ann Arbor, and differ" in result.err
    assert log(folder, one, handed(folder, name="c.csv")).out == "spring, Ann Arbor: 4 runs\n"


TYPED = (
    CHANGES
    + "# my own words\nspring,Ann Arbor,12:00,rear_bar,1.2,\nspring,Ann Arbor,4,rear_bar,1.3\n"
)


def test_a_typed_row_that_says_otherwise_is_shown_side_by_side_and_nothing_is_changed(folder):
    (folder / "setups.csv").write_text(TYPED)
    before = tree(folder)
    path = handed(folder)
    result = log(folder, path)
    assert result.status == 1
    lines = [" ".join(line.split()) for line in result.err.splitlines()]
    assert "driver meeting run what typed logbook" in lines
    assert f"Ann Arbor spring 3 rear_bar 1.2 (setups.csv, line 3) 1.4 ({path}, line 4)" in lines
    assert len([line for line in lines if "rear_bar" in line]) == 1
    assert tree(folder) == before


def test_with_replace_the_logbook_counts_and_the_typed_row_stays(folder):
    (folder / "setups.csv").write_text(TYPED)
    result = log(folder, handed(folder), "--replace")
    assert result.status == 0
    assert "setups.csv, line 3 is overruled by the logbook" in result.err
    assert (folder / "setups.csv").read_text() == TYPED
    assert answer(folder) == "1.3 1.4 1.4 1.3"
    said = run("--team", folder, "check")
    assert said.status == 0
    assert "setups.csv, line 3: '1.2' for rear_bar of Ann Arbor's run 3 at spring is" in said.out
    # The same again, and a later file with nothing new against it: what was said holds.
    assert log(folder, handed(folder)).status == 0
    later = BOOK + "spring,Ann Arbor,5,13:55,1.2,5,,,\n"
    assert log(folder, handed(folder, later)).status == 0
    assert joined(folder)[1] == []
    # A new disagreement is asked about again.
    (folder / "setups.csv").write_text(TYPED + "spring,Ann Arbor,1,ride_height,6\n")
    result = log(folder, handed(folder, BOOK))
    assert result.status == 1 and "ride_height" in result.err and "rear_bar" not in result.err


def test_a_row_typed_later_is_a_fault_until_somebody_decides(folder):
    log(folder, handed(folder))
    (folder / "setups.csv").write_text(TYPED)
    assert len(joined(folder)[1]) == 1
    assert log(folder, handed(folder), "--replace").status == 0
    assert joined(folder)[1] == []
    (folder / "setups.csv").write_text(TYPED.replace("1.2,", "1.3,"))
    assert len(joined(folder)[1]) == 1


def test_feel_that_was_typed_is_compared_too(folder):
    (folder / "feel.csv").write_text("meeting,driver,run,steering\nspring,Ann Arbor,1,-1\n")
    result = log(folder, handed(folder))
    assert result.status == 1 and "-1 (feel.csv, line 2)" in result.err


def test_before_any_export_typed_rows_are_compared_by_number_and_time(tmp_path):
    folder = day(tmp_path / "team", starts=(), kept="", typed=TYPED)
    result = log(folder, handed(folder))
    assert result.status == 1 and "1.2 (setups.csv, line 3)" in result.err
    (folder / "setups.csv").write_text(TYPED.replace("12:00", "3"))
    assert "1.2 (setups.csv, line 3)" in log(folder, handed(folder)).err


def test_a_logbook_that_was_mended_by_hand_is_not_written_over(folder):
    log(folder, handed(folder))
    (name,) = lies(folder)
    mended = BOOK.replace(",1.4,", ",1.2,")
    (folder / name).write_text(mended)
    later = handed(folder, BOOK + "spring,Ann Arbor,5,13:55,1.2,5,,,\n")
    result = log(folder, later)
    assert result.status == 1 and "was changed by hand since it was taken in" in result.err
    assert (folder / name).read_text() == mended
    assert log(folder, later, "--replace").status == 0
    assert "5,13:55" in (folder / name).read_text()


def test_a_foreign_file_in_the_place_of_a_logbook_stays(folder):
    log(folder, handed(folder))
    (name,) = lies(folder)
    (folder / name).unlink()
    (folder / "logbooks/.backtoback.json").unlink()
    keep(folder, "a letter\n", name.removeprefix("logbooks/"))
    assert log(folder, handed(folder)).status == 1
    assert (folder / name).read_text() == "a letter\n"


def test_cells_that_a_spreadsheet_would_run_stay_text(folder):
    (folder / "meetings.csv").write_text("meeting,date\n=spring,2026-04-18\n")
    hostile = BOOK.replace("spring,", "'=spring,").replace("windy", "=cmd|'/c calc'!A0")
    assert log(folder, handed(folder, hostile)).status == 0
    (path,) = (folder / "logbooks").glob("*/[!.]*.csv")
    assert "\n'=spring," in path.read_text() and "'=cmd|" in path.read_text()


def test_a_folder_that_cannot_be_written_says_so(folder):
    if os.geteuid() == 0:
        (folder / "logbooks").write_text("in the way")
    else:
        folder.chmod(0o555)
    result = log(folder, handed(folder))
    folder.chmod(0o755)
    assert result.status == 1
    assert "cannot be written" in result.err and "Traceback" not in result.err


def test_help_teaches_by_example():
    for verb in ("log", "logbook", "watch"):
        assert "backtoback" in run(verb, "--help").out
    assert main  # the entry point is what `run` calls
