import json
import os
import shlex
import subprocess
import sys

import pytest

from tests.exports import laps_csv
from tests.folders import team_folder

KEYS = ["files", "rows_in", "rows_kept", "rows_set_aside", "laps", "sessions", "drivers",
        "already_imported", "reasons"]  # fmt: skip


@pytest.fixture
def folder(tmp_path):
    team_folder(tmp_path / "team")
    path = laps_csv(tmp_path / "team/exports/spring/q1.csv")
    path.write_text(path.read_text() + "101,Ann Arbor,7,--\n")
    return tmp_path / "team"


def run(folder, *args, verb="import", **env):
    command = [sys.executable, "-m", "pipeline", verb, "--team", str(folder), *args]
    return subprocess.run(
        command, capture_output=True, text=True, env={**os.environ, **env}, timeout=120
    )


def test_import_says_what_it_did_and_what_it_set_aside(folder):
    result = run(folder, str(folder / "exports"), "--meeting", "spring")
    assert result.returncode == 0
    assert result.stdout == (
        "spring: 18 laps of 3 drivers in 1 session, from 1 file; 19 rows = 18 kept + 1 set aside\n"
    )
    assert "set aside: 1 row: no time (no_time)" in result.stderr


def test_json_is_one_object_with_the_contracts_keys_and_nothing_else(folder):
    result = run(folder, str(folder / "exports"), "--meeting", "spring", "--json")
    count = json.loads(result.stdout)
    assert list(count) == KEYS
    assert count["rows_in"] == count["rows_kept"] + count["rows_set_aside"] == 19
    assert count["reasons"] == {"no_time": 1}
    again = json.loads(run(folder, str(folder), "--meeting", "spring", "--json").stdout)
    assert again == {**count, "already_imported": 1}


def test_a_dry_run_shows_columns_and_first_laps(folder):
    result = run(folder, str(folder / "exports"), "--meeting", "spring", "--dry-run")
    assert result.returncode == 0
    assert "Lap time" in result.stdout
    assert "Dry run: nothing was changed" in result.stdout
    assert not (folder / "store").exists()


def test_strict_turns_rows_set_aside_into_status_1(folder):
    result = run(folder, str(folder / "exports"), "--meeting", "spring", "--strict")
    assert result.returncode == 1
    assert "with --strict" in result.stderr
    assert not (folder / "store").exists()


@pytest.mark.parametrize(
    ("args", "status", "said"),
    [
        (["exports"], 2, "Missing option '--meeting'"),
        (["--meeting", "spring"], 2, "give the exports to import"),
        (["absent.csv", "--meeting", "spring"], 2, "there is no file or folder"),
        (["exports", "--meeting", "sprong"], 1, "Did you mean 'spring'"),
        (["exports", "--meeting", "spring", "--map", "driver"], 2, "expected FIELD=COLUMN"),
        (["exports", "--meeting", "spring", "--layout", "circle"], 2, "expected laps, passings"),
        (["exports", "--meeting", "spring", "--undo"], 1, "the store has no meeting"),
    ],
)
def test_what_is_wrong_is_said_in_one_message(folder, args, status, said):
    args = [str(folder / arg) if arg in ("exports", "absent.csv") else arg for arg in args]
    result = run(folder, *args)
    assert result.returncode == status
    assert said in result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout == ""
    assert not (folder / "store").exists()


def test_undo(folder):
    run(folder, str(folder / "exports"), "--meeting", "spring")
    result = run(folder, "--meeting", "spring", "--undo")
    assert result.returncode == 0
    assert "taken out: exports/spring/q1.csv (18 laps)" in result.stdout
    assert not list((folder / "store/laps").iterdir())


@pytest.mark.parametrize("name", ["spring", "Bob's & \"Ann's\" club $HOME; day"])
def test_a_file_of_another_meeting_is_refused_with_a_command_that_can_be_pasted(tmp_path, name):
    cells = name.replace('"', '""')
    meetings = f'meeting,date\n"{cells}",2026-04-18\nother,2026-04-18\n'
    folder = team_folder(tmp_path / "our team", meetings=meetings)
    path = laps_csv(folder / "exports/q 1's.csv")
    assert run(folder, str(path), "--meeting", name).returncode == 0
    before = {file: file.read_bytes() for file in (folder / "store").rglob("*.*")}
    refused = run(folder, str(path), "--meeting", "other")
    assert refused.returncode == 1
    assert {file: file.read_bytes() for file in (folder / "store").rglob("*.*")} == before
    command = refused.stderr.splitlines()[-1].strip()
    assert command.startswith("backtoback import ")
    assert str(folder) in shlex.split(command)
    pasted = command.replace("backtoback", f"{shlex.quote(sys.executable)} -m pipeline", 1)
    done = subprocess.run(["sh", "-c", pasted], capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stderr) == (0, "")
    assert run(folder, str(path), "--meeting", "other").returncode == 0


def test_no_team_folder(tmp_path):
    result = run(tmp_path, "x.csv", "--meeting", "spring")
    assert result.returncode == 1
    assert "has no team.toml" in result.stderr
