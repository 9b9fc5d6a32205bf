"""Which class an analysis is about, where the store holds several."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipeline.errors import CallError, UserError
from pipeline.runs.gathering import gather
from pipeline.team.folder import Team, load_team
from tests.commands import run
from tests.folders import TOML, team_folder
from tests.laps import heat, stored

TEAM = ("101 Ann Arbor", "102 Bo Burg", "7 Cy Coe")
CHANGED = "spring,{},1,rear_bar,1.3,{}\nspring,{},2,rear_bar,1.4,{}\n"
HEAD = "meeting,driver,run,factor,value,class\n"


def told(word: str) -> str:
    return TOML.replace("[team]", f'[team]\nclass = "{word}"')


def team(folder: Path, setups: str, toml: str = TOML) -> Team:
    """Ann and Bo race touring and formula, four heats each; a rival races trucks."""
    team_folder(folder, setups=setups, toml=toml)
    draw = random.Random(3)
    heats = [
        heat(
            f"Q{number}",
            f"{number + hour:02}:00",
            {car: [18.0, *(16 + draw.gauss(0, 0.1) for _ in range(12))] for car in cars},
            racing_class=racing_class,
        )
        for hour, (racing_class, cars) in enumerate(
            [("touring", TEAM), ("formula", TEAM), ("trucks", TEAM[2:])]
        )
        for number in (8, 11, 14, 17)
    ]
    stored(folder, *heats)
    return load_team(folder)


def changed(*classes: str) -> str:
    return HEAD + "".join(CHANGED.format("Ann Arbor", c, "Ann Arbor", c) for c in classes)


def chosen(team: Team, name: str | None = None) -> str:
    return gather(team).of_class(name).racing_class


def test_the_only_class_in_which_the_team_changed_anything(tmp_path: Path) -> None:
    for racing_class in ("touring", "formula"):
        made = team(tmp_path / racing_class, changed(racing_class))
        assert chosen(made) == racing_class
        note = f"of several classes in the store '{racing_class}' is taken, where settings were"
        assert any(note in said for said in gather(made).of_class(None).notes)


def test_two_drivers_with_two_settings_have_changed_nothing(tmp_path: Path) -> None:
    log = "spring,Ann Arbor,1,rear_bar,1.3,touring\nspring,Bo Burg,1,rear_bar,1.4,touring\n"
    with pytest.raises(CallError, match="none of them"):
        chosen(team(tmp_path, HEAD + log))


def test_team_toml_decides(tmp_path: Path) -> None:
    both = changed("touring", "formula")
    with pytest.raises(CallError, match=r"2 of them.*team\.toml"):
        chosen(team(tmp_path / "untold", both))
    made = team(tmp_path / "told", both, told("Formula"))
    assert chosen(made) == "formula"
    assert chosen(made, "touring") == "touring"
    other = team(tmp_path / "other", changed("touring"), told("formula"))
    assert chosen(other) == "formula"


def test_a_class_of_team_toml_that_nobody_ran(tmp_path: Path) -> None:
    made = team(tmp_path, changed("touring"), told("turing"))
    with pytest.raises(UserError, match=r"team\.toml, class: .*'turing'.*'touring'") as caught:
        chosen(made)
    assert caught.value.exit_status == 1


def test_without_factors_the_class_must_be_named(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="several classes"):
        chosen(team(tmp_path, HEAD, '[team]\nname = "T"\n'))


@pytest.mark.parametrize(
    "verb",
    [["season"], ["share", "--all"], ["meeting", "spring"],
     ["plan", "--factor", "rear_bar", "--drivers", "2", "--runs", "4"]],
)  # fmt: skip
def test_every_command_takes_it(tmp_path: Path, verb: list[str]) -> None:
    team(tmp_path, changed("touring"))
    said = run("--team", tmp_path, *verb, "--out", tmp_path / "out")
    assert said.status == 0, said.err
