"""Timing exports of a million laps in each layout, for the benchmarks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv

CARS, LAPS, HEATS_A_DAY, DRIVERS = 12, 25, 110, 60
FIRST_DAY = "1999-12-25"  # before the days of `stores`: nobody is in two runs at once


def passings(laps: int, seed: int = 3) -> pd.DataFrame:
    """Heats of 12 cars, 110 a day: heat, car, number (0 opens), lap_s, at; a row a passing."""
    rng = np.random.default_rng(seed)
    heats = max(laps // (CARS * LAPS), 1)
    heat, car, number = (axis.ravel() for axis in np.indices((heats, CARS, LAPS + 1)))
    lap_s = np.round(rng.normal(16, 0.25, len(heat)), 3)
    lap_s[number == 0] = np.round(rng.uniform(0, 3, heats * CARS), 3)
    elapsed = np.cumsum(lap_s.reshape(-1, LAPS + 1), axis=1).ravel()
    day, turn = np.divmod(heat, HEATS_A_DAY)
    milliseconds = np.round(1000 * (86_400.0 * day + 28_800 + 420.0 * turn + elapsed))
    at = np.datetime64(FIRST_DAY, "ms") + milliseconds.astype("m8[ms]")
    driver = (heat * CARS + car) % DRIVERS
    columns = {"heat": heat, "driver": driver, "number": number, "lap_s": lap_s, "at": at}
    return pd.DataFrame(columns)


def write_laps(path: Path, laps: int) -> None:
    """A row a lap: driver, transponder, lap, lap time, time of day and session."""
    rows = passings(laps)
    rows = rows[rows["number"] > 0]
    table = pa.table({
        "Session": _joined("Heat ", rows["heat"]), "Driver": _joined("Driver ", rows["driver"]),
        "Transponder": pa.array(100_000 + rows["driver"].to_numpy()),
        "Lap": pa.array(rows["number"].to_numpy()), "Lap time": pa.array(rows["lap_s"].to_numpy()),
        "Time of day": _clock(rows["at"]),
    })  # fmt: skip
    pa.csv.write_csv(table, path)


def write_passings(path: Path, laps: int) -> None:
    """A row a crossing of the line: time of day and transponder, in order of time."""
    rows = passings(laps).sort_values("at", kind="stable")
    numbers = pa.array(100_000 + rows["driver"].to_numpy())
    pa.csv.write_csv(pa.table({"Time of day": _clock(rows["at"]), "Transponder": numbers}), path)


def write_grid(path: Path, laps: int, drivers: int = 100) -> None:
    """A column a driver, a row a lap."""
    times = np.random.default_rng(3).normal(16, 0.25, (laps // drivers, drivers))
    columns = {f"Driver {d}": np.round(times[:, d], 3) for d in range(drivers)}
    pa.csv.write_csv(pa.table({"Lap": np.arange(len(times)) + 1, **columns}), path)


def _joined(word: str, numbers: pd.Series) -> pa.Array:
    """'Heat 7' for 7."""
    names = pa.array([f"{word}{i}" for i in range(int(numbers.max()) + 1)])
    return names.take(pa.array(numbers.to_numpy()))


def _clock(at: pd.Series) -> pa.Array:
    return pa.array(np.char.replace(np.datetime_as_string(at.to_numpy(), unit="ms"), "T", " "))


WRITERS: dict[str, Callable[[Path, int], None]] = {
    "laps": write_laps,
    "passings": write_passings,
    "grid": write_grid,
}
