"""Small days for these tests: a team folder, runs of the store, logbooks as text."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from pipeline.runs.gathering import gather
from pipeline.team.folder import Team, load_team
from tests.folders import TOML, team_folder
from tests.laps import heat, stored

FEELS = """
[[feel]]
name = "rear_grip"
label = "Rear grip"
worse = "loose"
better = "planted"

[[feel]]
name = "steering"
label = "Steering"
worse = "dull"
better = "sharp"
"""
HEAD = "meeting,driver,run,start,rear_bar,ride_height,rear_grip,steering,note\n"
CHANGES = "meeting,driver,run,factor,value\n"
LAPS = [18.0, 16.0, 16.2]
# Start of each run at spring.
STARTS = ("10:00", "11:00", "12:00", "13:00")
BOOK = HEAD + (
    "spring,Ann Arbor,1,09:55,1.3,5.2,0,1,\n"
    "spring,Ann Arbor,2,10:55,1.4,5.2,-1,,windy\n"
    "spring,Ann Arbor,3,11:55,1.4,5.4,-2,2,\n"
    "spring,Ann Arbor,4,12:55,1.3,5.4,1,,\n"
)


def day(
    folder: Path,
    starts: tuple[str, ...] = STARTS,
    kept: str = BOOK,
    typed: str = CHANGES,
    **files: str,
) -> Path:
    """A team folder with Ann's and Bo's runs at these times, and Ann's logbook in it."""
    team_folder(folder, toml=TOML + FEELS, setups=typed, **files)
    cars = {"101 Ann Arbor": LAPS, "102 Bo Burg": LAPS, "7 Cy": LAPS}
    if starts:
        stored(folder, *(heat(f"S{n}", start, cars) for n, start in enumerate(starts, 1)))
    if kept:
        keep(folder, kept)
    return folder


def keep(folder: Path, text: str, name: str = "spring/Ann-Arbor.csv") -> Path:
    """A logbook as it lies in the team folder."""
    path = folder / "logbooks" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def team_of(folder: Path) -> Team:
    return load_team(folder)


def joined(folder: Path, driver: str = "Ann Arbor") -> tuple[pd.DataFrame, list[str], list[str]]:
    """The driver's runs, the problems of the log and its warnings, as text."""
    season = gather(load_team(folder))
    runs = season.runs[season.runs["driver"] == driver]
    return runs, list(map(str, season.setups.problems)), season.setups.warnings


def answer(folder: Path, column: str = "rear_bar", driver: str = "Ann Arbor") -> str:
    """A driver's settings or scores as one string, '.' for not known."""
    runs, _, _ = joined(folder, driver)
    return " ".join(runs[column].astype("object").where(runs[column].notna(), ".").astype(str))
