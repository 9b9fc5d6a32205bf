"""A file's clock followed row by row: midnights, the end of summer time, clocks that were set back.

Rows may stand in any order. Laps by their start, or by position, step back some seconds between
cars; a clock that was set back shows in the cars' own sequence, in nearly all of them at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.read.instants import HALF_DAY, SECOND
from pipeline.read.keys import alike, order_of

# Smaller steps back are passings written out of turn, not a clock that was set back.
SET_BACK = 5 * SECOND
# Cars that are on the track pass the line within a lap or two of each other.
AT_ONCE = 90 * SECOND
AT_ONCE_LAPS = 3
# Rows drawn by lot rise for two rows on average (and hardly ever for three), a clock that was set
# back splits a car's rows into a few long stretches.
LEAST_RISING = 3
MOST_SET_BACKS = 3


@dataclass(frozen=True)
class Order:
    """How the rows follow each other, and where their clock breaks.

    stretch (n,): number of clock set-backs before each row (in its car's rows, or in all).
    late (n,) bool: second pass through an hour that summer time's end repeats.
    roll (n,): midnights passed. jumps: (row, microseconds) of each set-back. shuffled: the rows of
    a car do not all stand in the order of their times.
    """

    stretch: np.ndarray
    late: np.ndarray
    roll: np.ndarray
    jumps: tuple[tuple[int, int], ...] = ()
    shuffled: bool = False


@dataclass(frozen=True)
class _Steps:
    """Rows car by car. order (n,): their places in the file. times, steps (n,): microseconds, and
    those since the car's row before, 0 at its first. falls (n,) bool: back, by far. near: time in
    which cars that are on the track have all passed the line. cars: how many."""

    order: np.ndarray
    times: np.ndarray
    steps: np.ndarray
    falls: np.ndarray
    near: int
    cars: int

    def are_shuffled(self, most: float = np.inf) -> bool:
        """The rows of the cars stand in no order of time; most: falls a car that there may be."""
        count, cars = np.count_nonzero(self.falls), self.cars
        if count <= cars:  # one midnight or set-back, if rows are few
            return False
        return bool(len(self.order) < LEAST_RISING * (cars + count) or count > most * cars)


def follow(local: np.ndarray, cars: np.ndarray, dated: np.ndarray, zone: ZoneInfo) -> Order:
    """Follow a clock of the day.

    local (n,): microseconds, of the day or of the era; NO_TIME rows must not be among them.
    cars (n,): code of the car. dated (n,): a date was written beside the time.
    """
    own = _own_steps(local, cars)
    if own is None:
        return _calm(len(local))
    if own.are_shuffled(MOST_SET_BACKS):
        return replace(_calm(len(local)), shuffled=True)
    midnight = (own.steps < -HALF_DAY) & ~dated[own.order]
    repeated = own.falls & ~midnight
    repeated &= _repeats_an_hour(own.times, own.steps, repeated, zone)
    back = own.falls & ~midnight & ~repeated
    together = back & _in_nearly_all_cars(own, back)
    everybody = not _one_car_after_the_other(local, cars, own.near)
    breaks, hours, nights = (
        _events(own.order[rows], cars) for rows in (together, repeated, midnight)
    )
    return Order(
        stretch=_since(breaks, cars, everybody),
        late=_since(hours, cars, everybody) > 0,
        roll=_since(nights, cars, everybody),
        jumps=tuple(_jump(own, local, min(event.values())) for event in breaks),
        shuffled=bool((back & ~together).any()),
    )


def restarts(elapsed: np.ndarray, cars: np.ndarray) -> Order:
    """Follow times since a start, which begin anew in each session.

    elapsed (n,): microseconds. cars (n,): code of the car.
    """
    own = _own_steps(elapsed, cars)
    if own is None:
        return _calm(len(elapsed))
    if own.are_shuffled():
        return replace(_calm(len(elapsed)), shuffled=True)
    everybody = not _one_car_after_the_other(elapsed, cars, SET_BACK)
    breaks = _common_falls(own, elapsed, cars) if everybody else _events(own.order[own.falls], cars)
    return replace(_calm(len(elapsed)), stretch=_since(breaks, cars, everybody))


def _calm(size: int) -> Order:
    """A clock that never breaks."""
    return Order(alike(0, size), alike(False, size), alike(0, size))


def _own_steps(local: np.ndarray, cars: np.ndarray) -> _Steps | None:
    """None where no car's clock falls."""
    if not (np.diff(local) < -SET_BACK).any():
        return None
    order = order_of(cars)
    times, group = local[order], cars[order]
    steps = np.diff(times, prepend=times[:1])
    opens = np.diff(group, prepend=-1) != 0
    steps[opens] = 0
    falls = steps < -SET_BACK
    if not falls.any():
        return None
    rising = steps[steps > 0]
    near = max(AT_ONCE, AT_ONCE_LAPS * int(np.median(rising)) if len(rising) else 0)
    return _Steps(order, times, steps, falls, near, int(np.count_nonzero(opens)))


def _in_nearly_all_cars(own: _Steps, back: np.ndarray) -> np.ndarray:
    """(n,) bool: where a car's clock fell, those of most cars did, and few went on past it."""
    before, near = own.times - own.steps, own.near
    went_on = (own.steps > 0) & (own.steps <= near)
    fell, began, ended = (
        np.sort(values) for values in (before[back], before[went_on], own.times[went_on])
    )
    with_it = np.searchsorted(fell, before + near, "right") - np.searchsorted(fell, before - near)
    past_it = np.searchsorted(began, before, "right") - np.searchsorted(ended, before, "right")
    return np.asarray(2 * with_it > past_it)


def _common_falls(own: _Steps, elapsed: np.ndarray, cars: np.ndarray) -> list[dict[int, int]]:
    """Rows at which the time of a file in order of time falls, where no fewer cars fall across them
    than go on; the rows of one lap are one event."""
    places = [np.zeros(len(cars) + 1, dtype=np.int64) for _ in range(2)]
    same = np.diff(cars[own.order]) == 0
    for count, which in zip(places, (own.falls[1:], ~own.falls[1:]), strict=True):
        np.add.at(count, own.order[:-1][same & which] + 1, 1)
        np.add.at(count, own.order[1:][same & which] + 1, -1)
    fall, rise = (np.cumsum(count)[:-1] for count in places)
    drops = np.diff(elapsed, prepend=elapsed[:1]) < -SET_BACK
    events: list[dict[int, int]] = []
    last = -len(cars)
    for row in np.flatnonzero(drops & (fall >= rise)).tolist():
        if row - last >= own.cars:
            events.append({int(cars[row]): row})
            last = row
    return events


def _one_car_after_the_other(local: np.ndarray, cars: np.ndarray, far: int) -> bool:
    """True for a file sorted by car; False for one in order of time, but for steps back that are
    not `far`, in microseconds."""
    if len(local) < 4:
        return False
    changes = int((np.diff(cars) != 0).sum()) + 1
    different = np.count_nonzero(np.bincount(cars))
    if 1 < different == changes and len(local) > 2 * different:
        return True
    falls = int((np.diff(local) < -far).sum())
    return falls > max(3, len(local) // 200)


def _events(rows: np.ndarray, cars: np.ndarray) -> list[dict[int, int]]:
    """What happened to the clock, one after the other: car -> the row from which it holds for it.

    rows (k,): of the file, at which a car's own clock broke; a car that breaks again opens the next
    event.
    """
    events: list[dict[int, int]] = []
    for row in np.sort(rows).tolist():
        car = int(cars[row])
        if not events or car in events[-1]:
            events.append({})
        events[-1][car] = row
    return events


def _since(events: list[dict[int, int]], cars: np.ndarray, everybody: bool) -> np.ndarray:
    """Number of events before each row (n,); everybody: they hold for cars too that show none."""
    if not events:
        return alike(0, len(cars))
    counts = np.zeros(len(cars), dtype=np.int64)
    for event in events:
        start = np.full(int(cars.max()) + 1, min(event.values()) if everybody else len(cars))
        start[list(event)] = list(event.values())
        counts += np.arange(len(cars)) >= start[cars]
    return counts


def _jump(own: _Steps, local: np.ndarray, row: int) -> tuple[int, int]:
    """The row at which a clock was set back, and by how many microseconds: since the row before in
    the file, or since the car's own."""
    back = -int(own.steps[own.order == row][0])
    return row, max(back, int(local[row - 1] - local[row]))


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
