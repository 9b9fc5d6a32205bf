"""A team folder from Python: what its methods give, and what they say of a wrong call."""

from __future__ import annotations

import datetime
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import pipeline
from pipeline.cli.check import command as check_command
from pipeline.cli.season import command as season_command
from pipeline.public.teams import OpenTeam
from tests.folders import TOML, team_folder
from tests.laps import heat, stored

LAPS = [18.0, 16.0, 16.2, 16.1, 16.3, 16.0, 16.4, 16.1]
CARS = {"101 Ann Arbor": LAPS, "102 Bo Burg": LAPS, "7 Cy Coe": LAPS}
EXPORT = "driver;lap;lap time\n" + "".join(
    f"{name};{lap};{16 + lap % 3 / 10}\n" for name in ("Ann Arbor", "Cy Coe") for lap in range(1, 9)
)
HEAD = "meeting,driver,run,factor,value\n"


def filled(folder: Path, log: str = HEAD + "spring,Ann Arbor,1,rear_bar,1.3\n") -> OpenTeam:
    """A team with two meetings in the store, in April and July."""
    team_folder(folder, setups=log)
    stored(folder, *(heat(f"Q{n}", f"{n + 8:02}:00", CARS) for n in range(4)))
    july = {"meeting": "summer", "date": "2026-07-04"}
    stored(folder, *(heat(f"Q{n}", f"{n + 8:02}:00", CARS, **july) for n in range(4)))
    return pipeline.open_team(folder)


def meetings(team: OpenTeam, until: Any) -> list[str]:
    return list(dict.fromkeys(team.join(until=until).data.runs["meeting"]))


def test_a_folder_with_faults_is_not_opened(tmp_path: Path) -> None:
    folder = team_folder(tmp_path, toml=TOML.replace('"ordered"', '"letters"').replace("300", "0"))
    with pytest.raises(pipeline.UserError) as caught:
        pipeline.open_team(str(folder))
    assert len(caught.value.problems) == 2 and all(p.line for p in caught.value.problems)
    with pytest.raises(pipeline.UserError, match="no folder"):
        pipeline.open_team(tmp_path / "elsewhere")


def test_until_leaves_later_meetings_out(tmp_path: Path) -> None:
    team = filled(tmp_path)
    assert meetings(team, None) == meetings(team, "2026-07-04") == ["spring", "summer"]
    assert meetings(team, "2026-07-03") == meetings(team, "2026-04-18") == ["spring"]
    with pytest.raises(pipeline.UserError, match="began on or before 2026-04-17"):
        meetings(team, "2026-04-17")


def test_until_leaves_the_log_of_later_meetings_out(tmp_path: Path) -> None:
    team = filled(
        tmp_path, HEAD + "spring,Ann Arbor,1,rear_bar,1.3\nsummer,Ann Arbor,9,rear_bar,1.4\n"
    )
    with pytest.raises(pipeline.UserError) as caught:
        team.join()
    assert "run '9'" in str(caught.value.problems[0])
    settings = team.join(until="2026-04-30").data.runs
    assert set(settings.loc[settings["driver"] == "Ann Arbor", "rear_bar"]) == {"1.3"}


@pytest.mark.parametrize("until", ["2026-13-01", "01.07.2026", datetime.datetime(2026, 7, 1, 9), 7])
def test_until_is_a_day(until: Any, tmp_path: Path) -> None:
    with pytest.raises(pipeline.CallError, match="expected a date as 2026-05-03"):
        filled(tmp_path).season(until=until)


def test_a_name_of_a_season_is_a_wrong_call(tmp_path: Path) -> None:
    words = "without \\[\\[season\\]\\] all meetings are one season, and --name is a wrong call"
    with pytest.raises(pipeline.CallError, match=words):
        filled(tmp_path).season(name="2026")
    with pytest.raises(pipeline.CallError, match=words):
        CliRunner().invoke(
            season_command, ["--team", str(tmp_path), "--name", "2026"], catch_exceptions=False
        )


def test_unknown_names_are_wrong_calls(tmp_path: Path) -> None:
    team = filled(tmp_path)
    with pytest.raises(pipeline.CallError, match="Did you mean 'spring'"):
        team.meeting("sprung")
    with pytest.raises(pipeline.CallError, match="no class 'touring'"):
        team.season("touring")
    with pytest.raises(pipeline.CallError, match="Did you mean 'Ann Arbor'"):
        team.join().team_driver("Anna Arbor")
    assert team.join().team_driver("ann  ARBOR") == "Ann Arbor"


def test_an_empty_store_is_told(tmp_path: Path) -> None:
    with pytest.raises(pipeline.UserError, match="the store is empty"):
        pipeline.open_team(team_folder(tmp_path)).season()


def test_check_is_what_the_command_prints(tmp_path: Path) -> None:
    answer = filled(tmp_path).check()
    said = CliRunner().invoke(check_command, ["--team", str(tmp_path), "--json"])
    assert json.loads(json.dumps(answer)) == json.loads(said.stdout)
    assert answer["meetings"][0]["meeting"] == "spring" == answer.report.meetings[0]["meeting"]


def test_import_and_back(tmp_path: Path) -> None:
    team, export = pipeline.open_team(team_folder(tmp_path / "team")), tmp_path / "q1.csv"
    export.write_text(EXPORT)
    shown = team.import_exports(export, "spring", session="Q1", start="09:00", dry_run=True)
    assert shown["laps"] == 16 and not (tmp_path / "team" / "store").exists()
    brought = team.import_exports([str(export)], "spring", session="Q1", start="09:00")
    assert brought == {**shown, "already_imported": 0} and brought.report.records
    again = team.import_exports(export, "spring", session="Q1", start="09:00")
    assert again["already_imported"] == 1
    gone = team.import_exports(export, "spring", undo=True)
    assert gone == {"undone": [gone.report[0].source], "laps": 16}
    shutil.rmtree(tmp_path / "team" / "store")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"paths": []}, "give the exports to import"),
        ({"layout": "rows"}, "expected laps, passings, grid"),
        ({"paths": "nowhere.csv"}, "there is no file or folder 'nowhere.csv'"),
        ({"meeting": "sprung"}, "Did you mean 'spring'"),
    ],
)
def test_a_wrong_import_is_told(options: dict[str, Any], words: str, tmp_path: Path) -> None:
    export = tmp_path / "q1.csv"
    export.write_text(EXPORT)
    team = pipeline.open_team(team_folder(tmp_path / "team"))
    with pytest.raises(pipeline.UserError, match=words):
        team.import_exports(**({"paths": export, "meeting": "spring"} | options))


DAY: dict[str, Any] = {"factors": ["rear_bar"], "drivers": 2, "runs": 6}


def test_a_planned_day_is_frames(tmp_path: Path) -> None:
    day = pipeline.plan_day(**DAY | {"drivers": ["Ann", "Bo"]}, levels={"rear_bar": [1.3, 1.40]})
    assert day.runs["driver"].unique().tolist() == ["Ann", "Bo"] and len(day.runs) == 12
    assert set(day.runs["rear_bar"]) == {"1.3", "1.4"}
    assert day.contrasts["reference"].tolist() == ["1.3"] and day.notes and not day.written
    same = pipeline.plan_day(
        "rear_bar", 2, 6, names=("Ann", "Bo"), levels={"rear_bar": ["1.3", "1.4"]}
    )
    assert same.runs.equals(day.runs)


def test_a_planned_day_of_a_team(tmp_path: Path) -> None:
    day = pipeline.plan_day(**DAY, team=team_folder(tmp_path / "team"), out=tmp_path / "day")
    assert set(day.runs["driver"]) == {"Ann Arbor", "Bo Burg"}
    assert set(day.contrasts["level"]) == {"1.2", "1.4"}
    assert [path.name for path in day.written] == [
        "plan.json",
        "plan.html",
        "plan-sheet.csv",
        "plan-changes.csv",
    ]
    assert all(path.is_file() for path in day.written)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"runs": "six"}, "--runs: found 'six'; expected a whole number"),
        ({"drivers": 2.5}, "--drivers: found 2.5"),
        ({"skill": "slow"}, "--skill: found 'slow'; expected one of fast, club"),
        ({"minutes": "long"}, "--minutes: found 'long'"),
        ({"seed": -1}, "seed is -1"),
        ({"factors": []}, "found no factor"),
        ({"slow": ["oil"]}, "a factor that is planned"),
        ({"drivers": 0}, "--drivers: found 0"),
        ({"open": True}, "needs a team folder"),
    ],
)
def test_a_day_that_cannot_be_planned_is_told(wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(pipeline.CallError, match=words):
        pipeline.plan_day(**(DAY | wrong))


def test_an_unwritable_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(pipeline.UserError, match="a file stands where a folder should be; nothing"):
        pipeline.plan_day(**DAY, out=tmp_path / "file" / "day")
