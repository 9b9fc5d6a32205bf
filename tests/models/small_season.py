"""A small season for the models: three meetings, twelve cars, four of them of the team."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from pipeline.tables.records import SeasonData
from pipeline.team.folder import Factor

BAR = Factor(name="bar", label="Bar", kind="ordered", levels=("1.2", "1.3", "1.4"), reference="1.3")
SPRING = Factor(
    name="spring", label="Spring", kind="category", levels=("soft", "hard"), reference="soft"
)
TEXT = ["meeting", "date", "class", "session", "session_kind", "heat", "driver", "start"]
TEXT += ["surface", "grip", "excluded", "bar", "spring"]


def season(seed: int = 3, meetings: int = 3, cars: int = 12, team: int = 4) -> SeasonData:
    """Every car runs seven times a meeting; settings of the team change at random."""
    rng = np.random.default_rng(seed)
    shape = [(m, turn, d) for m in range(meetings) for turn in range(7) for d in range(cars)]
    meeting, turn, driver = np.array(shape).T
    ours = driver < team
    bar = rng.choice(BAR.levels, len(driver))
    spring = rng.choice(SPRING.levels, len(driver))
    hour = 9 + turn + 0.2 * (driver % 3)
    day = np.array([f"2026-0{m + 3}-07" for m in meeting])
    kinds = np.array(["practice"] * 2 + ["qualifying"] * 3 + ["final"] * 2)
    runs = pd.DataFrame(
        {
            "meeting": [f"meeting {m}" for m in meeting],
            "date": day,
            "class": "",
            "session": [f"round {t}" for t in turn],
            "session_kind": kinds[turn],
            "heat": [f"heat {d % 3}" for d in driver],
            "driver": [f"driver {d:02}" for d in driver],
            "team": ours,
            "run_no": turn + 1,
            "hour": hour,
            "hour_known": True,
            "start": [f"{d}T{int(h):02}:00:00" for d, h in zip(day, hour, strict=True)],
            "surface": "carpet",
            "grip": None,
            "excluded": None,
            "bar": np.where(ours, bar, None),
            "spring": np.where(ours, spring, None),
        }
    )
    pace = 15 + 0.4 * np.exp(-(hour - 9) / 2) + rng.normal(0, 0.08, len(driver))
    pace += rng.normal(0, 0.3, cars)[driver]
    pace += rng.normal(0, 0.1, meetings * cars)[meeting * cars + driver]
    pace += np.where(ours & (bar == "1.4"), -0.1, 0) + np.where(ours & (spring == "hard"), 0.05, 0)
    sigma = rng.uniform(0.12, 0.36, cars)[driver]
    laps = draw_laps(rng, pace, sigma)
    return SeasonData(typed(runs), laps, (BAR, SPRING))


def draw_laps(rng: np.random.Generator, pace: np.ndarray, sigma: np.ndarray) -> pd.DataFrame:
    """About sixteen laps a run, one in twenty-five lost to an incident."""
    count = rng.integers(12, 20, len(pace))
    run = np.repeat(np.arange(len(pace)), count)
    lap = np.concatenate([np.arange(1, n + 1) for n in count])
    lost = rng.random(len(run)) < 0.04
    lap_s = pace[run] + 0.2 * np.exp(-lap / 2) + 0.005 * lap
    lap_s += sigma[run] * rng.normal(size=len(run))
    lap_s += np.where(lost, rng.uniform(3, 8, len(run)), 0)
    status = np.where(lap == 1, "first", np.where(lost, "incident", "clean"))
    return pd.DataFrame({"run": run, "lap": lap, "lap_s": lap_s, "status": status})


def typed(runs: pd.DataFrame) -> pd.DataFrame:
    return runs.astype(dict.fromkeys(TEXT, "str"))


def with_laps(data: SeasonData, lap_s: pd.Series) -> SeasonData:
    return replace(data, laps=data.laps.assign(lap_s=lap_s))


def reordered(data: SeasonData, runs: np.ndarray, laps: np.ndarray) -> SeasonData:
    """Rows of both tables in another order; laps still point to their run."""
    place = np.empty(len(runs), int)
    place[runs] = np.arange(len(runs))
    moved = data.laps.iloc[laps].reset_index(drop=True)
    moved["run"] = place[moved["run"]]
    return replace(data, runs=data.runs.iloc[runs].reset_index(drop=True), laps=moved)


def added(data: SeasonData, more: pd.DataFrame, laps: pd.DataFrame) -> SeasonData:
    """Further runs at the end, with laps that count from the first of them."""
    late = laps.assign(run=laps["run"] + len(data.runs))
    runs = typed(pd.concat([data.runs, more], ignore_index=True))
    return replace(data, runs=runs, laps=pd.concat([data.laps, late], ignore_index=True))
