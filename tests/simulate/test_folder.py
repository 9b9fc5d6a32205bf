"""A written folder is one that the rest of the pipeline reads without a complaint."""

import csv

import pytest

from pipeline.simulate.season import CATALOGUE, TeamSpec, make_season, write_team_folder
from pipeline.team.folder import load_team

SMALL = TeamSpec(meetings=3, drivers=14, team_drivers=3)


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("team")
    write_team_folder(out, SMALL, seed=8)
    return out


def test_a_seed_gives_the_same_bytes_and_another_seed_other_people(folder, tmp_path):
    write_team_folder(tmp_path / "again", SMALL, seed=8)
    write_team_folder(tmp_path / "other", SMALL, seed=9)
    assert contents(tmp_path / "again") == contents(folder)
    assert contents(tmp_path / "other")["drivers.csv"] != contents(folder)["drivers.csv"]


def test_the_team_folder_passes_every_check(folder):
    team = load_team(folder)
    assert team.warnings == ()
    assert [factor.name for factor in team.factors] == list(CATALOGUE)
    assert len(team.team_drivers) == 3
    assert len(team.meetings) == 3
    assert len(team.claims) == 5
    assert len(list((folder / "exports").iterdir())) == 3


@pytest.mark.parametrize("log", ["changes", "sheet"])
def test_the_log_says_what_was_on_the_car(log, tmp_path):
    spec = TeamSpec(meetings=2, drivers=10, team_drivers=2, log=log)
    write_team_folder(tmp_path, spec, seed=4)
    season = make_season(spec, seed=4)
    factors = {factor.name: factor for factor in load_team(tmp_path).factors}
    with (tmp_path / "setups.csv").open() as file:
        rows = list(csv.DictReader(file))
    by_run = replay(season, rows) if log == "changes" else sheet(season, rows)
    assert set(by_run) == set(season.world.team_runs)
    for r, told in by_run.items():
        read = {name: factors[name].read(value) for name, value in told.items()}
        meant = {name: factors[name].read(value) for name, value in season.settings[r].items()}
        assert read == meant


def places(season):
    """(meeting, driver in lower case, run number) -> run."""
    world = season.world
    return {
        (
            world.meetings[world.runs[r].meeting].name,
            world.drivers[world.runs[r].driver].name.lower(),
            str(world.runs[r].run_no),
        ): r
        for r in world.team_runs
    }


def sheet(season, rows):
    where = places(season)
    fixed = ("meeting", "driver", "class", "run")
    return {
        where[row["meeting"], row["driver"].lower(), row["run"]]: {
            name: value for name, value in row.items() if name not in fixed
        }
        for row in rows
    }


def replay(season, rows):
    """Each row holds from its run until the next one of that driver and factor."""
    world = season.world
    changes = {}
    for row in rows:
        r = from_run(season, row)
        changes.setdefault(r, []).append((row["factor"], row["value"]))
    held, out = {}, {}
    for r in world.team_runs:
        car = held.setdefault(world.runs[r].driver, {})
        car.update((factor, value) for factor, value in changes.pop(r, []) if value != "same")
        out[r] = dict(car)
    assert not changes
    return out


def from_run(season, row):
    """The run that a row of the log means: by number, session's name, or time of day."""
    world = season.world
    where = places(season)
    key = (row["meeting"], row["driver"].lower(), row["run"])
    if key in where:
        return where[key]
    mine = [
        r
        for (meeting, name, _), r in where.items()
        if meeting == row["meeting"] and name == row["driver"].lower()
    ]
    if ":" not in row["run"]:
        return next(r for r in mine if world.session(world.runs[r]).name == row["run"])
    hours, minutes = row["run"].split(":")
    clock = int(hours) + int(minutes) / 60.0
    return min(r for r in mine if world.heat(world.runs[r]).start > clock)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"meetings": 0}, "at least one meeting"),
        ({"team_drivers": 9, "drivers": 8}, "no more than there are"),
        ({"factors": ("rear_bar", "flux")}, "flux"),
    ],
)
def test_a_season_that_cannot_be_is_refused(wrong, said):
    with pytest.raises(ValueError, match=said):
        TeamSpec(**wrong)
