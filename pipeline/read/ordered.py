"""Rows in the order in which they were driven; rows that cannot be, set aside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from pipeline.read import stays
from pipeline.read.gathered import Aside, Gathered, Harvest
from pipeline.read.instants import NO_TIME
from pipeline.read.keys import alike, distinct, order_of, picked
from pipeline.read.records import ReadOptions
from pipeline.read.rows import LONGEST_LAP, SHORTEST_LAP
from pipeline.read.table import Sheet
from pipeline.read.timeline import Timeline, forwards, timeline


@dataclass(frozen=True)
class Context:
    """What holds for a whole file. is_passings: a row is a crossing of the line. told: a column or
    an option names the sessions."""

    options: ReadOptions
    is_passings: bool
    told: bool
    title_day: str
    sheet: Sheet | None = None

    def set_aside(self, rows: Gathered, wrong: np.ndarray, reason: str, harvest: Harvest) -> None:
        """Add the rows marked in `wrong` (n,) to the harvest's set-asides."""
        for row in np.flatnonzero(wrong):
            line = int(rows.line[row])
            raw = self.sheet.raw(line) if self.sheet is not None else ""
            harvest.asides.append(Aside(line, raw, reason))


@dataclass(frozen=True)
class Ordered:
    """Rows sorted by car, and within a car as they were driven; times beside them.

    group (n,): code of car within session, heat and class, rising. restart (n,) bool: the car's
    lap numbers start again here.
    """

    rows: Gathered
    times: Timeline
    group: np.ndarray
    restart: np.ndarray

    def keep(self, rows: np.ndarray) -> Ordered:
        """Only these rows: a bool mask, or indices in the order wanted."""
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows
        return Ordered(
            self.rows.keep(rows),
            self.times.keep(rows),
            self.group[rows],
            picked(self.restart, rows),
        )


def in_order(rows: Gathered, context: Context, harvest: Harvest) -> Ordered:
    """The rows in the order of driving. What cannot be ordered goes to the set-asides."""
    group = _groups(rows)
    turned = forwards(rows, group, harvest)
    if turned is not None:
        rows, group = rows.keep(turned), group[turned]
    counted = _counted_through(rows.lap, group)
    if counted is not None:
        rows, group = rows.keep(counted), group[counted]
    times = timeline(rows, group, context.options, context.title_day, harvest)
    found = Ordered(rows.untimed(), times, group, alike(False, len(rows)))
    if times.shuffled and times.complete:
        found = found.keep(np.lexsort((times.axis, times.stretch, group)))
    if context.is_passings:
        return _passings_in_order(found, context, harvest)
    return _laps_in_order(found, context, harvest)


def _counted_through(lap: np.ndarray, group: np.ndarray) -> np.ndarray | None:
    """Order by car and lap for rows in no order, where each lap has its number once; else None."""
    order = order_of(group)
    falls = (np.diff(lap[order]) < 0) & (np.diff(group[order]) == 0)
    if not falls.any() or not (lap > 0).all() or _duplicated(group, lap).any():
        return None
    return np.lexsort((lap, group))


def _passings_in_order(found: Ordered, context: Context, harvest: Harvest) -> Ordered:
    found = _sifted(found, _untimed, "unreadable_time", context, harvest)
    if not (np.diff(found.group) >= 0).all():
        found = found.keep(order_of(found.group))
    found = _sifted(found, _back_in_car, "clock_back", context, harvest)
    return _sifted(found, _same_instant, "repeated", context, harvest)


def _laps_in_order(found: Ordered, context: Context, harvest: Harvest) -> Ordered:
    wrong = _repeats(found.rows, found.group, found.times, context.told)
    found = _sifted(found, lambda _: wrong, "repeated", context, harvest)
    order, restart = _sequence(found.rows.lap, found.group)
    if order is not None:
        found = found.keep(order)
    found = replace(found, restart=restart)
    if np.isnan(found.rows.lap_s).any():
        found = replace(found, rows=_timed_by_elapsed(found))
        found = _sifted(found, _impossible, "clock_back", context, harvest)
    return found


def _sifted(
    found: Ordered,
    fault: Callable[[Ordered], np.ndarray],
    reason: str,
    context: Context,
    harvest: Harvest,
) -> Ordered:
    """Without the rows that have a fault; they are set aside with the reason."""
    wrong = fault(found)
    if not wrong.any():
        return found
    context.set_aside(found.rows, wrong, reason, harvest)
    return found.keep(~wrong)


def _untimed(found: Ordered) -> np.ndarray:
    return np.asarray(found.times.axis == NO_TIME)


def _impossible(found: Ordered) -> np.ndarray:
    """No later than a lap before it, or an hour later."""
    lap_s = found.rows.lap_s
    return ~((lap_s >= SHORTEST_LAP) & (lap_s <= LONGEST_LAP))


def _groups(rows: Gathered) -> np.ndarray:
    """(n,) code of car within session, heat and class, in order of first appearance."""
    key = np.zeros(len(rows), dtype=np.int64)
    for labels in (rows.session, rows.heat, rows.racing_class, rows.driver, rows.transponder):
        if len(labels.values) > 1:
            key = key * len(labels.values) + labels.codes
    key = key * len(rows.number.values) + np.where(
        rows.driver.given | rows.transponder.given, 0, rows.number.codes
    )
    return distinct(key)[1].astype(np.int64)


def _repeats(rows: Gathered, groups: np.ndarray, times: Timeline, told: bool) -> np.ndarray:
    """(n,) bool. Without a time of day or a session's name two laps may agree by chance: then
    only a row just like the one before it, with the same lap number, counts as repeated."""
    numbered = rows.lap > 0
    if times.complete or told:
        if not numbered.any() and not times.complete:
            return np.zeros(len(rows), dtype=bool)
        if _rising_within(groups, rows.lap):
            return np.zeros(len(rows), dtype=bool)
        same = _duplicated(groups, rows.lap, np.round(rows.lap_s * 1e4), times.axis)
        return same & (numbered | (times.axis != NO_TIME))
    same = np.zeros(len(rows), dtype=bool)
    same[1:] = (np.diff(groups) == 0) & (np.diff(rows.lap) == 0) & (np.diff(rows.lap_s) == 0)
    return same & numbered


def _rising_within(groups: np.ndarray, lap: np.ndarray) -> bool:
    """True, fast, for the usual file: cars one after the other, laps counting up."""
    step = np.diff(groups)
    return bool((step >= 0).all()) and bool((np.diff(lap)[step == 0] > 0).all())


def _duplicated(*columns: np.ndarray) -> np.ndarray:
    import pandas as pd

    frame = pd.DataFrame({str(i): column for i, column in enumerate(columns)})
    return np.asarray(frame.duplicated(), dtype=bool)


def _sequence(lap: np.ndarray, group: np.ndarray) -> tuple[np.ndarray | None, np.ndarray]:
    """Order by car, and within a car as the laps followed (None: they stand so already); and
    where laps restart (in order)."""
    falls = np.zeros(len(lap), dtype=bool)
    counted = _counted_through(lap, group)
    if counted is not None:
        return counted, falls
    order = None if (np.diff(group) >= 0).all() else order_of(group)
    cars, laps = (group, lap) if order is None else (group[order], lap[order])
    falls[1:] = (np.diff(cars) == 0) & (np.diff(laps) < 0)
    return order, falls


def _timed_by_elapsed(found: Ordered) -> Gathered:
    """The rows with lap times as steps of the elapsed time, where the file gives only that."""
    rows = found.rows
    opens = found.restart | (np.diff(found.group, prepend=-1) != 0)
    latest = stays.running_latest(rows.elapsed, np.cumsum(opens))
    before = np.where(opens, 0.0, np.concatenate([[0.0], latest[:-1]]))
    steps = np.round(rows.elapsed - before, 6)
    return replace(rows, lap_s=np.where(np.isnan(rows.lap_s), steps, rows.lap_s))


def _back_in_car(found: Ordered) -> np.ndarray:
    """(n,) bool: earlier than an earlier passing of the same car in the same stretch."""
    axis = found.times.axis
    wrong = np.zeros(len(axis), dtype=bool)
    same = (np.diff(found.group) == 0) & (np.diff(found.times.stretch) == 0)
    if not (same & (np.diff(axis) < 0)).any():
        return wrong
    latest = stays.running_latest(axis, np.cumsum(np.append(True, ~same)))
    wrong[1:] = same & (axis[1:] < latest[:-1])
    return wrong


def _same_instant(found: Ordered) -> np.ndarray:
    """(n,) bool: the passing of the row before, written once more."""
    wrong = np.zeros(len(found.group), dtype=bool)
    wrong[1:] = (np.diff(found.group) == 0) & (np.diff(found.times.axis) == 0)
    return wrong
