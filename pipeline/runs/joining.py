"""Two streams for one run: a second transponder, a second export, or the rest of the heat. And
one title for two runs: files that tell of a session of the same name at another time."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from pipeline.read.stays import AWAY_SECONDS
from pipeline.runs.order import natural
from pipeline.store.same_laps import LOOSE, common
from pipeline.store.twice import MOST

HEAT_KEY = ["meeting", "date", "class", "session", "heat"]


class _Likeness:
    """Whether two streams of a driver in one heat tell of the same laps, or can be no one run."""

    def __init__(self, streams: pd.DataFrame, laps: pd.DataFrame) -> None:
        own = laps[laps["stream"].isin(streams.index)]
        self.laps: dict[Any, pd.DataFrame] = dict(list(own.groupby("stream")))

    def are_same(self, one: Any, other: Any) -> bool:
        """At the same time; where no time is known, of the same lap numbers, with like laps."""
        if _are_timed(one, other):
            shared = min(one.last_s, other.last_s) - max(one.first_s, other.first_s)
            return bool(shared > 1)
        one_file = one.source == other.source
        return self._share_numbers(one, other) and (one_file or self._are_alike(one, other))

    def are_apart(self, one: Any, other: Any) -> bool:
        """A long time between them; where no time is known, other laps of the same numbers."""
        if _are_timed(one, other):
            gap = max(one.first_s, other.first_s) - min(one.last_s, other.last_s)
            return bool(gap > AWAY_SECONDS)
        return self._share_numbers(one, other) and not self._are_alike(one, other)

    def _share_numbers(self, one: Any, other: Any) -> bool:
        first, second = (self.laps[stream.Index]["lap"] for stream in (one, other))
        return bool(first.min() <= second.max() and second.min() <= first.max())

    def _are_alike(self, one: Any, other: Any) -> bool:
        first, second = (self.laps[stream.Index]["lap_s"].to_numpy() for stream in (one, other))
        return common(first, second, LOOSE) >= MOST * min(len(first), len(second))


def _are_timed(one: Any, other: Any) -> bool:
    return not np.isnan(one.first_s) and not np.isnan(other.first_s)


def told_apart(streams: pd.DataFrame, laps: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """The streams, in heats of their own where files of one title are of different runs, and a
    sentence for each such title.

    streams: see streams.read_streams; laps: stream, lap, lap_s.
    """
    several = streams[streams.groupby(HEAT_KEY)["source"].transform("nunique") > 1]
    if several.empty:
        return streams, []
    likeness, heat, notes = _Likeness(several, laps), streams["heat"].copy(), []
    for (meeting, *_, session, _), rows in several.groupby(HEAT_KEY, sort=False):
        parts = _parts(rows, likeness)
        number = rows["source"].map(parts)
        named = rows["heat"] + np.where(number > 0, " stay " + (number + 1).astype(str), "")
        heat[rows.index] = named.str.strip()
        if number.any():
            files = ", ".join(parts)
            notes.append(
                f"{meeting}: {files} tell of other runs of one session, '{session}'; they count as "
                f"{number.max() + 1} heats of it. Give one of them a name of its own (--session)"
            )
    return streams.assign(heat=heat), notes


def _parts(rows: pd.DataFrame, likeness: _Likeness) -> dict[str, int]:
    """Source -> number of its heat, from 0, in order of time, else of the files' names."""
    files: dict[str, list[Any]] = {}
    for stream in rows.itertuples():
        files.setdefault(str(stream.source), []).append(stream)

    def are_apart(source: str, other: str) -> bool:
        pairs = ((a, b) for a in files[source] for b in files[other] if a.driver == b.driver)
        return any(likeness.are_apart(a, b) for a, b in pairs)

    def begin(source: str) -> float:
        return min((s.first_s for s in files[source] if not np.isnan(s.first_s)), default=np.inf)

    parts: dict[str, int] = {}
    for source in sorted(files, key=lambda name: (begin(name), natural(name))):
        taken = {number for other, number in parts.items() if are_apart(source, other)}
        parts[source] = next(number for number in range(len(files)) if number not in taken)
    return parts


def one_run_each(
    streams: pd.DataFrame, laps: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Of streams that tell of the same laps, the longest; streams that follow are joined.

    streams: see streams.read_streams, and `run`; laps: stream, lap, lap_s. Returns the streams with
    `used`, the laps that stay, and a sentence for each stream that was left out.
    """
    several = streams[streams["run"].duplicated(keep=False)]
    drop, notes = [], []
    likeness = _Likeness(several, laps)
    for _, rows in several.groupby("run", sort=False):
        first, *others = rows.sort_values("n_laps", ascending=False, kind="stable").itertuples()
        kept = [first]
        for stream in others:
            if any(likeness.are_same(stream, other) for other in kept):
                drop.append(stream.Index)
                notes.append(_told_twice(kept[0], stream))
            else:
                kept.append(stream)
    if len(several):
        laps = laps[~laps["stream"].isin(drop)]
        laps = _renumbered(laps, streams, set(several["run"]))
    return streams.assign(used=~streams.index.isin(drop)), laps, notes


def _told_twice(kept: Any, left: Any) -> str:
    def shown(stream: Any) -> str:
        number = f", transponder {stream.transponder}" if pd.notna(stream.transponder) else ""
        return f"{stream.n_laps} laps of {stream.source}{number}"

    return (
        f"{kept.driver} at {kept.meeting}, {kept.session}: the same run twice; kept "
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
