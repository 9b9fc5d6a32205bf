"""What people do with such laps: all laps at one setting against all laps at the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from scipy import stats

if TYPE_CHECKING:
    from tests.real.draws import Draw

# Laps within this share of the driver's best at the meeting are 'good' ones.
GOOD = 1.07


def t_test_on_laps(world: Draw) -> float:
    """p-value of the team's good laps at B against those at A, each less its driver's mean at the
    meeting; forgets that laps of a run share its luck, and when they were driven."""
    laps = _good_laps(world)
    level = laps["lap_s"] - laps.groupby("entry")["lap_s"].transform("mean")
    return float(stats.ttest_ind(level[laps["b"]], level[~laps["b"]], equal_var=False).pvalue)


def best_laps_compared(world: Draw) -> float:
    """p-value of the differences of a driver's best laps at B and A, meeting by meeting."""
    laps = _good_laps(world)
    best = laps.groupby(["entry", "b"])["lap_s"].min().unstack()
    if best.shape[1] < 2:
        return float("nan")
    return float(stats.ttest_1samp((best[True] - best[False]).dropna(), 0.0).pvalue)


def _good_laps(world: Draw) -> pd.DataFrame:
    runs = world.runs.iloc[world.laps["run"]]
    laps = pd.DataFrame(
        {
            "lap_s": world.laps["lap_s"].to_numpy(),
            "entry": (runs["driver"] + " " + runs["meeting"]).to_numpy(),
            "b": world.changed,
            "team": runs["team"].to_numpy(),
        }
    )
    laps = laps[laps["team"]]
    return laps[laps["lap_s"] < GOOD * laps.groupby("entry")["lap_s"].transform("min")]
