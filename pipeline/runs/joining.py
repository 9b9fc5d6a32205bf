"""Two streams for one run: a second transponder, a second export, or the rest of the heat."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd


def one_run_each(
    streams: pd.DataFrame, laps: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Of streams that tell of the same laps, the longest; streams that follow are joined.

    streams: see streams.read_streams, and `run`; laps: stream, lap. Returns the streams with
    `used`, the laps that stay, and a sentence for each stream that was left out.
    """
    several = streams[streams["run"].duplicated(keep=False)]
    drop, notes = [], []
    numbers = laps[laps["stream"].isin(several.index)].groupby("stream")["lap"].agg(["min", "max"])
    for _, rows in several.groupby("run", sort=False):
        rows = rows.join(numbers).sort_values("n_laps", ascending=False, kind="stable")
        kept = [rows.iloc[0]]
        for place in range(1, len(rows)):
            if any(_same_laps(rows.iloc[place], other) for other in kept):
                drop.append(rows.index[place])
                notes.append(_told_twice(kept[0], rows.iloc[place]))
            else:
                kept.append(rows.iloc[place])
    if len(several):
        laps = laps[~laps["stream"].isin(drop)]
        laps = _renumbered(laps, streams, set(several["run"]))
    return streams.assign(used=~streams.index.isin(drop)), laps, notes


def _same_laps(one: Any, other: Any) -> bool:
    if not np.isnan(one["first_s"]) and not np.isnan(other["first_s"]):
        return bool(one["first_s"] < other["last_s"] - 1 and other["first_s"] < one["last_s"] - 1)
    return bool(one["min"] <= other["max"] and other["min"] <= one["max"])


def _told_twice(kept: Any, left: Any) -> str:
    def shown(stream: Any) -> str:
        number = f", transponder {stream['transponder']}" if pd.notna(stream["transponder"]) else ""
        return f"{stream['n_laps']} laps of {stream['source']}{number}"

    return (
        f"{kept['driver']} at {kept['meeting']}, {kept['session']}: the same run twice; kept "
        f"{shown(kept)}, left out {shown(left)}"
    )


def _renumbered(laps: pd.DataFrame, streams: pd.DataFrame, several: set[int]) -> pd.DataFrame:
    """Laps of joined streams count through, in order of time."""
    run = streams["run"].to_numpy()[laps["stream"].to_numpy()]
    begin = streams["first_s"].to_numpy()[laps["stream"].to_numpy()]
    mixed = laps[np.isin(run, list(several))].assign(
        run=run[np.isin(run, list(several))], begin=begin[np.isin(run, list(several))]
    )
    mixed = mixed.sort_values(["run", "begin", "lap"], kind="stable")
    clash = mixed.duplicated(["run", "lap"], keep=False).groupby(mixed["run"]).transform("any")
    count = mixed.groupby("run").cumcount() + 1
    lap = laps["lap"].copy()
    lap.loc[mixed.index] = mixed["lap"].where(~clash, count)
    return laps.assign(lap=lap)
