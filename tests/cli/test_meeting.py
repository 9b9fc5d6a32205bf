"""The run sheet of days that are not as a race meeting is: alone, short, without clocks."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest

from tests.commands import Said, run
from tests.exports import laps_csv
from tests.folders import team_folder

ANN, BO, RIVAL = "101 Ann Arbor", "102 Bo Burg", "7 Cy Coe"
SETUPS = """\
meeting,driver,run,factor,value
spring,Ann Arbor,1,rear_bar,1.3
"""
BACK_TO_BACK = "spring,Ann Arbor,2,rear_bar,1.4\nspring,Ann Arbor,3,rear_bar,1.3\n"


def day(
    folder: Path,
    cars: tuple[str, ...],
    runs: int = 3,
    laps: int = 12,
    start: Callable[[int], str] = lambda run: f"{10 + run}:00:00",
    **files: str,
) -> Path:
    """A team folder with one meeting of these cars in the store."""
    chance = np.random.default_rng(3)
    team_folder(folder, **({"setups": SETUPS + BACK_TO_BACK * (runs > 2)} | files))
    for number in range(runs):
        times: Mapping[str, list[float]] = {
            car: [18.0, *np.round(16 + 0.2 * chance.normal(size=laps - 1), 3)] for car in cars
        }
        path = laps_csv(folder / f"exports/spring/q{number + 1}.csv", times, start(number))
        if not start(number):
            path.write_text("\n".join(path.read_text().splitlines()[1:]) + "\n")
    assert run("--team", folder, "import", folder / "exports", "--meeting", "spring").status == 0
    return folder


def sheet(folder: Path) -> tuple[Said, str]:
    said = run("--team", folder, "meeting", "spring")
    page = folder / "reports/meetings/spring.html"
    return said, page.read_text("utf-8") if page.exists() else ""


def test_a_meeting_without_rivals_has_a_run_sheet(tmp_path: Path) -> None:
    said, page = sheet(day(tmp_path, (ANN, BO)))
    assert (said.status, said.out.splitlines()[-1][:9]) == (0, "Run sheet"), said.err
    assert "Only the team's own cars ran" in said.err
    assert "Ann Arbor, 2" in page and "1.3 → 1.4" in page
    # No words about cars that were not there.
    assert "everybody's laps" not in page and "the others as dots" not in page


@pytest.mark.parametrize(
    ("cars", "more"),
    [
        pytest.param((ANN,), {"runs": 1}, id="one car, one run"),
        pytest.param((ANN,), {"runs": 2}, id="one car, two runs"),
        pytest.param((ANN,), {"start": lambda run: ""}, id="one car, no clock"),
        pytest.param((ANN, BO), {"laps": 3}, id="two clean laps a run"),
        pytest.param(
            (ANN, BO),
            {"toml": '[team]\nname = "T"\n', "setups": "meeting,driver,run,factor,value\n"},
            id="no factors",
        ),
        pytest.param(
            (ANN, BO),
            {"sessions": "meeting,session,exclude\nspring,q2,rain\n"},
            id="a session left out",
        ),
        pytest.param((ANN, RIVAL), {"runs": 1}, id="one run each, with a rival"),
        pytest.param((ANN, BO, RIVAL), {"laps": 3}, id="two clean laps a run, with a rival"),
    ],
)
def test_thin_days_have_a_run_sheet(tmp_path: Path, cars: tuple[str, ...], more: dict) -> None:
    said, page = sheet(day(tmp_path, cars, **more))
    assert said.status == 0, said.err
    assert "Ann Arbor, 1" in page


NO_LOG = {"setups": "meeting,driver,run,factor,value\n"}
RAIN = {"sessions": "meeting,session,exclude\nspring,q1,rain\nspring,q2,rain\nspring,q3,rain\n"}


@pytest.mark.parametrize(
    ("cars", "more", "words"),
    [
        ((ANN, BO), {"laps": 2, "runs": 2}, "no run with two clean laps"),
        ((RIVAL,), NO_LOG, "no run of a driver of the team"),
        ((ANN, BO), RAIN, "every run of 'spring' is left out (rain)"),
    ],
)
def test_days_that_tell_nothing_say_why(
    tmp_path: Path, cars: tuple[str, ...], more: dict, words: str
) -> None:
    said, page = sheet(day(tmp_path, cars, **more))
    assert (said.status, page) == (1, "")
    assert words in said.err and "fault of the program" not in said.err


def test_a_meeting_of_rivals_alone_says_so(tmp_path: Path) -> None:
    """Another meeting in the store has runs of the team."""
    folder = day(tmp_path, (ANN, RIVAL))
    laps_csv(folder / "exports/summer/q1.csv", {RIVAL: [18.0, 16.1, 16.2, 16.1, 16.3]})
    run("--team", folder, "import", folder / "exports/summer", "--meeting", "summer")
    said = run("--team", folder, "meeting", "summer")
    assert said.status == 1 and "'summer' has no run of a driver of the team" in said.err
