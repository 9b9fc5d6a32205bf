"""The setup log as a specification: runs of a driver drawn as a row, the log, the answer.

spring (2026-04-18): P1 08:00, Q1 09:00, Q2 10:00, F 11:00; summer (2026-07-04): P1 08:00, Q1 09:00.
"""

import openpyxl
import pytest

from pipeline.runs.gathering import gather
from pipeline.team.folder import load_team
from tests.folders import DRIVERS, MEETINGS, team_folder
from tests.laps import heat, stored

LAPS = [18.0, 16.0, 16.2]
SPRING = {"P1": "08:00", "Q1": "09:00", "Q2": "10:00", "F": "11:00"}
SUMMER = {"P1": "08:00", "Q1": "09:00"}
MORE = MEETINGS + "autumn,2026-09-05,Hall,carpet,high,,\n"


def heats():
    cars = {"101 Ann Arbor": LAPS, "102 Bo Burg": LAPS, "7 Cy": LAPS}
    for name, start in SPRING.items():
        # Bo misses the second qualifying.
        here = {car: laps for car, laps in cars.items() if name != "Q2" or "Bo" not in car}
        yield heat(name, start, here)
    for name, start in SUMMER.items():
        yield heat(name, start, cars, meeting="summer", date="2026-07-04")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("store")
    stored(folder, *heats())
    return folder / "store"


@pytest.fixture
def joined(tmp_path, store):
    """log text -> (answer of (driver, factor) as one string, season)."""

    def join(log, **files):
        folder = team_folder(tmp_path, **{"setups": log, "meetings": MORE, **files})
        if not (folder / "store").exists():
            (folder / "store").symlink_to(store)
        season = gather(load_team(folder))

        def answer(driver, factor):
            runs = season.runs
            cells = runs.loc[runs["driver"] == driver, factor].fillna(".").to_list()
            return " ".join(cells)

        return answer, season.setups

    return join


CHANGES = "meeting,driver,run,factor,value\n"


@pytest.mark.parametrize(
    ("rows", "answer"),
    [
        # runs:                          spring: P1 Q1 Q2 F, summer: P1 Q1
        ("A,1,bar,1.2", "1.2 1.2 1.2 1.2 1.2 1.2"),
        ("A,3,bar,1.2", ". . 1.2 1.2 1.2 1.2"),
        ("A,before run 3,bar,1.2", ". . 1.2 1.2 1.2 1.2"),
        ("A,10:00,bar,1.2", ". . 1.2 1.2 1.2 1.2"),
        ("A,9:30,bar,1.2", ". . 1.2 1.2 1.2 1.2"),
        ("A,2026-04-18 09:30,bar,1.2", ". . 1.2 1.2 1.2 1.2"),
        ("A,q2,bar,1.2", ". . 1.2 1.2 1.2 1.2"),
        ('SPRING,ann  arbor,Q2,Rear anti-roll bar,"1,20 mm"', ". . 1.2 1.2 1.2 1.2"),
        ("A,12:00,bar,1.2", ". . . . 1.2 1.2"),
        ("A,2,bar,std", ". 1.3 1.3 1.3 1.3 1.3"),
        ("A,2,bar,1.2\nA,4,bar,reset", ". 1.2 1.2 . . ."),
        ("A,2,bar,1.2\nB,Q1,bar,1.4", ". 1.2 1.2 1.2 1.2 1.4"),
        ("B,2,bar,1.4\nA,2,bar,1.2", ". 1.2 1.2 1.2 1.2 1.4"),
        ("A,2,bar,1.2\nA,3,bar,same", ". 1.2 1.2 1.2 1.2 1.2"),
        ("A,2,bar,-", ". . . . . ."),
        # Changed twice between two runs: the later time counts.
        ("A,9:45,bar,1.4\nA,9:30,bar,1.2", ". . 1.4 1.4 1.4 1.4"),
        ("spring,Bo Burg,1,bar,1.2", ". . . . . ."),
        ("", ". . . . . ."),
    ],
)  # fmt: skip
def test_changes_hold_until_the_next_row(joined, rows, answer):
    rows = rows.replace("A,", "spring,Ann Arbor,").replace("B,", "summer,Ann Arbor,")
    of, log = joined(CHANGES + rows.replace(",bar", ",rear_bar") + "\n")
    assert of("Ann Arbor", "rear_bar") == answer
    assert log.problems == []
    assert of("Cy", "rear_bar") == ". . . . . ."


def test_factors_and_drivers_do_not_touch_each_other(joined):
    of, log = joined(
        CHANGES + "spring,Ann Arbor,1,rear_bar,1.2\nspring,Bo Burg,2,rear_bar,1.4\n"
        'spring,Ann Arbor,2,ride_height,5.0\nspring,Bo Burg,F,ride_height,"5,40"\n'
    )
    assert of("Ann Arbor", "rear_bar") == "1.2 1.2 1.2 1.2 1.2 1.2"
    assert of("Ann Arbor", "ride_height") == ". 5 5 5 5 5"
    assert of("Bo Burg", "rear_bar") == ". 1.4 1.4 1.4 1.4"
    assert of("Bo Burg", "ride_height") == ". . 5.4 5.4 5.4"
    assert log.problems == log.warnings == []


def test_a_change_for_a_session_or_meeting_that_was_missed_holds_from_the_next_run(joined):
    of, log = joined(CHANGES + "spring,Bo Burg,Q2,rear_bar,1.2\n")
    assert of("Bo Burg", "rear_bar") == ". . 1.2 1.2 1.2"
    assert log.warnings == [
        "setups.csv, line 2: Bo Burg has no laps in Q2 at spring; it holds from the next run"
    ]
    of, log = joined(CHANGES + "autumn,Bo Burg,1,rear_bar,1.2\nspring,Bo Burg,1,rear_bar,1.4\n")
    assert of("Bo Burg", "rear_bar") == "1.4 1.4 1.4 1.4 1.4"
    assert "no laps of Bo Burg at autumn in the store" in log.warnings[0]


def test_a_sheet_has_a_row_a_run_and_holds_until_the_next_value(joined):
    of, log = joined(
        "meeting;driver;run;Rear Bar;Ride height;weather\n"
        "spring;Ann Arbor;1;1,3;5,2 mm;dry\n"
        "spring;Ann Arbor;9:05;same;;dry\n"
        "spring;Ann Arbor;F;std;5.0;dry\n"
        "summer;Ann Arbor;Q1;1.4;-;wet\n"
    )
    assert of("Ann Arbor", "rear_bar") == "1.3 1.3 1.3 1.3 1.3 1.4"
    assert of("Ann Arbor", "ride_height") == "5.2 5.2 5.2 5 5 5"
    assert log.problems == []
    assert log.warnings == ["setups.csv: column 'weather' is no factor and is not used"]


def test_a_spreadsheet_log(joined, tmp_path):
    import datetime

    book = openpyxl.Workbook()
    for row in (
        ["Meeting", "Driver", "Run", "Factor", "Value", "Note"],
        ["spring", "Ann Arbor", 2, "rear_bar", 1.2, "looser"],
        ["spring", "Ann Arbor", datetime.time(10, 30), "ride_height", "5.4mm", None],
        ["spring", "Ann Arbor", 4, "rear_bar", datetime.date(2026, 3, 1), None],
    ):
        book.active.append(row)
    book.save(tmp_path / "setups.xlsx")
    team_folder(tmp_path, meetings=MORE)
    stored(tmp_path, *heats())
    season = gather(load_team(tmp_path))
    ann = season.runs[season.runs["driver"] == "Ann Arbor"]
    assert ann["rear_bar"].fillna(".").to_list() == [".", *["1.2"] * 5]
    assert ann["ride_height"].fillna(".").to_list() == [".", ".", ".", "5.4", "5.4", "5.4"]
    (problem,) = season.setups.problems
    assert str(problem).startswith("setups.xlsx, line 4, column 'value': found '2026-03-01'")
    assert "A spreadsheet has made a date of it" in problem.advice


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("sprng,Ann Arbor,1,rear_bar,1.3", "a meeting of meetings.csv. Did you mean 'spring'?"),
        ("spring,An Arbor,1,rear_bar,1.3", "Did you mean 'Ann Arbor'?"),
        (",Ann Arbor,1,rear_bar,1.3", "column 'meeting': found an empty cell"),
        ("spring,Ann Arbor,1,rear_bra,1.3", "a factor of team.toml. Did you mean 'rear_bar'?"),
        ("spring,Ann Arbor,1,rear_bar,1.35", "one of 1.2, 1.3, 1.4 (mm). Did you mean '1.3'?"),
        ("spring,Ann Arbor,1,rear_bar,", "column 'value': found an empty cell"),
        ("spring,Ann Arbor,1,ride_height,high", "'high'; expected a number in mm"),
        ("spring,Ann Arbor,,rear_bar,1.3", "expected a run's number, a time of day (13:45)"),
        ("spring,Ann Arbor,5,rear_bar,1.3", "Ann Arbor's runs at spring: 1 P1, 2 Q1, 3 Q2, 4 F"),
        ("spring,Ann Arbor,Q7,rear_bar,1.3", "'Q7'; expected a run's number"),
        ("spring,Ann Arbor,25:00,rear_bar,1.3", "'25:00'; expected a run's number"),
    ],
)
def test_faults_name_their_place_and_the_nearest_name(joined, row, said):
    _, log = joined(CHANGES + row + "\n")
    (problem,) = log.problems
    assert str(problem).startswith("setups.csv, line 2, column")
    assert said in str(problem)


def test_two_values_for_one_run_are_a_fault_that_names_both_places(joined):
    _, log = joined(CHANGES + "spring,Ann Arbor,2,rear_bar,1.2\nspring,Ann Arbor,Q1,rear_bar,1.4\n")
    (problem,) = log.problems
    assert (problem.line, problem.where) == (3, "setups.csv")
    assert "'1.4' for rear_bar of Ann Arbor's run 2 at spring, and '1.2' in line 2" in problem.found
    _, log = joined(
        CHANGES + "spring,Ann Arbor,2,rear_bar,1.2\nspring,Ann Arbor,Q1,rear_bar,1.20\n"
    )
    assert log.problems == []


def test_a_sheet_row_for_a_run_that_was_not_driven_is_a_fault(joined):
    _, log = joined(
        "meeting,driver,run,rear_bar\nspring,Bo Burg,Q2,1.3\nspring,Bo Burg,12:00,1.3\n"
    )
    first, second = log.problems
    assert "'Q2'" in str(first)
    assert "the start of one of Bo Burg's runs, within a quarter of an hour" in str(second)


def test_other_peoples_setups_are_not_used(joined):
    of, log = joined(
        CHANGES + "spring,Cy,1,rear_bar,1.2\nspring,Cy,2,rear_bar,1.3\n",
        drivers=DRIVERS + "Cy,7,no,,\n",
    )
    assert of("Cy", "rear_bar") == ". . . . . ."
    assert log.problems == []
    assert log.warnings == ["setups.csv, line 2: 'Cy' is not in the team; not used"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("driver,run,factor,value\n", "found columns driver, run, factor, value"),
        ("meeting,driver,run\n", "changes), or"),
        ("meeting,driver,run,factor,valeu\nx,x,1,x,x\n", "Did you mean 'valeu'?"),
        ("", "no header"),
    ],
)
def test_a_wrong_header(joined, text, said):
    _, log = joined(text)
    (problem,) = log.problems
    assert said in str(problem)


def test_no_log_is_a_warning(joined, tmp_path):
    joined("meeting,driver,run,factor,value\n")
    (tmp_path / "setups.csv").unlink()
    season = gather(load_team(tmp_path))
    assert season.setups.warnings == ["no setups.csv: no run has a known setting"]
    assert season.runs["rear_bar"].isna().all()


def two_classes(folder, log):
    drivers = "driver,transponder,team\nAnn Arbor,101,yes\nAnn Arbor,111,yes\n"
    team_folder(folder, setups=log, drivers=drivers)
    parts = [
        heat("Q1", "08:00", {"101": LAPS}, racing_class="Touring"),
        heat("Q1", "09:00", {"111": LAPS}, racing_class="Formula"),
        heat("Q2", "10:00", {"101": LAPS}, racing_class="Touring"),
    ]
    stored(folder, *parts)
    season = gather(load_team(folder))
    return season.of_class("touring").data.runs["rear_bar"].fillna(
        "."
    ).to_list(), season.setups.problems


def test_a_driver_of_two_classes_says_which_car_is_meant(tmp_path):
    head = "meeting,driver,class,run,factor,value\n"
    row = "spring,Ann Arbor,{},1,rear_bar,{}\n"
    log = head + row.format("touring", "1.2") + row.format("FORMULA", "1.4")
    assert two_classes(tmp_path / "a", log) == (["1.2", "1.2"], [])
    _, (problem,) = two_classes(tmp_path / "b", head + row.format("", "1.2"))
    assert "no class, and Ann Arbor raced Formula, Touring" in str(problem)
    _, (problem,) = two_classes(tmp_path / "c", head + row.format("tourin", "1.2"))
    assert "Did you mean 'Touring'?" in str(problem)


def test_a_time_of_day_needs_the_day_in_a_meeting_of_two(tmp_path):
    cars = {"101": LAPS}
    for day, text in {"a": "09:30", "b": "2026-04-19 09:30"}.items():
        folder = team_folder(
            tmp_path / day, setups=CHANGES + f"spring,Ann Arbor,{text},rear_bar,1.2\n"
        )
        stored(folder, heat("Q1", "09:00", cars), heat("Q2", "10:00", cars, date="2026-04-19"))
        season = gather(load_team(folder))
        if day == "a":
            assert "expected the day too, as '2026-04-18 09:30'" in str(season.setups.problems[0])
        else:
            assert season.runs["rear_bar"].fillna(".").to_list() == [".", "1.2"]


def test_a_time_of_day_needs_times_in_the_exports(tmp_path):
    folder = team_folder(tmp_path, setups=CHANGES + "spring,Ann Arbor,09:30,rear_bar,1.2\n")
    stored(folder, heat("Q1", None, {"101": LAPS}))
    (problem,) = gather(load_team(folder)).setups.problems
    assert "the exports of that day have no times" in str(problem)


def test_a_typo_of_a_factor_in_the_header_suggests_it(joined):
    _, log = joined("meeting,driver,run,rear_bar,ride_hight\nspring,Ann Arbor,1,1.3,5.2\n")
    (said,) = log.warnings
    assert "column 'ride_hight' (did you mean 'ride_height'?) is no factor" in said
