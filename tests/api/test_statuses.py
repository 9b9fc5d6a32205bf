"""What `analyse` finds where frames do not say it: the status of laps, the order of sessions."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

import pipeline
from pipeline.runs.order import places_by_number
from tests.read.simulated_traffic import LAPS, Heat, drive

HEATS, CARS = 8, 10


def found(runs: pd.DataFrame, laps: pd.DataFrame) -> Any:
    return pipeline.analyse(runs, laps, [], outcomes=[], conditions=[])


def hindered(offset: float) -> tuple[list[Heat], pd.DataFrame, pd.DataFrame]:
    """Heats in which cars hold each other up; offset: s by which starts miss the whole second."""
    rng = np.random.default_rng(4)
    heats = [drive(CARS, rng) for _ in range(HEATS)]
    starts = [heat.begin[::LAPS] + 9 * 3600 + 600 * n for n, heat in enumerate(heats)]
    start = pd.Timestamp("2026-05-03") + pd.to_timedelta(np.concatenate(starts) + offset, unit="s")
    turn, car = np.divmod(np.arange(HEATS * CARS), CARS)
    runs = pd.DataFrame(
        {
            "meeting": "club day", "date": "2026-05-03", "session_kind": "practice",
            "session": [f"round {n + 1}" for n in turn], "driver": car, "team": car < 2,
            "run_no": turn + 1, "start": start,
        }
    )  # fmt: skip
    run = np.concatenate([heat.run + CARS * n for n, heat in enumerate(heats)])
    lap_s = np.concatenate([heat.lap_s for heat in heats])
    laps = pd.DataFrame({"run": run, "lap": np.tile(np.arange(1, LAPS + 1), HEATS * CARS)})
    return heats, runs, laps.assign(lap_s=lap_s)


def test_traffic_is_told_where_starts_are_fine() -> None:
    heats, runs, laps = hindered(offset=0.25)
    status = found(runs, laps).found.data.laps["status"].to_numpy(str)
    lost = np.concatenate([heat.lost for heat in heats])
    settled = status != "first"
    assert (status == "traffic")[settled & (lost > 0.05)].mean() > 0.6
    assert (status == "traffic")[settled & (lost == 0)].mean() < 0.12


def test_else_it_is_not_and_that_is_said() -> None:
    _, runs, laps = hindered(offset=0.0)
    analysis = found(runs, laps)
    assert "traffic" not in set(analysis.found.data.laps["status"])
    assert any("lost to traffic" in note for note in analysis.notes)
    _, fine, _ = hindered(offset=0.25)
    assert not any("lost to traffic" in note for note in found(fine, laps).notes)


def test_a_missing_lap_ends_what_the_clock_can_tell() -> None:
    _, runs, laps = hindered(offset=0.25)
    broken = laps[laps["lap"] != 2]
    assert "traffic" not in set(found(runs, broken).found.data.laps["status"])


@pytest.mark.parametrize(
    ("sessions", "places"),
    [
        # two drivers, in order
        ([(1, "A", 1), (1, "B", 2), (2, "A", 1), (2, "B", 2)], {"A": 0, "B": 1}),
        # the second missed A: B is still after it
        ([(1, "A", 1), (1, "B", 2), (2, "B", 1), (2, "C", 2)], {"A": 0, "B": 1, "C": 2}),
        # nobody ran both: by name, ten after nine
        ([(1, "Run 10", 1), (2, "Run 9", 1)], {"Run 9": 0, "Run 10": 1}),
    ],
)  # fmt: skip
def test_run_numbers_tell_the_order_of_sessions(sessions: Any, places: dict[str, int]) -> None:
    _, names, numbers = zip(*sessions, strict=True)
    zero = np.zeros(len(names), dtype=int)
    kind = np.full(len(names), "practice")
    found = places_by_number(zero, np.array(names), kind, np.array(numbers))
    assert dict(zip(names, found.tolist(), strict=True)) == places


def test_without_a_clock_half_an_hour_a_session() -> None:
    _, runs, laps = hindered(offset=0.0)
    shuffled = np.random.default_rng(1).permutation(len(runs))
    place = np.argsort(shuffled)
    data = found(
        runs.drop(columns="start").iloc[shuffled], laps.assign(run=place[laps["run"]])
    ).found.data
    assert not data.runs["hour_known"].any()
    number = data.runs["session"].str.removeprefix("round ").astype(float)
    np.testing.assert_allclose(data.runs["hour"], (number - 1) / 2)


def test_some_clocks_carry_the_others() -> None:
    _, runs, laps = hindered(offset=0.0)
    runs.loc[runs["session"] == "round 3", "start"] = pd.NaT
    data = found(runs, laps).found.data
    hour = data.runs.groupby("session")["hour"].mean()
    assert hour["round 2"] < hour["round 3"] < hour["round 4"]
    assert (~data.runs["hour_known"]).sum() == CARS


def test_runs_that_tell_nothing_are_the_users_matter() -> None:
    _, runs, laps = hindered(offset=0.0)
    with pytest.raises(pipeline.UserError, match="too few, or too much alike"):
        pipeline.analyse(runs, laps.assign(lap_s=15.0), [], outcomes=["race"])
    with pytest.raises(pipeline.UserError, match="clean laps enough to tell spread"):
        pipeline.analyse(runs, laps[laps["lap"] < 4], [], outcomes=["spread"])
    with pytest.raises(pipeline.UserError, match="no run can be used"):
        pipeline.analyse(runs.assign(excluded="rain"), laps, [])
