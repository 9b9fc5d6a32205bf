"""What the benchmarks measure is what they say: nothing set aside, nothing lost."""

from pathlib import Path

import pytest

from pipeline.runs.gathering import load_season, stream_season
from pipeline.store.importing import ImportCall, import_exports
from pipeline.store.parquet import open_store
from pipeline.team.folder import load_team
from tests.benchmarks.exports import WRITERS, passings
from tests.benchmarks.stores import Size, write_team

SMALL = Size(meetings=3, drivers=10, runs=4, factors=2, pool=14)


@pytest.mark.parametrize("layout", WRITERS)
def test_every_lap_of_an_export_is_kept(tmp_path: Path, layout: str) -> None:
    team = write_team(tmp_path, Size(meetings=1, drivers=5, runs=1))
    WRITERS[layout](tmp_path / "export.csv", 900)
    call = ImportCall((tmp_path / "export.csv",), "m00000", layout=layout)
    report = import_exports(load_team(team), call).as_json()
    assert (report["laps"], report["rows_set_aside"]) == (900, 0)
    laps = open_store(team).read("laps", ["m00000"], ["lap_s", "source"])
    times = laps.loc[laps["source"] == "export.csv", "lap_s"]
    if layout != "grid":
        rows = passings(900)
        assert sorted(times) == pytest.approx(sorted(rows.loc[rows["number"] > 0, "lap_s"]))


def test_a_store_of_the_asked_size(tmp_path: Path) -> None:
    team = load_team(write_team(tmp_path, SMALL))
    data = load_season(team)
    assert len(data.runs) == 3 * 10 * 4
    assert data.runs["team"].sum() == 3 * 2 * 4
    assert data.runs.loc[data.runs["team"], ["part_0", "part_1"]].notna().all(axis=None)
    assert len(data.laps) == len(open_store(tmp_path).read("laps", columns=["lap"]))


def test_streamed_and_gathered_laps_are_the_same(tmp_path: Path) -> None:
    team = load_team(write_team(tmp_path, SMALL))
    whole = load_season(team)
    parts = list(stream_season(team, laps_at_once=1))
    assert len(parts) == SMALL.meetings
    assert sum(len(part.runs) for part in parts) == len(whole.runs)
    assert sum(part.laps["lap_s"].sum() for part in parts) == pytest.approx(
        whole.laps["lap_s"].sum()
    )
