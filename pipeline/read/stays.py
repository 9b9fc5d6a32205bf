"""Sessions and stays: which rows belong to one stay of one car on the track.

A *stay* is a stretch of rows of one car without a long gap and without a restart of its laps.
Where a file does not say which session a row belongs to, a session is a cluster of stays that
overlap in time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.read.keys import order_of, places_in

# A gap ends a stay if it is longer than this many of the file's median lap and than this time:
# a car that waits for a marshal or limps round is back sooner, a heat's break is longer.
GAP_LAPS = 5.0
GAP_SECONDS = 90.0
# Within one session a car that was away for so long comes back to another run.
AWAY_SECONDS = 300.0
_SECOND = 1_000_000


@dataclass(frozen=True)
class Stays:
    """first (s,): row that begins each stay. counts (s,): its rows. They stand one after the
    other."""

    first: np.ndarray
    counts: np.ndarray

    @property
    def last(self) -> np.ndarray:
        """(s,) row that ends each stay."""
        return self.first + self.counts - 1


def median_lap(ends: np.ndarray, opens: np.ndarray) -> float:
    """Usual seconds between two passings of a car; ends (n,) microseconds sorted within cars."""
    steps = _steps(ends, opens)
    return float(np.median(steps / _SECOND)) if len(steps) else 20.0


def gap_limit(ends: np.ndarray, opens: np.ndarray) -> float:
    """Seconds without a passing that end a stay; ends (n,) microseconds sorted within cars."""
    steps = _steps(ends, opens)
    short = np.count_nonzero(steps <= GAP_SECONDS / GAP_LAPS * _SECOND)
    if short > len(steps) / 2:  # then so is the median
        return GAP_SECONDS
    return max(GAP_LAPS * median_lap(ends, opens), GAP_SECONDS)


def _steps(ends: np.ndarray, opens: np.ndarray) -> np.ndarray:
    """Microseconds between two passings of a car that may be a lap."""
    steps = np.diff(ends)
    return steps[~opens[1:] & (steps > 2 * _SECOND) & (steps < 900 * _SECOND)]


def split_stays(
    cars: np.ndarray, breaks: np.ndarray, starts: np.ndarray, ends: np.ndarray
) -> Stays:
    """Stays of rows that are sorted by car, and within a car in their sequence.

    cars (n,): codes. breaks (n,) bool: a restart that the file shows. starts, ends (n,):
    microseconds at which the lap began and ended (equal for passings); empty arrays where no time
    is known.
    """
    opens = breaks.copy()
    opens[:1] = True
    opens[1:] |= cars[1:] != cars[:-1]
    if len(ends):
        limit = gap_limit(ends, opens) * _SECOND
        gaps = starts[1:] - ends[:-1]
        opens[1:] |= (gaps > limit) | (gaps < -limit)
    first = np.flatnonzero(opens)
    return Stays(first, np.diff(first, append=len(opens)))


def clusters(stays: Stays, starts: np.ndarray, ends: np.ndarray, stretch: np.ndarray) -> np.ndarray:
    """Number of the cluster of each stay, in order of time; stays of a cluster overlap in time.

    starts, ends, stretch (n,) in the order of the stays' rows. Stays of different stretches of a
    clock that was set back are never put together.
    """
    first = stays.first
    begin, end, part = starts[first], ends[stays.last], stretch[first]
    by_time = np.lexsort((begin, part))
    latest = running_latest(end[by_time], part[by_time])
    new = np.ones(len(first), dtype=bool)
    new[1:] = (begin[by_time][1:] > latest[:-1]) | (np.diff(part[by_time]) != 0)
    out = np.empty(len(first), dtype=np.int64)
    out[by_time] = np.cumsum(new) - 1
    return out


def running_latest(end: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Latest end so far within each part; parts are contiguous."""
    latest = end.copy()
    opens = np.flatnonzero(np.append(True, np.diff(part) != 0))
    for first, last in zip(opens, np.append(opens[1:], len(end)), strict=True):
        latest[first:last] = np.maximum.accumulate(end[first:last])
    return latest


def number_stays(groups: np.ndarray) -> np.ndarray:
    """Place of each stay among those of its group (car and session), from 0; groups (s,) in
    order of time."""
    order = order_of(groups)
    out = np.empty(len(groups), dtype=np.int64)
    out[order] = places_in(np.append(True, np.diff(groups[order]) != 0))
    return out


def several_per_car(stay_car: np.ndarray, cluster: np.ndarray) -> bool:
    """True if some car has stays in more than one cluster: the file covers several sessions."""
    order = order_of(stay_car)
    cars, clusters = stay_car[order], cluster[order]
    return bool(((np.diff(cars) == 0) & (np.diff(clusters) != 0)).any())
