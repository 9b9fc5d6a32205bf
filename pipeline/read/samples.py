"""What the cells of a column look like: for columns whose header does not tell."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipeline.read.clocks import NO_DAY, read_clocks
from pipeline.read.durations import read_durations

_MOST = 0.8
_LONGEST_LAP = 900.0
_EPOCH = 1e9


@dataclass(frozen=True)
class Look:
    """What a sample of cells looks like; each a share or a bool.

    clock: times of day (two colons with hours, or a date with a time). duration: could be lap
    times. rising: numbers or times that hardly ever fall. whole: whole numbers. distinct:
    different values over all. words: cells that hold letters and are no time.
    """

    filled: int
    clock: bool
    dated: bool
    duration: bool
    lap_like: bool
    rising: bool
    counting: bool
    whole: bool
    digits: float
    distinct: float
    words: bool


def look(cells: list[str]) -> Look:
    """Look at the sample of one column (up to some hundred cells)."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    column = pa.array([cell[:60] for cell in filled], pa.string())
    clocks, durations = read_clocks(column), read_durations(column)
    times = durations.seconds
    read = ~np.isnan(times)
    whole = [re.fullmatch(r"\d+", cell) is not None for cell in filled]
    clock = _are_clocks(filled, clocks.micros, clocks.day)
    values = clocks.micros / 1e6 if clock else times
    return Look(
        filled=len(filled),
        clock=clock,
        dated=bool(filled) and bool((clocks.day != NO_DAY).mean() >= _MOST),
        duration=bool(filled) and bool(read.mean() >= _MOST),
        lap_like=_are_laps(filled, times, read, whole),
        rising=_rises(values[~np.isnan(values)]),
        counting=_counts(filled, whole),
        whole=_most(whole),
        digits=float(np.mean([len(c) for c in filled])) if _most(whole) else 0.0,
        distinct=len(set(filled)) / max(len(filled), 1),
        words=_most([re.search(r"[^\W\d_]", c) is not None for c in filled]) and not clock,
    )


def _most(hits: list[bool]) -> bool:
    return bool(hits) and float(np.mean(hits)) >= _MOST


def _are_clocks(filled: list[str], micros: np.ndarray, day: np.ndarray) -> bool:
    """Times of day have hours: a date beside them, AM or PM, or an hour that is not zero."""
    if not filled or float((micros >= 0).mean()) < _MOST:
        return False
    if float((day != NO_DAY).mean()) >= _MOST:
        return True
    hours = [re.match(r"\s*(\d{1,2})[:.h]\d\d[:.m]\d\d", cell) for cell in filled]
    half = [re.search(r"[AaPp]\.?[Mm]\b|午|時|Uhr", cell) is not None for cell in filled]
    return _most(half) or (_most([m is not None for m in hours]) and bool((micros >= 36e8).any()))


def _are_laps(filled: list[str], times: np.ndarray, read: np.ndarray, whole: list[bool]) -> bool:
    """Durations between a second and a quarter of an hour, written with a part of a second."""
    if not filled or float(read.mean()) < _MOST:
        return False
    inside = (times[read] > 1.0) & (times[read] < _LONGEST_LAP)
    return bool(inside.mean() >= _MOST) and not _most(whole)


def _rises(values: np.ndarray) -> bool:
    """Falls are rare: a column of elapsed or clock times falls only where a new car begins."""
    steps = np.diff(values)
    return len(steps) > 2 and float((steps < 0).mean()) < 0.2 and float((steps > 0).mean()) > 0.5


def _counts(filled: list[str], whole: list[bool]) -> bool:
    """Small whole numbers that mostly go up by one or stay."""
    if not _most(whole) or max(len(cell) for cell in filled) > 15:
        return False
    numbers = np.array([int(c) for c, w in zip(filled, whole, strict=True) if w])
    steps = np.diff(numbers)
    return bool(numbers.max() < 2_000) and (
        len(steps) == 0 or bool((np.abs(steps) <= 1).mean() > 0.4)
    )


def is_epoch(cells: list[str]) -> bool:
    """Seconds, milliseconds or microseconds since 1970."""
    times = read_durations(pa.array([c for c in cells if c.strip()], pa.string()))
    numbers = times.seconds * (1_000 if times.milliseconds else 1)
    return bool(len(numbers)) and bool((numbers > _EPOCH).all())
