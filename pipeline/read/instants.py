"""Times of day as instants: dates, zones, numbers that stand for times."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from pipeline.errors import CallError, Problem
from pipeline.read.clocks import DAY, NO_DAY, Clocks, spreadsheet_days
from pipeline.read.keys import distinct

NO_TIME = np.iinfo(np.int64).min
SECOND = 1_000_000
HALF_DAY = DAY // 2
LATEST = 84_000 * DAY  # in the year 2199; an instant beyond is a misread number


def zone_of(name: str) -> ZoneInfo:
    """The time zone. Raises CallError where there is none of that name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise CallError(
            "the meeting's time zone is not known",
            [Problem(f"'{name}'", "an IANA name such as Europe/Berlin", "meetings.csv")],
        ) from None


def is_reverse(times: np.ndarray, groups: np.ndarray) -> bool:
    """True where the rows of a file run from the latest time to the earliest."""
    steps = np.diff(times)
    # Half of the steps or more are asked below, and of these more than seven in ten must fall.
    if np.count_nonzero(steps < 0) <= 0.35 * len(steps):
        return False
    same = np.diff(groups) == 0
    if np.count_nonzero(same) > len(same) / 2:
        steps = steps[same]
    return len(steps) > 2 and bool(np.count_nonzero(steps < 0) > 0.7 * len(steps))


def to_utc(local: np.ndarray, late: np.ndarray, zone: ZoneInfo) -> np.ndarray:
    """UTC microseconds of local ones (n,). A local time that summer time skips is read as if the
    clock had not yet been put forward."""
    quarter = local // (900 * SECOND)
    unique, codes = distinct(quarter)
    first = np.array([_offset_at(int(q), zone, 0) for q in unique], dtype=np.int64)
    shifts = first[codes]
    if late.any():
        second = np.array([_offset_at(int(q), zone, 1) for q in unique], dtype=np.int64)
        shifts = np.where(late, second[codes], shifts)
    return local - shifts


@lru_cache(maxsize=4_096)
def _offset_at(quarter: int, zone: ZoneInfo, fold: int) -> int:
    moment = datetime.fromtimestamp(quarter * 900, UTC).replace(tzinfo=zone, fold=fold)
    shift = moment.utcoffset()
    return int(shift.total_seconds() * SECOND) if shift is not None else 0


def numbers_as_times(number: np.ndarray, first_day: int | None) -> tuple[str, np.ndarray]:
    """What plain numbers in a column of times are, and their value in microseconds.

    'utc': seconds, milliseconds or microseconds since 1970. 'local': spreadsheet days, or
    fractions of a day (then of the day, not the era). 'elapsed': seconds from some start.
    """
    known = number[~np.isnan(number)]
    if not len(known):
        return "", np.full(len(number), NO_TIME)
    middle, low, high = float(np.median(known)), float(known.min()), float(known.max())
    for unit in (1, 1e3, 1e6):
        if 3e8 * unit < middle < 4e9 * unit:
            return "utc", _micros(number * (SECOND / unit))
    if low >= 0 and high < 1:
        return "local", _micros(np.round(number * DAY / 1_000) * 1_000)
    if low > 20_000 and high < 80_000 and high - low < 10 and _near(low, first_day):
        days, micros = spreadsheet_days(np.nan_to_num(number))
        return "local", np.where(np.isnan(number), NO_TIME, days * DAY + micros)
    return "elapsed", _micros(number * SECOND)


def _near(serial: float, first_day: int | None) -> bool:
    if first_day is None:
        return True
    days, _ = spreadsheet_days(np.array([serial]))
    return abs(int(days[0]) - first_day) < 15


def _micros(values: np.ndarray) -> np.ndarray:
    safe = np.abs(np.nan_to_num(values, nan=np.inf)) < LATEST
    return np.where(safe, np.round(np.where(safe, values, 0)), NO_TIME).astype(np.int64)


def local_of(clocks: Clocks, days: np.ndarray | None, default_day: int | None) -> np.ndarray:
    """Microseconds of the era (or of the day, where no date is known); NO_TIME if unreadable."""
    day = clocks.day
    if days is not None:
        day = np.where(day == NO_DAY, days, day)
    if default_day is not None:
        day = np.where(day == NO_DAY, default_day, day)
    day = np.where(day == NO_DAY, 0, day)
    return np.where(clocks.micros >= 0, day * DAY + clocks.micros, NO_TIME)
