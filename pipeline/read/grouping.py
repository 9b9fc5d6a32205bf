"""The run of each row: a car's stay in a session, told by the file or found in the clock."""

from __future__ import annotations

import numpy as np

from pipeline.read import stays
from pipeline.read.gathered import Gathered
from pipeline.read.instants import NO_TIME, SECOND
from pipeline.read.labels import Labels, together
from pipeline.read.ordered import Ordered


def runs_of(found: Ordered, told: bool, passings: bool) -> tuple[Labels, Labels, np.ndarray]:
    """Session and heat of each row, and its run (n,) from 0, rising.

    told: a column or an option names the sessions; else they are found (see `stays`).
    """
    ends = _ends(found)
    starts = ends
    if len(ends) and not passings:
        starts = ends - (np.nan_to_num(found.rows.lap_s) * SECOND).astype(np.int64)
    breaks = found.restart.copy()
    if not told:
        breaks[1:] |= (np.diff(found.times.stretch) != 0) & (np.diff(found.group) == 0)
    cut = stays.split_stays(found.group, breaks, starts, ends)
    session = _sessions(found, cut, starts, ends, told)
    part = _parts(found, cut, session, starts, ends)
    names, heat, run = _named(found.rows.keep(cut.first), session, part)
    spread = np.repeat(np.arange(len(cut.first)), cut.counts)
    return names.keep(spread), heat.keep(spread), run[spread]


def _ends(found: Ordered) -> np.ndarray:
    """(n,) microseconds at which each row ended; empty where too few are known. A row without a
    time lies its lap time after the row before."""
    axis, group = found.times.axis, found.group
    known = axis != NO_TIME
    if known.all() or known.mean() < 0.5:
        return axis if known.all() else axis[:0]
    last = np.maximum.accumulate(np.where(known, np.arange(len(axis)), -1))
    if (last < 0).any() or (group[last] != group).any():
        return axis[:0]
    total = np.cumsum(np.nan_to_num(found.rows.lap_s))
    return axis[last] + ((total - total[last]) * SECOND).astype(np.int64)


def _sessions(
    found: Ordered, cut: stays.Stays, starts: np.ndarray, ends: np.ndarray, told: bool
) -> np.ndarray:
    """(s,) number of each stay's session within what the file names; zeros where it is one."""
    one = np.zeros(len(cut.first), dtype=np.int64)
    if told:
        return one
    if not len(ends):
        return stays.number_stays(found.group[cut.first])
    session = stays.clusters(cut, starts, ends, found.times.stretch)
    several = stays.several_per_car(cars_of(found.rows.keep(cut.first)), session)
    return session if several else one


def cars_of(rows: Gathered) -> np.ndarray:
    """(n,) code of the car, whatever its session."""
    car = rows.driver.codes.astype(np.int64) * len(rows.transponder.values)
    car = (car + rows.transponder.codes) * len(rows.number.values)
    return car + np.where(rows.driver.given | rows.transponder.given, 0, rows.number.codes)


def _parts(
    found: Ordered, cut: stays.Stays, session: np.ndarray, starts: np.ndarray, ends: np.ndarray
) -> np.ndarray:
    """Number of the car's run within its session (s,): a long absence or a restart opens one."""
    first = cut.first
    group = found.group[first]
    same = (np.diff(group) == 0) & (np.diff(session) == 0)
    away = found.restart[first[1:]].copy()
    if len(ends):
        away |= starts[first[1:]] - ends[first[1:] - 1] > stays.AWAY_SECONDS * SECOND
    total = np.cumsum(np.append(False, same & away))
    base = np.maximum.accumulate(np.where(np.append(True, ~same), total, 0))
    return np.asarray(total - base)


def _named(
    rows: Gathered, session: np.ndarray, part: np.ndarray
) -> tuple[Labels, Labels, np.ndarray]:
    """Names of session and heat with the numbers found, and the runs they make (s,).

    rows: the first of each stay. session, part (s,): numbers.
    """
    names, heat = rows.session, rows.heat
    if session.any():
        numbers = tuple(str(i + 1) for i in range(int(session.max()) + 1))
        number = Labels(session.astype(np.int32), numbers)
        names = together(names, number, lambda a, b: f"{a} {b}")
    if part.any():
        words = ("", *(f"stay {i + 1}" for i in range(1, int(part.max()) + 1)))
        which = Labels(part.astype(np.int32), words)
        heat = together(heat, which, lambda a, b: f"{a} {b}".strip())
    opens = np.zeros(len(session), dtype=bool)
    opens[:1] = True
    for codes in (names.codes, heat.codes, rows.racing_class.codes, cars_of(rows)):
        opens[1:] |= np.diff(codes) != 0
    return names, heat, np.cumsum(opens) - 1
