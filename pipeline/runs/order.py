"""When sessions were: their order in a day, and a run's hour where no clock tells it."""

from __future__ import annotations

import re
from collections import Counter
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    Array = np.ndarray[Any, Any]

_KIND_ORDER = {"practice": 0, "test": 0, "qualifying": 1, "final": 2}
STEP_HOURS = 0.5


@lru_cache(maxsize=100_000)
def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A key that sorts 'Heat 2' before 'Heat 10'."""
    parts = re.findall(r"\d+|\D+", text.casefold())
    return tuple((0, int(p), "") if p.isdigit() else (1, 0, p.strip()) for p in parts)


def places(streams: pd.DataFrame) -> Array:
    """Each stream's session as a place in its meeting day, from 0.

    By sessions.csv where all of the day's sessions stand in it; else as they follow in the file
    if all come from one; else practice, qualifying, final, and by name within. Used only where
    a start is unknown.
    """
    keys = ["meeting", "date", "class", "session"]
    columns = [*keys, "source", "order", "session_kind", "listed"]
    sessions = streams[columns].sort_values("order", kind="stable").drop_duplicates(keys)
    out = pd.Series(0, index=sessions.index)
    for _, day in sessions.groupby(["meeting", "date", "class"], sort=False):
        out[_in_order(day)] = np.arange(len(day))
    sessions = sessions.assign(place=out)[[*keys, "place"]]
    return streams[keys].merge(sessions, how="left", on=keys)["place"].to_numpy(dtype=float)


def _in_order(day: pd.DataFrame) -> pd.Index[Any]:
    if day["listed"].notna().all():
        return day.sort_values("listed", kind="stable").index
    if day["source"].nunique() == 1:
        return day.index
    rows = zip(day["session_kind"].map(_KIND_ORDER), day["session"].map(natural),
               day["source"].map(natural), day.index, strict=True)  # fmt: skip
    return pd.Index([row[-1] for row in sorted(rows)])


def places_by_number(day: Array, session: Array, kind: Array, run_no: Array) -> Array:
    """Each run's session as a place in its day, from 0, where the drivers' run numbers tell it.

    A session's number is the highest that a run has in it: whoever missed an earlier session has
    a lower one. Of equal numbers practice, qualifying, final, and by name within. All (n,).
    """
    last: dict[tuple[int, str], tuple[Any, ...]] = {}
    for at, name, what, number in zip(day, session, kind, run_no, strict=True):
        own = (number, _KIND_ORDER[what], natural(name))
        last[at, name] = max(last.get((at, name), own), own)
    count: Counter[int] = Counter()
    place = {}
    for at, name in sorted(last, key=lambda key: last[key]):
        place[at, name] = count[at]
        count[at] += 1
    return np.array([place[key] for key in zip(day, session, strict=True)], dtype=float)


def hours(streams: pd.DataFrame) -> tuple[Array, Array]:
    """Start of each stream in local hours since midnight of its date, and whether a clock says so.

    The first passing counts before the session's start. Without either, half an hour a session:
    from the places alone where no session of the day has a clock, else read off between the
    neighbours that have one.
    """
    start = streams["first_s"].fillna(streams["start_s"]).to_numpy(dtype=float) / 3600
    known = ~np.isnan(start)
    if known.all():
        return start, known
    day = streams.groupby(["meeting", "date"], sort=False).ngroup().to_numpy()
    return filled(start, places(streams), day), known


def filled(start: Array, place: Array, day: Array) -> Array:
    """The starts with a guess for those that are NaN, in h. place: of the session in its day. All
    (n,)."""
    out = start.copy()
    known = ~np.isnan(start)
    for number in np.unique(day[~known]):
        here = day == number
        there = here & known
        out[here & ~known] = _guess(place[here & ~known], place[there], start[there])
    return out


def _guess(wanted: Array, place: Array, hour: Array) -> Array:
    if not len(place):
        return wanted * STEP_HOURS
    at = pd.Series(hour).groupby(place).mean()
    inside: Array = np.interp(wanted, at.index, at)
    before = np.minimum(wanted - at.index[0], 0)
    after = np.maximum(wanted - at.index[-1], 0)
    return inside + STEP_HOURS * (before + after)
