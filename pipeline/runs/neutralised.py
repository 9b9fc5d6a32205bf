"""Laps that were driven while the whole field was slow: which runs they leave, and when it was."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    Array = np.ndarray[Any, Any]

REASON = "the whole field was slow"
# Laps of such statuses say something of the run; the others are its first lap and timing errors.
TELLING = ("clean", "incident", "traffic", "other")
# Two stretches that are closer than this are one, with a car's quick lap in it.
NEAR_HOURS = 1 / 60


def with_neutralised(excluded: pd.Series, laps: pd.DataFrame) -> pd.Series:
    """Why each run stays out (R,), null for no reason: also where it has only neutralised laps.

    laps: run (position in `excluded`), status.
    """
    run = laps["run"].to_numpy()
    telling, neutral = (
        np.bincount(run[laps["status"].isin(names).to_numpy()], minlength=len(excluded)) > 0
        for names in (TELLING, ("neutralised",))
    )
    return excluded.mask(excluded.isna() & neutral & ~telling, REASON)


def stretches(runs: pd.DataFrame, laps: pd.DataFrame) -> pd.DataFrame:
    """When the whole field was slow: date, begin, end (hours since midnight), laps, drivers.

    runs: date, driver, hour (at the middle of the run), hour_known. laps: run (position in runs,
    rising), lap_s, status. Runs without a clock tell no time.
    """
    run, lap_s = laps["run"].to_numpy(np.intp), laps["lap_s"].to_numpy(float)
    total = np.cumsum(lap_s) / 3600
    length = np.bincount(run, lap_s, len(runs)) / 3600
    start = runs["hour"].to_numpy(float) - length / 2
    end = start[run] + total - (np.cumsum(length) - length)[run]
    known = runs["hour_known"].to_numpy(bool)[run]
    rows = np.flatnonzero((laps["status"] == "neutralised").to_numpy() & known)
    slow = pd.DataFrame(
        {
            "date": runs["date"].to_numpy()[run[rows]],
            "begin": end[rows] - lap_s[rows] / 3600,
            "end": end[rows],
            "driver": runs["driver"].to_numpy()[run[rows]],
        }
    ).sort_values(["date", "begin"])
    latest = slow.groupby("date")["end"].cummax().shift()
    new = (slow["date"] != slow["date"].shift()) | (slow["begin"] > latest + NEAR_HOURS)
    return (
        slow.groupby(new.cumsum().to_numpy())
        .agg(date=("date", "first"), begin=("begin", "min"), end=("end", "max"),
             laps=("end", "size"), drivers=("driver", "nunique"))
        .reset_index(drop=True)
    )  # fmt: skip
