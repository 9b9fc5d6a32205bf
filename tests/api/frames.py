"""A season as a notebook user would hold it: two frames and a list of dicts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from pipeline.tables.records import SeasonData
from pipeline.team.factors import Factor


def frames(data: SeasonData) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Runs and laps; the start so that its middle is the hour that the data have."""
    seconds = np.bincount(data.laps["run"], data.laps["lap_s"], len(data.runs))
    start = data.runs["hour"] * 3600 - seconds / 2
    runs = data.runs.drop(columns=["hour", "hour_known"])
    runs["start"] = pd.to_datetime(runs["date"]) + pd.to_timedelta(start, unit="s")
    return runs, data.laps.copy()


def dicts(factors: tuple[Factor, ...]) -> list[dict[str, Any]]:
    """The factors as [[factor]] has them."""
    return [
        {
            "name": f.name, "label": f.label, "kind": f.kind, "levels": list(f.levels),
            "reference": f.reference, "unit": f.unit,
        }
        for f in factors
    ]  # fmt: skip
