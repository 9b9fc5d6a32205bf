import json
import subprocess
import sys

import pytest
from click.testing import CliRunner

from pipeline.checking import check
from pipeline.cli.check import command
from pipeline.cli.importing import command as take
from pipeline.errors import UserError
from pipeline.team.folder import load_team
from tests.folders import DRIVERS, MEETINGS, team_folder
from tests.laps import heat, stored

LAPS = [18.0, 16.0, 16.2, 16.1, 16.3, 16.0, 35.0]
CARS = {"101 Ann Arbor": LAPS, "102 Bo Burg": LAPS, "7 Cy Coe": LAPS, "8 Bo Berg": LAPS}
HEAD = "meeting,driver,run,factor,value\n"
LOG = HEAD + "".join(
    f"spring,{driver},{run},rear_bar,{1.3 + run % 2 / 10:.1f}\n"
    for driver in ("Ann Arbor", "Bo Burg")
    for run in range(1, 9)
)


def checked(folder, log=LOG, **files):
    team_folder(folder, setups=log, **files)
    stored(folder, *(heat(f"Q{n}", f"{n + 8:02}:00", CARS) for n in range(8)))
    return check(load_team(folder))


def test_what_is_there_what_joined_and_what_can_be_told(tmp_path):
    report = checked(tmp_path)
    (meeting,) = report.meetings
    assert meeting == {
        "meeting": "spring", "days": ["2026-04-18"], "surface": "carpet", "grip": "high",
        "files": 8, "sessions": 8, "drivers": 4, "runs": 32, "team_drivers": 2, "team_runs": 16,
        "laps": 224, "excluded_runs": 0, "excluded": [], "rows_set_aside": 8,
    }  # fmt: skip
    assert report.not_imported == ["summer"]
    assert report.statuses == {"clean": 160, "first": 32, "incident": 32}
    assert report.reasons == {"no_time": 8}
    bar, height = report.settings
    assert (bar["factor"], bar["known"], bar["team_runs"]) == ("rear_bar", 16, 16)
    assert bar["levels"] == {"1.3": 8, "1.4": 8}
    assert height["known"] == 0
    told = {(row["factor"], row["level"]): row["sentence"] for row in report.tell_apart}
    assert told["rear_bar", "1.4"] == ""
    assert told["rear_bar", "1.2"] != ""
    assert report.problems == []


def test_names_notes_and_faults_are_shown(tmp_path):
    report = checked(
        tmp_path,
        LOG + "spring,Ann Arbor,9,rear_bar,1.3\nspring,Ann Arbr,1,rear_bar,1.3\n",
        sessions="meeting,session,exclude\nspring,Q1,rain\nspring,Q77,\n",
    )
    assert report.names == [
        "'Bo Berg' in the exports is like 'Bo Burg' of the drivers table; if it is the same "
        "person, add the row: Bo Burg,Bo Berg,yes"
    ]
    assert "sessions.csv, line 3: no export of spring has a session 'Q77'" in report.notes
    assert report.meetings[0]["excluded_runs"] == 4
    assert report.meetings[0]["excluded"] == ["rain"]
    assert sorted(problem.line for problem in report.problems) == [18, 19]


def test_settings_that_the_log_lacks_are_told(tmp_path):
    report = checked(tmp_path, HEAD + "spring,Ann Arbor,3,rear_bar,1.4\n")
    assert report.notes == [
        "rear_bar of Ann Arbor is not in the setup log for 2 of 8 runs, first at spring, run 1 "
        "(Q0); these runs cannot count for it",
        "nothing of Bo Burg is in the setup log: 8 runs",
    ]


def test_an_empty_store_is_no_error_and_the_log_is_still_read(tmp_path):
    team_folder(tmp_path, setups=HEAD + "spring,Ann Arbor,1,rear_bar,1.9\n")
    report = check(load_team(tmp_path))
    assert report.meetings == report.tell_apart == []
    assert report.not_imported == ["spring", "summer"]
    assert len(report.problems) == 1


def test_classes_are_told_apart_one_by_one(tmp_path):
    team_folder(tmp_path, drivers=DRIVERS + "Ann Arbor,111,yes,,\n")
    heats = [heat(f"Q{n}", f"{n + 8:02}:00", CARS, racing_class="Touring") for n in range(3)]
    formula = {"111 Ann Arbor": LAPS, "9 Di": LAPS}
    heats += [heat(f"F{n}", f"{n + 12}:00", formula, racing_class="Formula") for n in range(3)]
    stored(tmp_path, *heats)
    report = check(load_team(tmp_path))
    assert {row["class"] for row in report.settings} == {"Touring", "Formula"}
    assert {row["class"] for row in report.tell_apart} <= {"Touring", "Formula"}


def test_the_text_fits_what_it_shows(tmp_path):
    checked(tmp_path)
    result = CliRunner().invoke(command, ["--team", str(tmp_path)])
    assert result.exit_code == 0
    assert result.stdout.startswith("Test team: 1 meeting in the store, 224 laps\n")
    assert "\n  spring   2026-04-18  high  carpet   8 " in result.stdout
    assert "\n8 rows set aside: no time 8\n" in result.stdout
    assert "  yes  rear_bar 1.4 against 1.3: " in result.stdout
    assert "  no   rear_bar 1.2 against 1.3: " in result.stdout


def test_json_and_strict(tmp_path):
    checked(tmp_path, LOG + "spring,Ann Arbor,9,rear_bar,1.3\n")
    result = CliRunner().invoke(command, ["--team", str(tmp_path), "--json", "--strict"])
    assert result.exit_code == 1
    out = json.loads(result.stdout)
    assert out["meetings"][0]["team_runs"] == 16
    assert out["problems"][0].startswith("setups.csv, line 18, column 'run'")


def test_nothing_is_written(tmp_path):
    checked(tmp_path)
    before = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}
    CliRunner().invoke(command, ["--team", str(tmp_path)])
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")} == before


def test_a_wrong_team_folder_is_an_error(tmp_path):
    team_folder(tmp_path, meetings=MEETINGS.replace("2026-04-18", "soon"))
    result = CliRunner().invoke(command, ["--team", str(tmp_path)])
    assert isinstance(result.exception, UserError)
    assert result.exception.exit_status == 1


@pytest.mark.parametrize("verb", [command, take])
def test_help_teaches_by_example(verb):
    result = CliRunner().invoke(verb, ["--help"])
    assert "Examples:" in result.stdout
    assert "backtoback" in result.stdout


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from pipeline.cli import main\n"
        "try: main(['check', '--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'pandas', 'numpy', 'pyarrow', 'scipy'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert result.returncode == 0, result.stderr


def test_check_starts_without_the_libraries_of_the_fits_and_pages(tmp_path):
    checked(tmp_path)
    code = f"""
import sys
from pipeline.cli import main
try:
    main(["--team", {str(tmp_path)!r}, "check"])
except SystemExit as stop:
    assert not stop.code
slow = ("scipy", "statsmodels", "plotnine", "matplotlib", "jinja2", "pyarrow.dataset")
print([name for name in slow if name in sys.modules])
"""
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.splitlines()[-1] == "[]"
