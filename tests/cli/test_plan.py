import csv
import json

import pytest
from click.testing import CliRunner

from pipeline.cli.plan import command
from pipeline.errors import CallError, UserError
from tests.folders import TOML, team_folder

FREE = ["--factor", "rear_bar", "--drivers", "2", "--runs", "6"]
EFFECTS = """\
outcome,factor,condition,verdict
pace,ride_height,all,no difference that matters
pace,rear_bar,all,leaning faster
pace,rear_bar,grip=low,faster
spread,ride_height,all,not enough runs
"""


def call(*arguments, team=None):
    where = ["--team", str(team)] if team is not None else []
    return CliRunner().invoke(command, [*arguments, *where])


def planned(*arguments, team=None):
    result = call(*arguments, "--json", team=team)
    assert result.exit_code == 0, result.exception
    return json.loads(result.stdout)


def test_without_a_team_folder_factors_and_levels_are_free(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    data = planned(*FREE)
    assert data["contrasts"][0]["level"] == "B"
    data = planned(*FREE, "--levels", "rear_bar=soft, hard")
    assert data["runs"][0] == {"driver": "Driver 1", "run": 1, "settings": {"rear_bar": "soft"}}
    assert list(tmp_path.iterdir()) == []


def test_the_team_folder_gives_levels_reference_names_and_drivers(tmp_path):
    data = planned(*FREE, team=team_folder(tmp_path))
    assert [(c["level"], c["reference"]) for c in data["contrasts"]] == [
        ("1.2", "1.3"),
        ("1.4", "1.3"),
    ]
    assert {run["driver"] for run in data["runs"]} == {"Ann Arbor", "Bo Burg"}
    data = planned(*FREE, "--levels", "rear_bar=1.4 mm,1.3", team=tmp_path)
    assert [(c["level"], c["reference"]) for c in data["contrasts"]] == [("1.4", "1.3")]


def test_worthwhile_s_is_the_difference_that_matters(tmp_path):
    larger = TOML.replace("worthwhile_s = 0.03", "worthwhile_s = 0.1")
    small = planned(*FREE, team=team_folder(tmp_path / "a"))
    large = planned(*FREE, team=team_folder(tmp_path / "b", toml=larger))
    assert large["contrasts"][0]["power"] > small["contrasts"][0]["power"]
    asked = planned(*FREE, "--difference", "0.1", team=tmp_path / "a")
    assert asked["contrasts"] == large["contrasts"]


def test_open_questions_come_from_the_last_season(tmp_path):
    folder = team_folder(tmp_path)
    season = folder / "reports" / "season"
    season.mkdir(parents=True)
    (season / "effects.csv").write_text(EFFECTS)
    data = planned("--open", "--drivers", "2", "--runs", "8", team=folder)
    assert {contrast["factor"] for contrast in data["contrasts"]} == {"rear_bar"}


def test_out_writes_the_sheet_and_both_logs(tmp_path):
    result = call(*FREE, "--out", str(tmp_path / "day"), team=team_folder(tmp_path))
    assert result.exit_code == 0, result.exception
    names = [".backtoback.json", "plan-changes.csv", "plan-sheet.csv", "plan.html", "plan.json"]
    assert sorted(path.name for path in (tmp_path / "day").iterdir()) == names
    assert str(tmp_path / "day" / "plan.html") in result.stdout
    with (tmp_path / "day" / "plan-sheet.csv").open() as file:
        assert len(list(csv.DictReader(file))) == 12


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--factor", "rear_baar", "--drivers", "2", "--runs", "6"], "Did you mean 'rear_bar'"),
        (["--factor", "ride_height", "--drivers", "2", "--runs", "6"], "no levels of"),
        ([*FREE, "--levels", "rear_bar"], "NAME=LEVEL"),
        ([*FREE, "--levels", "rear_bar=1.3,1.7"], "expected one of 1.2, 1.3, 1.4"),
        ([*FREE, "--levels", "oil=1,2"], "a factor that is planned"),
        ([*FREE, "--slow", "oil"], "a factor that is planned"),
        ([*FREE, "--driver", "Ann"], "a name for each driver"),
        ([*FREE, "--driver", "Ann Arbr", "--driver", "Bo Burg"], "Did you mean 'Ann Arbor'"),
        ([*FREE, "--open"], "backtoback season"),
        (["--drivers", "2", "--runs", "6"], "at least one factor"),
        (["--factor", "rear_bar", "--drivers", "-1", "--runs", "6"], "from 1 to 12"),
        (["--factor", "rear_bar", "--drivers", "99999999", "--runs", "6"], "from 1 to 12"),
    ],
)
def test_wrong_calls_are_explained(tmp_path, arguments, words):
    result = call(*arguments, team=team_folder(tmp_path))
    assert isinstance(result.exception, CallError)
    assert words in str(result.exception)


def test_a_team_folder_that_is_named_must_be_one(tmp_path):
    assert isinstance(call(*FREE, team=tmp_path / "none").exception, UserError)


def test_a_season_that_left_nothing_open_is_said(tmp_path):
    folder = team_folder(tmp_path)
    (folder / "reports" / "season").mkdir(parents=True)
    settled = EFFECTS.replace("leaning faster", "faster")
    (folder / "reports" / "season" / "effects.csv").write_text(settled)
    result = call("--open", "--drivers", "2", "--runs", "8", team=folder)
    assert "left no factor open" in str(result.exception)


def test_an_out_folder_that_cannot_be_made_is_said(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").write_text("")
    result = call(*FREE, "--out", str(tmp_path / "file" / "day"))
    assert isinstance(result.exception, UserError)
    assert "a file stands where a folder should be" in str(result.exception)
    assert call(*FREE, "--out", str(tmp_path / "file")).exit_code == 2
