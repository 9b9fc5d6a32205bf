"""From gathered rows to laps: runs, laps of passings, numbers, elapsed time, status."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.read import status, stays, traffic
from pipeline.read.gathered import Aside, Gathered, Harvest
from pipeline.read.instants import NO_TIME, SECOND
from pipeline.read.labels import Labels, distinct, together
from pipeline.read.records import ReadOptions
from pipeline.read.rows import LONGEST_LAP, SHORTEST_LAP
from pipeline.read.table import Sheet
from pipeline.read.timeline import Timeline, forwards, timeline

_MARK = "\x00"


@dataclass(frozen=True)
class Laps:
    """Laps sorted by run. run (n,): 0..R-1, rising. opens (n,) bool: first of its run.
    begin, end (n,): microseconds on the axis, NO_TIME where unknown. absolute: they are instants.
    passing (n,) bool: the lap came from a passing whose double was seen."""

    rows: Gathered
    session: Labels
    heat: Labels
    run: np.ndarray
    opens: np.ndarray
    lap: np.ndarray
    lap_s: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    absolute: bool
    is_double: np.ndarray
    kept: int


@dataclass(frozen=True)
class Context:
    """What holds for a whole file. told: a column or an option names the sessions."""

    options: ReadOptions
    layout: str
    told: bool
    title_day: str
    sheet: Sheet | None = None


def assemble(rows: Gathered, context: Context, harvest: Harvest) -> Laps:
    """Runs and laps of a file's rows; what does not fit is added to the set-asides."""
    if not len(rows):
        return _nothing(rows)
    groups = _groups(rows)
    turned = forwards(rows, groups, harvest)
    if turned is not None:
        rows, groups = rows.keep(turned), groups[turned]
    times = timeline(rows, groups, context.options, context.title_day, harvest)
    if context.layout == "passings":
        untimed = times.axis == NO_TIME
        _aside(rows, untimed, "unreadable_time", context, harvest)
        rows, times, groups, _ = _drop(rows, times, groups, untimed, untimed)
    if context.layout != "passings":
        rows, groups, times = _without_repeats(rows, groups, times, context, harvest)
    order, restarts = _sequence(rows, groups, times, context)
    rows, times, groups = rows.keep(order), _keep(times, order), groups[order]
    if context.layout == "passings":
        for reason, find in (("clock_back", _back_in_car), ("repeated", _same_instant)):
            wrong = find(times, groups)
            _aside(rows, wrong, reason, context, harvest)
            rows, times, groups, restarts = _drop(rows, times, groups, restarts, wrong)
    elif np.isnan(rows.lap_s).any():
        rows, wrong = _timed_by_elapsed(rows, groups, restarts)
        _aside(rows, wrong, "clock_back", context, harvest)
        rows, times, groups, restarts = _drop(rows, times, groups, restarts, wrong)
    session, heat, run = _runs(rows, times, groups, restarts, context)
    if context.layout == "passings":
        return _laps_of_passings(rows, times, session, heat, run)
    return _laps_of_rows(rows, times, session, heat, run)


def _nothing(rows: Gathered) -> Laps:
    none = np.zeros(0, dtype=np.int64)
    flags = none.astype(bool)
    return Laps(
        rows, rows.session, rows.heat, none, flags, none, none.astype(float), none, none,
        False, flags, 0,
    )  # fmt: skip


def _groups(rows: Gathered) -> np.ndarray:
    """(n,) code of car within session, heat and class, in order of first appearance."""
    key = np.zeros(len(rows), dtype=np.int64)
    for labels in (rows.session, rows.heat, rows.racing_class, rows.driver, rows.transponder):
        key = key * len(labels.values) + labels.codes
    key = key * len(rows.number.values) + np.where(
        rows.driver.given | rows.transponder.given, 0, rows.number.codes
    )
    return distinct(key)[1].astype(np.int64)


def _keep(times: Timeline, rows: np.ndarray) -> Timeline:
    return replace(times, utc=times.utc[rows], axis=times.axis[rows], stretch=times.stretch[rows])


def _drop(
    rows: Gathered, times: Timeline, groups: np.ndarray, restarts: np.ndarray, wrong: np.ndarray
) -> tuple[Gathered, Timeline, np.ndarray, np.ndarray]:
    if not wrong.any():
        return rows, times, groups, restarts
    good = ~wrong
    return rows.keep(good), _keep(times, good), groups[good], restarts[good]


def _aside(
    rows: Gathered, wrong: np.ndarray, reason: str, context: Context, harvest: Harvest
) -> None:
    for row in np.flatnonzero(wrong):
        line = int(rows.line[row])
        raw = context.sheet.raw(line) if context.sheet is not None else ""
        harvest.asides.append(Aside(line, raw, reason))


def _without_repeats(
    rows: Gathered, groups: np.ndarray, times: Timeline, context: Context, harvest: Harvest
) -> tuple[Gathered, np.ndarray, Timeline]:
    """Rows that stand in the file twice are kept once."""
    wrong = _repeats(rows, groups, times, context)
    if not wrong.any():
        return rows, groups, times
    _aside(rows, wrong, "repeated", context, harvest)
    return rows.keep(~wrong), groups[~wrong], _keep(times, ~wrong)


def _repeats(rows: Gathered, groups: np.ndarray, times: Timeline, context: Context) -> np.ndarray:
    """(n,) bool. Without a time of day or a session's name two laps may agree by chance: then
    only a row just like the one before it, with the same lap number, counts as repeated."""
    numbered = rows.lap > 0
    if times.complete or context.told:
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


def _sequence(
    rows: Gathered, groups: np.ndarray, times: Timeline, context: Context
) -> tuple[np.ndarray, np.ndarray]:
    """Order by car, and within a car as the laps followed; and where laps restart (in order)."""
    rising = len(groups) < 2 or bool((np.diff(groups) >= 0).all())
    order = np.arange(len(groups)) if rising else np.argsort(groups, kind="stable")
    restarts = np.zeros(len(groups), dtype=bool)
    if context.layout == "passings" or not (rows.lap > 0).any():
        return order, restarts
    lap, group = rows.lap[order], groups[order]
    falls = np.zeros(len(lap), dtype=bool)
    falls[1:] = (np.diff(group) == 0) & (np.diff(lap) < 0)
    if not falls.any():
        return order, restarts
    if not _duplicated(group, lap).any():
        return np.lexsort((rows.lap, groups)), restarts
    return order, falls


def _same_instant(times: Timeline, groups: np.ndarray) -> np.ndarray:
    """(n,) bool: the passing of the row before, written once more."""
    wrong = np.zeros(len(groups), dtype=bool)
    wrong[1:] = (np.diff(groups) == 0) & (np.diff(times.axis) == 0)
    return wrong


def _timed_by_elapsed(
    rows: Gathered, groups: np.ndarray, restarts: np.ndarray
) -> tuple[Gathered, np.ndarray]:
    """Lap times as steps of the elapsed time, where the file gives only that; and the rows (n,)
    that are no later than one before them, or an hour later."""
    opens = restarts | (np.diff(groups, prepend=-1) != 0)
    latest = stays.running_latest(rows.elapsed, np.cumsum(opens))
    before = np.where(opens, 0.0, np.concatenate([[0.0], latest[:-1]]))
    lap_s = np.where(np.isnan(rows.lap_s), np.round(rows.elapsed - before, 6), rows.lap_s)
    return replace(rows, lap_s=lap_s), ~((lap_s >= SHORTEST_LAP) & (lap_s <= LONGEST_LAP))


def _back_in_car(times: Timeline, groups: np.ndarray) -> np.ndarray:
    """(n,) bool: earlier than an earlier passing of the same car in the same stretch."""
    wrong = np.zeros(len(groups), dtype=bool)
    if len(groups) < 2:
        return wrong
    same = (np.diff(groups) == 0) & (np.diff(times.stretch) == 0)
    if not (same & (np.diff(times.axis) < 0)).any():
        return wrong
    opens = np.append(True, ~same)
    latest = stays.running_latest(times.axis, np.cumsum(opens))
    wrong[1:] = same & (times.axis[1:] < latest[:-1])
    return wrong


def _runs(
    rows: Gathered, times: Timeline, groups: np.ndarray, restarts: np.ndarray, context: Context
) -> tuple[Labels, Labels, np.ndarray]:
    """Session and heat of each row, and its run (0.., rising); rows are in order of the runs."""
    timed = times.complete
    ends = times.axis if timed else np.zeros(0, dtype=np.int64)
    starts = ends
    if timed and context.layout != "passings":
        starts = ends - (np.nan_to_num(rows.lap_s) * SECOND).astype(np.int64)
    breaks = restarts.copy()
    breaks[1:] |= (np.diff(times.stretch) != 0) & (np.diff(groups) == 0) & (not context.told)
    found = stays.split_stays(groups, np.arange(len(rows)), breaks, starts, ends)
    first = np.flatnonzero(found.opens)
    if context.told:
        session = np.zeros(len(first), dtype=np.int64)
        several = False
    elif timed:
        session = stays.clusters(found, starts, ends, times.stretch)
        several = stays.several_per_car(_cars(rows)[first], session)
    else:
        session = stays.number_stays(groups[first])
        several = bool(session.any())
    if not several:
        session = np.zeros(len(first), dtype=np.int64)
    part = _parts(groups[first], session, first, starts, ends, restarts)
    return _named(rows, found.stay, session, part, several)


def _cars(rows: Gathered) -> np.ndarray:
    car = rows.driver.codes.astype(np.int64) * len(rows.transponder.values)
    car = (car + rows.transponder.codes) * len(rows.number.values)
    return car + np.where(rows.driver.given | rows.transponder.given, 0, rows.number.codes)


def _parts(
    group: np.ndarray,
    session: np.ndarray,
    first: np.ndarray,
    starts: np.ndarray,
    ends: np.ndarray,
    restarts: np.ndarray,
) -> np.ndarray:
    """Number of the car's run within its session (s,): a long absence or a restart opens one."""
    opens = np.zeros(len(first), dtype=np.int64)
    if len(first) > 1:
        same = (np.diff(group) == 0) & (np.diff(session) == 0)
        away = restarts[first[1:]].copy()
        if len(ends):
            away |= starts[first[1:]] - ends[first[1:] - 1] > stays.AWAY_SECONDS * SECOND
        opens[1:] = same & away
    total = np.cumsum(opens)
    new = np.append(True, (np.diff(group) != 0) | (np.diff(session) != 0)) if len(first) else opens
    base = np.maximum.accumulate(np.where(new, total, 0)) if len(first) else total
    return np.asarray(total - base)


def _named(
    rows: Gathered, stay: np.ndarray, session: np.ndarray, part: np.ndarray, several: bool
) -> tuple[Labels, Labels, np.ndarray]:
    of_row = session[stay]
    names, heat = rows.session, rows.heat
    if several:
        numbers = tuple(str(i + 1) for i in range(int(session.max()) + 1))
        number = Labels(of_row.astype(np.int32), numbers)
        names = together(names, number, lambda a, b: f"{a} {b}")
    if part.any():
        words = ("", *(f"stay {i + 1}" for i in range(1, int(part.max()) + 1)))
        which = Labels(part[stay].astype(np.int32), words)
        heat = together(heat, which, lambda a, b: f"{a} {b}".strip())
    opens = np.ones(len(stay), dtype=bool)
    car = _cars(rows)
    for codes in (names.codes, heat.codes, rows.racing_class.codes, car, part[stay]):
        opens[1:] &= np.diff(codes) == 0
    opens = ~opens
    opens[:1] = True
    return names, heat, np.cumsum(opens) - 1


def _opens(run: np.ndarray) -> np.ndarray:
    opens = np.ones(len(run), dtype=bool)
    opens[1:] = np.diff(run) != 0
    return opens


def _laps_of_rows(
    rows: Gathered, times: Timeline, session: Labels, heat: Labels, run: np.ndarray
) -> Laps:
    opens = _opens(run)
    lap_s = rows.lap_s
    end = times.axis
    micros = np.round(lap_s * SECOND).astype(np.int64)
    begin = np.where(end == NO_TIME, NO_TIME, end - np.where(end == NO_TIME, 0, micros))
    return Laps(
        rows, session, heat, run, opens, _numbers(rows.lap, run, opens), lap_s,
        begin, end, times.absolute, np.zeros(len(rows), dtype=bool), len(rows),
    )  # fmt: skip


def _numbers(lap: np.ndarray, run: np.ndarray, opens: np.ndarray) -> np.ndarray:
    """The laps' own numbers where they rise within the run, else their place in it."""
    place = np.arange(len(run)) - np.maximum.accumulate(np.where(opens, np.arange(len(run)), 0)) + 1
    good = lap > 0
    good[1:] &= opens[1:] | (np.diff(lap) > 0)
    if good.all():
        return lap
    wrong = np.bincount(run, ~good, minlength=int(run[-1]) + 1)[run] > 0
    return np.where(wrong, place, lap)


def _laps_of_passings(
    rows: Gathered, times: Timeline, session: Labels, heat: Labels, run: np.ndarray
) -> Laps:
    """Laps between passings. The second of two passings within two seconds is kept as a double;
    the lap after it is measured from the first."""
    size = len(rows)
    opens = _opens(run)
    step = np.diff(times.axis, prepend=times.axis[:1])
    cut = opens.copy()
    cut[1:] |= np.diff(times.stretch) != 0
    cut |= step > LONGEST_LAP * SECOND
    usual = stays.median_lap(times.axis, cut) if size else 20.0
    double = ~cut & (step < min(status.DOUBLE_SECONDS, status.DOUBLE_SHARE * usual) * SECOND)
    true = np.maximum.accumulate(np.where(~double, np.arange(size), 0))
    before = np.concatenate([[0], true[:-1]]).astype(np.int64)
    before = np.where(double, np.arange(size) - 1, before)
    begin = times.axis[np.maximum(before, 0)] if size else times.axis
    made = ~cut
    new_run = _renumbered(run[made])
    number = _numbers(np.zeros(len(new_run), dtype=np.int64), new_run, _opens(new_run))
    return Laps(
        rows.keep(made), session.keep(made), heat.keep(made), new_run, _opens(new_run), number,
        (times.axis - begin)[made] / SECOND, begin[made], times.axis[made], times.absolute,
        double[made], size,
    )  # fmt: skip


def _renumbered(run: np.ndarray) -> np.ndarray:
    return np.cumsum(_opens(run)) - 1 if len(run) else run


def status_of(laps: Laps) -> np.ndarray:
    """Code of each lap's status (n,)."""
    if not len(laps.run):
        return np.zeros(0, dtype=np.int8)
    centres = status.run_centres(laps.run, laps.lap_s, ~laps.opens)
    codes = status.lap_status(laps.run, laps.lap_s, laps.opens, centres, laps.is_double)
    if _fine_clock(laps.end):
        centre = centres.centre[laps.run]
        known = laps.end != NO_TIME
        begin, end = np.where(known, laps.begin, 0), np.where(known, laps.end, 0)
        clean = codes == status.CLEAN
        behind = clean & traffic.in_traffic(laps.session.codes, laps.run, begin, end, centre)
        if traffic.costs_time(behind[clean], laps.lap_s[clean], centre[clean]):
            codes[behind] = status.TRAFFIC
    return codes


def _fine_clock(end: np.ndarray) -> bool:
    """The clock shows parts of a second."""
    known = end[end != NO_TIME][:10_000]
    return bool(len(known)) and bool((known % SECOND != 0).mean() > 0.5)


def elapsed_of(laps: Laps) -> np.ndarray:
    """Seconds from the start of the run to the end of each lap (n,).

    The start is that of the first lap: in passings the first passing. Laps that the file
    left out are in the clock but not in the sum of lap times: then the clock counts.
    """
    opening = np.maximum.accumulate(np.where(laps.opens, np.arange(len(laps.run)), 0))
    total = np.cumsum(laps.lap_s)
    summed = total - (total - laps.lap_s)[opening]
    given = laps.rows.elapsed
    known = (laps.end != NO_TIME) & (laps.end[opening] != NO_TIME) if len(opening) else opening
    clock = np.where(known, (laps.end - laps.begin[opening]) / SECOND, summed)
    whole = ~_fine_clock(laps.end)
    from_run = np.where(known & (clock - summed > (62.0 if whole else 1.0)), clock, summed)
    return np.where(np.isnan(given), np.round(from_run, 6), given)
