"""From a table of real laps to runs and laps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.real import made_up
from tests.real.races import races_of, read_races
from tests.real.shapes import ordinary_laps, shapes


def test_a_stint_is_a_run_without_the_lap_into_the_pits() -> None:
    table = made_up.table()
    races = races_of(table)
    assert len(races.runs) == 3 * 8 * 3
    assert len(races.laps) == len(table) - (table["pit"] == "in").sum()
    assert races.runs["laps"].sum() == len(races.laps)
    one = table[(table["meeting"] == 2) & (table["driver"] == 5)]
    runs = races.runs[
        (races.runs["meeting"] == "meeting-02") & (races.runs["driver"] == "Driver 05")
    ]
    assert runs["session"].tolist() == ["Stint 1", "Stint 2", "Stint 3"]
    assert runs["tyre"].tolist() == one.groupby("stint")["tyre"].first().tolist()
    assert runs["start"].dt.strftime("%Y-%m-%d").unique().tolist() == ["2025-04-19"]


def test_times_add_up_from_the_start_of_each_run() -> None:
    table = made_up.table()
    races = races_of(table)
    ends = races.laps.groupby("run")["lap_s"].sum()
    end = races.runs["start"] + ends.map(lambda s: np.timedelta64(round(s * 1000), "ms"))
    follows = (races.runs["driver"] == races.runs["driver"].shift()) & (races.runs["run_no"] > 1)
    # Between two runs lies the lap into the pits that was left out.
    between = (races.runs["start"] - end.shift())[follows].dt.total_seconds()
    assert between.between(85, 115).all()


def test_a_lost_lap_opens_another_run() -> None:
    table = made_up.table(meetings=1, cars=2)
    lost = table.index[(table["driver"] == 2) & (table["lap"] == 4)]
    races = races_of(table.drop(index=lost).sample(frac=1, random_state=3))
    own = races.runs[races.runs["driver"] == "Driver 02"]
    assert own["run_no"].tolist() == [1, 2, 3, 4]
    assert own["laps"].iloc[0] == 3
    assert races.laps[races.laps["run"] == own.index[1]]["lap"].iloc[0] == 1


def test_some_meetings_alone() -> None:
    races = races_of(made_up.table())
    part = races.only(["meeting-01", "meeting-03"])
    assert part.meetings == ["meeting-01", "meeting-03"]
    assert len(part.laps) == part.runs["laps"].sum()
    assert (part.laps.groupby("run").size() == part.runs["laps"]).all()


def test_files_of_two_kinds_and_what_is_missing(tmp_path: Path) -> None:
    table = made_up.table(meetings=1)
    table.to_parquet(tmp_path / "laps.parquet")
    table[["meeting", "driver", "stint", "lap", "start_s", "lap_s"]].to_csv(tmp_path / "laps.csv")
    one, other = (read_races(tmp_path / name) for name in ("laps.parquet", "laps.csv"))
    assert len(one.runs) == len(other.runs)
    assert set(other.runs["tyre"]) == {""}
    with pytest.raises(ValueError, match="stint, lap_s"):
        races_of(table.drop(columns=["stint", "lap_s"]))


def test_shapes_find_what_was_put_in() -> None:
    found = shapes(races_of(made_up.table(stints=4, laps=14)))
    values = {shape.what.split(" (")[0]: shape.values for shape in found}
    low, middle, high = values["SD of laps about the run's own line, %"]
    assert low < middle < high
    assert middle == pytest.approx(100 * 0.4 / 81.4, rel=0.15)
    assert abs(values["autocorrelation at 1, 2, 3 laps"][0]) < 0.1
    assert values["runs of a driver at a meeting"] == (4, 4, 4)
    luck = values["SD of runs about their driver's mean at the meeting, %; the robust one"][0]
    assert luck == pytest.approx(100 * np.hypot(0.3, 0.65) / 81.4, rel=0.3)


def test_laps_that_were_held_are_not_ordinary() -> None:
    laps = ordinary_laps(races_of(made_up.table()))
    assert (laps["lap"] > 1).all()
    assert laps["y"].between(90, 110).all()
    assert laps.groupby("run")["rest"].sum().abs().max() < 1e-8
