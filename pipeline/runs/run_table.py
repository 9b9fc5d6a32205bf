"""Each run's own statistics, for all runs at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    Array = np.ndarray[Any, Any]

COLUMNS = ("laps", "clean_laps", "mean_s", "spread_s", "mistakes", "fade", "total_s", "best_s")


def run_table(runs: pd.DataFrame, laps: pd.DataFrame) -> pd.DataFrame:
    """Statistics of each run, indexed as `runs`; see schema.RUNS for the columns.

    runs: its rows are numbered 0..R-1 by position; a column total_s is taken over where there is
        one, else the sum of the lap times stands for it.
    laps: run (position in runs), lap, lap_s, status.
    The line through the clean laps is ordinary least squares; spread needs three clean laps, fade
    two.
    """
    count = len(runs)
    run, lap = laps["run"].to_numpy(), laps["lap"].to_numpy(dtype=float)
    seconds, status = laps["lap_s"].to_numpy(dtype=float), laps["status"]
    timed = ~status.isin(["missed", "double"]).to_numpy()
    clean, incident = (status == "clean").to_numpy(), (status == "incident").to_numpy()
    out = pd.DataFrame(index=runs.index)
    out["laps"] = np.bincount(run[timed], minlength=count)
    number, mean, spread, fade = _line(run[clean], lap[clean], seconds[clean], count)
    out["clean_laps"], out["mean_s"], out["spread_s"] = number, mean, spread
    out["mistakes"] = np.bincount(run[incident], minlength=count)
    out["fade"] = fade
    total = np.bincount(run, seconds, minlength=count)
    out["total_s"] = (
        runs["total_s"].fillna(pd.Series(total, runs.index)) if "total_s" in runs else total
    )
    best = np.full(count, np.inf)
    np.minimum.at(best, run[clean], seconds[clean])
    out["best_s"] = np.where(np.isinf(best), np.nan, best)
    return out


def _line(run: Array, lap: Array, seconds: Array, count: int) -> tuple[Array, Array, Array, Array]:
    """Per run: laps, mean, SD about the line, slope; deviations are taken from the means."""
    number = np.bincount(run, minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_lap = np.bincount(run, lap, minlength=count) / number
        mean = np.bincount(run, seconds, minlength=count) / number
        x, y = lap - mean_lap[run], seconds - mean[run]
        sxx, sxy, syy = (np.bincount(run, p, minlength=count) for p in (x * x, x * y, y * y))
        slope = np.where(number >= 2, sxy / sxx, np.nan)
        rest = np.maximum(syy - sxy**2 / sxx, 0)
        spread = np.where(number >= 3, np.sqrt(rest / (number - 2)), np.nan)
    return number, mean, spread, slope
