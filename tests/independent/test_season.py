"""From files to effects on a season made by other code: `import` and `season`, no --map.

Three layouts: semicolons with decimal comma in a Windows code page, tab-separated passings with a
comment line, UTF-16 grids with a start line.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.tables.schema import EFFECTS
from tests.independent import make_season
from tests.independent.test_models import HERE, PACE, SPREAD, TERMS

pytestmark = pytest.mark.slow
LAYOUTS = {name: layout for name, *_, layout in make_season.MEETINGS}


def backtoback(team: Path, *arguments: object) -> str:
    """The command as a user gives it; its stdout."""
    command = [sys.executable, "-m", "pipeline", "--team", str(team), *map(str, arguments)]
    done = subprocess.run(
        command,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
        cwd=HERE.parents[1],
        env=os.environ | {"PYTHONIOENCODING": "utf-8"},
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout


def bring_in(team: Path, meeting: str, *paths: Path) -> dict[str, Any]:
    """`import` of a meeting's exports, its JSON answer."""
    given = paths or (team / "exports" / meeting,)
    return dict(json.loads(backtoback(team, "import", *given, "--meeting", meeting, "--json")))


@pytest.fixture(scope="module")
def runs() -> list[make_season.Run]:
    return make_season.draw_season()


@pytest.fixture(scope="module")
def team(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_season.write_season(tmp_path_factory.mktemp("season"))


@pytest.fixture(scope="module")
def imported(team: Path) -> dict[str, dict[str, Any]]:
    return {meeting: bring_in(team, meeting) for meeting in LAYOUTS}


@pytest.fixture(scope="module")
def effects(team: Path, imported: dict[str, dict[str, Any]]) -> pd.DataFrame:
    assert imported
    out = team.parent / "results"
    backtoback(team, "season", "--out", out)
    assert (out / "index.html").stat().st_size > 10_000
    table = pd.read_csv(out / "effects.csv", dtype={"level": "str", "reference": "str"})
    assert list(table.columns) == EFFECTS.names
    pd.testing.assert_frame_equal(
        table[["estimate", "std_error"]],
        pd.read_parquet(out / "effects.parquet")[["estimate", "std_error"]],
    )
    return table


def of(effects: pd.DataFrame, outcome: str) -> pd.DataFrame:
    table = effects.query("outcome == @outcome and condition == 'all'")
    return table.set_index(["factor", "level"])


@pytest.mark.parametrize("meeting", LAYOUTS)
def test_every_row_is_accounted_for(
    meeting: str, imported: dict[str, dict[str, Any]], runs: list[make_season.Run]
) -> None:
    told = imported[meeting]
    assert told["rows_in"] == told["rows_kept"] + told["rows_set_aside"]
    own = [run for run in runs if make_season.MEETINGS[run.meeting][0] == meeting]
    driven = sum(len(run.laps) for run in own)
    opening = len(own) if LAYOUTS[meeting] == "passings" else 0  # the first makes no lap
    assert told["laps"] == driven - opening
    assert told["sessions"] in (24, 8)  # eight rounds of three heats
    assert told["drivers"] == 36
    assert told["rows_set_aside"] == 0


def test_names_survive_the_code_pages(team: Path, imported: dict[str, dict[str, Any]]) -> None:
    """Drivers keep their names in every code page, and the team is known by transponder."""
    assert imported
    laps = pd.read_parquet(team / "store" / "laps", columns=["meeting", "driver", "team"])
    by_name = laps[
        laps["meeting"].astype(str).isin([m for m in LAYOUTS if LAYOUTS[m] != "passings"])
    ]
    assert set(by_name["driver"]) == set(make_season.DRIVERS)
    assert set(laps.loc[laps["team"], "driver"]) == set(make_season.TEAM)


def test_pace_is_lme4s_within_an_error(effects: pd.DataFrame) -> None:
    """lme4's model has no slopes and no line of the team's own (test_models.py leaves them out)."""
    found = of(effects, "pace").loc[list(TERMS)]
    wanted = pd.read_csv(HERE / "lme4.csv").set_index("term").loc[list(TERMS.values())]
    step = np.array([float(level) if level[0] == "+" else 1.0 for _, level in TERMS])
    gap = (found["estimate"] - wanted["estimate"].to_numpy() * step) / found["std_error"]
    assert (gap.abs() < 1).all(), gap


@pytest.mark.parametrize(("outcome", "truth"), [("pace", PACE), ("spread", SPREAD)])
def test_intervals_hold_the_truth(
    effects: pd.DataFrame, outcome: str, truth: dict[tuple[str, str], float]
) -> None:
    found, wanted = of(effects, outcome).loc[list(TERMS)], np.array(list(truth.values()))
    assert (found["ci_low"] < wanted).all() and (wanted < found["ci_high"]).all()


def test_what_cannot_be_told_has_its_row_and_no_number(effects: pd.DataFrame) -> None:
    pace = of(effects, "pace")
    for factor, partner in (
        ("rear_spring", "rear_oil"),
        ("rear_oil", "rear_spring"),
        ("wing", "grip"),
    ):
        row = pace.loc[factor].iloc[0]
        assert row["estimate":"q_value"].isna().all()
        assert row["verdict"] == "not separable"
        assert row["mixed_with"] == partner


def test_a_meeting_in_two_files_is_the_same_meeting(team: Path, tmp_path: Path) -> None:
    """The day's list cut in the lunch break gives the laps that the whole list gives."""
    meeting = "birch-hall-1"
    other = make_season.write_season(tmp_path)
    listing = (other / "exports" / meeting / "day.csv").read_bytes().splitlines(keepends=True)
    cut = next(i for i, line in enumerate(listing) if line.startswith(b"Vorlauf 4"))
    halves = [tmp_path / "morning.csv", tmp_path / "afternoon.csv"]
    halves[0].write_bytes(b"".join(listing[:cut]))
    halves[1].write_bytes(b"".join([listing[0], *listing[cut:]]))
    bring_in(other, meeting, *halves)
    columns = ["session", "heat", "driver", "lap", "lap_s", "at", "status"]
    one, two = (
        pd.read_parquet(folder / "store" / "laps", filters=[("meeting", "=", meeting)])[columns]
        for folder in (team, other)
    )
    keys = ["session", "heat", "driver", "lap"]
    one, two = (t.sort_values(keys).reset_index(drop=True) for t in (one, two))
    pd.testing.assert_frame_equal(one, two)
