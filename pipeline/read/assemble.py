"""From gathered rows to laps: their times, numbers, elapsed time and status."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.read import status, stays
from pipeline.read.gathered import Gathered, Harvest
from pipeline.read.grouping import cars_of, runs_of
from pipeline.read.instants import NO_TIME, SECOND
from pipeline.read.judging import Driven, from_start, statuses
from pipeline.read.keys import first_of, places_in
from pipeline.read.labels import Labels
from pipeline.read.ordered import Context, Ordered, in_order
from pipeline.read.rows import LONGEST_LAP


@dataclass(frozen=True)
class Laps:
    """Laps sorted by run; arrays are (n,).

    run: 0..R-1, rising. opens: first of its run. lap_s: s. begin, end: microseconds on the
    file's axis of time, NO_TIME where unknown. absolute: that axis is UTC. is_double: the lap
    ended at the second of two passings of one crossing.
    """

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


def assemble(rows: Gathered, context: Context, harvest: Harvest) -> Laps:
    """Runs and laps of a file's rows; what does not fit is added to the set-asides."""
    if len(rows):
        found = in_order(rows, context, harvest)
        if len(found.rows):
            session, heat, run = runs_of(found, context.told, context.is_passings)
            make = _laps_of_passings if context.is_passings else _laps_of_rows
            return make(found, session, heat, run)
    return _nothing(rows.keep(np.zeros(len(rows), dtype=bool)))


def _nothing(rows: Gathered) -> Laps:
    none = np.zeros(0, dtype=np.int64)
    flags = none.astype(bool)
    return Laps(
        rows, rows.session, rows.heat, none, flags, none, none.astype(float), none, none,
        False, flags,
    )  # fmt: skip


def _opens(run: np.ndarray) -> np.ndarray:
    opens = np.ones(len(run), dtype=bool)
    opens[1:] = np.diff(run) != 0
    return opens


def _laps_of_rows(found: Ordered, session: Labels, heat: Labels, run: np.ndarray) -> Laps:
    rows, end = found.rows, found.times.axis
    opens = _opens(run)
    known, begin = end != NO_TIME, end
    if known.any():
        begin = end - np.round(rows.lap_s * SECOND).astype(np.int64)
        begin = begin if known.all() else np.where(known, begin, NO_TIME)
    return Laps(
        rows, session, heat, run, opens, _numbers(rows.lap, run, opens), rows.lap_s,
        begin, end, found.times.absolute, np.zeros(len(rows), dtype=bool),
    )  # fmt: skip


def _numbers(lap: np.ndarray, run: np.ndarray, opens: np.ndarray) -> np.ndarray:
    """The laps' own numbers where they rise within the run, else their place in it."""
    good = lap > 0
    good[1:] &= opens[1:] | (np.diff(lap) > 0)
    if good.all():
        return lap
    place = places_in(opens) + 1
    if not good.any():
        return place
    wrong = np.bincount(run, ~good, minlength=int(run[-1]) + 1)[run] > 0
    return np.where(wrong, place, lap)


def _laps_of_passings(found: Ordered, session: Labels, heat: Labels, run: np.ndarray) -> Laps:
    """Laps between passings. The second of two passings within two seconds is kept as a double;
    the lap after it is measured from the first."""
    axis = found.times.axis
    cut = _opens(run)
    cut[1:] |= np.diff(found.times.stretch) != 0
    step = np.diff(axis, prepend=axis[:1])
    cut |= step > LONGEST_LAP * SECOND
    double = ~cut & (step < status.DOUBLE_SECONDS * SECOND)
    if double.any():
        double &= step < _double_limit(axis, cut)
    made = np.flatnonzero(~cut)
    opens = _opens(run[made])
    begin, end = axis[_begins(double)[made]], axis[made]
    return Laps(
        found.rows.keep(made), session.keep(made), heat.keep(made), np.cumsum(opens) - 1, opens,
        places_in(opens) + 1, (end - begin) / SECOND, begin, end, found.times.absolute,
        double[made],
    )  # fmt: skip


def _begins(double: np.ndarray) -> np.ndarray:
    """Passing (n,) at which the lap to each passing began: the one before, or the first of the
    double before; the first row begins nothing."""
    before = np.arange(-1, len(double) - 1)
    if double.any():
        true = np.maximum.accumulate(np.where(double, 0, np.arange(len(double))))
        before = np.where(double, before, np.append(0, true[:-1]))
    return before


def _double_limit(axis: np.ndarray, cut: np.ndarray) -> float:
    """Microseconds below which two passings are one crossing of the line."""
    usual = stays.median_lap(axis, cut)
    return min(status.DOUBLE_SECONDS, status.DOUBLE_SHARE * usual) * SECOND


def status_of(laps: Laps) -> np.ndarray:
    """Code of each lap's status (n,)."""
    known = laps.end != NO_TIME
    begin, end = laps.begin, laps.end
    if not known.any():
        begin, end = from_start(laps.run, laps.lap_s)
    elif not known.all():
        begin, end = np.where(known, begin, 0), np.where(known, end, 0)
    rows = laps.rows.keep(np.flatnonzero(laps.opens))
    session, heat = laps.session.codes[laps.opens], laps.heat.codes[laps.opens]
    field = rows.racing_class.codes.astype(np.int64)
    if not laps.absolute:  # such a clock starts anew in each heat of each session
        field = (field * len(laps.session.values) + session) * len(laps.heat.values) + heat
    fine = _fine_clock(laps.end)
    return statuses(
        Driven(
            laps.run, laps.lap_s, begin, end, fine, session, field, cars_of(rows), laps.is_double
        )
    )


def _fine_clock(end: np.ndarray) -> bool:
    """The clock shows parts of a second."""
    known = end[end != NO_TIME][:10_000]
    return bool(len(known)) and bool((known % SECOND != 0).mean() > 0.5)


def elapsed_of(laps: Laps) -> np.ndarray:
    """Seconds from the start of the run to the end of each lap (n,).

    The start is that of the first lap: in passings the first passing. Laps that the file
    left out are in the clock but not in the sum of lap times: then the clock counts.
    """
    opening = first_of(laps.opens)
    total = np.cumsum(laps.lap_s)
    summed = total - (total - laps.lap_s)[opening]
    known = (laps.end != NO_TIME) & (laps.end[opening] != NO_TIME)
    if known.any():
        clock = (laps.end - laps.begin[opening]) / SECOND
        longer = known & (clock - summed > (1.0 if _fine_clock(laps.end) else 62.0))
        summed = np.where(longer, clock, summed) if longer.any() else summed
    summed = np.round(summed, 6)
    given = ~np.isnan(laps.rows.elapsed)
    return np.where(given, laps.rows.elapsed, summed) if given.any() else summed
