"""The demo team from Python: the same numbers as the command, and nothing written unasked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import pipeline
from pipeline.cli import main
from pipeline.public.frames import as_driven
from pipeline.public.seasons import TeamSeason
from tests.api.frames import dicts, frames

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def season(demo: Path) -> TeamSeason:
    return pipeline.open_team(demo).season("touring")


@pytest.fixture(scope="module")
def written(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the command `season` writes."""
    out = tmp_path_factory.mktemp("season")
    with pytest.raises(SystemExit) as stop:
        main(["--team", str(demo), "season", "--class", "touring", "--out", str(out)])
    assert not stop.value.code
    return out


def assert_same(found: pd.DataFrame, expected: pd.DataFrame, rtol: float = 1e-9) -> None:
    pd.testing.assert_frame_equal(
        found.reset_index(drop=True), expected, rtol=rtol, atol=1e-9, check_dtype=False
    )


def test_the_season_is_what_the_command_writes(season: TeamSeason, written: Path) -> None:
    assert_same(season.effects, pd.read_csv(written / "effects.csv", dtype={"level": str}))
    runs = pd.read_parquet(written / "runs.parquet")
    assert_same(season.runs[list(runs)], runs)
    assert_same(season.grip, pd.read_parquet(written / "grip.parquet"))


def test_frames_of_the_season_give_its_effects(season: TeamSeason, written: Path) -> None:
    data = season.joined.data
    assert data.runs["hour_known"].all()
    runs, laps = frames(data)
    mixed = np.random.default_rng(3).permutation(len(laps))
    feels = [feel.name for feel in data.feels]  # of a team folder alone
    found = pipeline.analyse(
        runs.drop(columns=["total_s", "laps", *feels]), laps.iloc[mixed], dicts(data.factors)
    )
    expected = pd.read_csv(written / "effects.csv", dtype={"level": str})
    expected = expected[~expected["outcome"].isin(feels)].reset_index(drop=True)
    pd.testing.assert_frame_equal(found.effects, expected, rtol=1e-5, atol=1e-9, check_dtype=False)
    ours = found.runs[found.runs["team"].astype(bool)]
    np.testing.assert_allclose(
        ours["corrected_s"], season.runs["corrected_s"], rtol=1e-7, equal_nan=True
    )


def test_nothing_is_written_unasked(demo: Path, tmp_path: Path) -> None:
    def files() -> set[Path]:
        return {path for path in demo.rglob("*") if path.is_file()}

    before, team = files(), pipeline.open_team(demo)
    team.check()
    team.meeting("may-test", "touring")
    season = team.season("formula", until="2026-01-31")
    assert files() == before and len(season.effects)
    team.season("formula", until="2026-01-31", out=tmp_path / "out")
    page = (tmp_path / "out" / "index.html").read_text("utf-8")
    assert "backtoback season --class formula --until 2026-01-31" in page
    tables = [
        "effects",
        "choices",
        "switchovers",
        "curves",
        "best_values",
        "properties",
        "tests",
        "changes",
    ]
    names = {f"{table}.{end}" for table in tables for end in ("csv", "parquet")}
    names |= {".backtoback.json", "grip.parquet", "index.html", "runs.parquet"}
    assert {path.name for path in (tmp_path / "out").iterdir()} == names
    assert {path for path in files() ^ before if path.suffix != ".kept"} == set()


def test_statuses_are_found_as_the_import_finds_them(season: TeamSeason) -> None:
    data = season.joined.data
    runs, laps = frames(data)
    found = pipeline.analyse(
        runs, laps.drop(columns="status"), dicts(data.factors), outcomes=[], conditions=[]
    )
    data, _ = as_driven(data)  # as the analysis has them
    told, known = found.found.data.laps["status"].astype(str), data.laps["status"].astype(str)
    # Traffic is told there from the clock of each crossing, file by file; that a whole heat was
    # slow in the rain is seen here, beside the meeting's other heats.
    rain = data.runs["excluded"].notna().to_numpy()[data.laps["run"]]
    ours = (known != "traffic") & ~rain
    assert (told == known)[ours].mean() > 0.9995
    assert set(told[~ours & ~rain]) <= {"traffic", "clean"}


def test_what_a_cell_shows_is_short(demo: Path, season: TeamSeason) -> None:
    team = pipeline.open_team(demo)
    day = pipeline.plan_day("rear_bar", 2, 6)
    shown = list(map(repr, (team, season, season.joined, season.joined.meeting("may-test"), day)))
    assert max(map(len, shown)) < 100 and "effects" in shown[1]
    assert {"analyse", "open_team", "plan_day", "UserError", "CallError"} <= set(dir(pipeline))
