"""Times of day as instants: dates, midnight, summer time, clocks that were set back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from pipeline.errors import CallError, Problem
from pipeline.read.clocks import DAY, NO_DAY, Clocks, spreadsheet_days
from pipeline.read.keys import alike, distinct, first_of, order_of

NO_TIME = np.iinfo(np.int64).min
SECOND = 1_000_000
HALF_DAY = DAY // 2
LATEST = 84_000 * DAY  # in the year 2199; an instant beyond is a misread number
# Smaller steps back are passings written out of turn, not a clock that was set back.
SET_BACK = 5 * SECOND


@dataclass(frozen=True)
class Order:
    """How the rows follow each other, and where their clock breaks.

    stretch (n,): number of clock set-backs before each row (in its car's rows, or in all).
    late (n,) bool: second pass through an hour that summer time's end repeats.
    roll (n,): midnights passed. jumps: (row, microseconds) of each set-back.
    """

    stretch: np.ndarray
    late: np.ndarray
    roll: np.ndarray
    jumps: tuple[tuple[int, int], ...]


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


def follow(local: np.ndarray, cars: np.ndarray, dated: np.ndarray, zone: ZoneInfo) -> Order:
    """Follow a file's clock row by row.

    local (n,): microseconds, of the day or of the era; NO_TIME rows must not be among them.
    cars (n,): code of the car. dated (n,): a date was written beside the time.
    """
    size = len(local)
    turn = _one_car_after_the_other(local, cars)
    mixed = turn and bool((np.diff(cars) < 0).any())
    order = order_of(cars) if mixed else np.arange(size)
    times, group = (local[order], cars[order]) if mixed else (local, cars)
    group = group if turn else alike(0, size)
    steps = np.diff(times, prepend=times[:1])
    opens = np.diff(group, prepend=group[:1] - 1) != 0
    steps[opens] = 0
    if not (steps < -SET_BACK).any():
        return Order(alike(0, size), alike(False, size), alike(0, size), ())
    midnight = (steps < -HALF_DAY) & ~dated[order]
    back = (steps < -SET_BACK) & ~midnight
    repeated = back & _repeats_an_hour(times, steps, back, zone)
    back &= ~repeated
    jumps = tuple((int(order[i]), int(-steps[i])) for i in np.flatnonzero(back)[:1_000])
    return Order(
        stretch=_within(back, opens, order),
        late=_within(repeated, opens, order) > 0,
        roll=_within(midnight, opens, order),
        jumps=jumps,
    )


def _one_car_after_the_other(local: np.ndarray, cars: np.ndarray) -> bool:
    """True for a file sorted by car; False for one in order of time."""
    if len(local) < 4:
        return False
    changes = int((np.diff(cars) != 0).sum()) + 1
    different = np.count_nonzero(np.bincount(cars))
    if 1 < different == changes and len(local) > 2 * different:
        return True
    falls = int((np.diff(local) < -SET_BACK).sum())
    return falls > max(3, len(local) // 200)


def _within(hits: np.ndarray, opens: np.ndarray, order: np.ndarray) -> np.ndarray:
    """Running count of hits within each group, back in the order of rows."""
    if not hits.any():
        return np.zeros(len(hits), dtype=np.int64)
    total = np.cumsum(hits)
    starts = first_of(opens)
    counts = np.empty(len(hits), dtype=np.int64)
    counts[order] = total - (total - hits)[starts]
    return counts


def _repeats_an_hour(
    times: np.ndarray, steps: np.ndarray, back: np.ndarray, zone: ZoneInfo
) -> np.ndarray:
    """Steps back of up to an hour that land in the hour which the end of summer time repeats."""
    hits = np.zeros(len(times), dtype=bool)
    for place in np.flatnonzero(back)[:1_000]:
        if -3_660 * SECOND < steps[place] < -600 * SECOND:
            hits[place] = _is_repeated(int(times[place]), zone)
    return hits


def _is_repeated(local: int, zone: ZoneInfo) -> bool:
    moment = datetime.fromtimestamp(local / SECOND, UTC).replace(tzinfo=None)
    first, second = (moment.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1))
    return first is not None and second is not None and first > second


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
