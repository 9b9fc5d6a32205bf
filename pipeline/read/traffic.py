"""Laps lost to the car ahead, told at the line before the lap is run.

A lap counts as traffic if, when it began, the car ahead on the road was so close that at both
cars' usual pace it would be caught within the lap. The rule uses only what is known at the start
of the lap and the runs' own centres: not the lap's own time, which would take slow laps out of
the clean ones and bias their mean. And it is used only in a file where such laps were in truth
slower, by far more than chance: where cars do not hinder each other nothing is taken away.

Measured by `python -m tests.read.simulated_traffic` on 200 heats of 20 laps of 16 s in which a
car cannot drive through another (it is held behind it, or passes at a cost). Lost: mean seconds a
lap lost to others, in all laps and in those left.

| cars | laps hindered | of these found | free laps flagged | lost in all | lost in those left |
|---|---|---|---|---|---|
| 6 | 8.8 % | 87 % | 2.9 % | 0.048 | 0.003 |
| 10 | 16.8 % | 86 % | 5.1 % | 0.090 | 0.010 |
| 12 | 21.5 % | 85 % | 6.3 % | 0.113 | 0.014 |
"""

from __future__ import annotations

import numpy as np

# Closer than this a car is in the other's way even at equal pace.
NEAR_SECONDS = 0.4
# Laps further from the car ahead than this share of a lap are free whatever the pace.
FARTHEST_SHARE = 0.2
# Standard errors by which laps behind another car must be slower before the rule is used.
SURE = 3.0
# And by this share of a lap: less comes about by the centres' own errors.
LEAST_SHARE = 0.005


def in_traffic(
    session: np.ndarray, run: np.ndarray, begin: np.ndarray, end: np.ndarray, centre: np.ndarray
) -> np.ndarray:
    """(n,) bool: the lap began behind a car that was about to be caught.

    session, centre (r,): code of the session and usual lap, s, of each run. run (n,): 0..R-1,
    rising. begin, end (n,): microseconds at which the lap began and ended; 0 where unknown.
    """
    rows = np.flatnonzero(end > 0)
    if len(rows) < 2:
        return np.zeros(len(end), dtype=bool)
    # An opening passing ends no lap: it is there as the beginning of one.
    firsts = rows[_opens(run[rows])]
    when = np.concatenate([end[rows], begin[firsts]])
    runs = run[np.concatenate([rows, firsts])]
    order = _by_session_and_time(session[runs], when)
    when, runs = when[order], runs[order]
    sessions, usual = session[runs], centre[runs]
    gain = usual[:-1] - usual[1:]
    near = np.minimum(NEAR_SECONDS + gain, FARTHEST_SHARE * usual[1:])
    close = (np.diff(when) / 1e6 < near) & (np.diff(sessions) == 0) & (np.diff(runs) != 0)
    behind = np.zeros(len(when), dtype=bool)
    behind[order[1:]] = close
    # A passing close behind another car marks the lap that begins there.
    ended, out = np.zeros((2, len(end)), dtype=bool)
    ended[rows] = behind[: len(rows)]
    out[1:] = ended[:-1] & (run[1:] == run[:-1])
    out[firsts] |= behind[len(rows) :]
    return out


def _by_session_and_time(session: np.ndarray, when: np.ndarray) -> np.ndarray:
    """Order of the passings; one sort of whole numbers where milliseconds of all days fit."""
    fine = (when - when.min()) // 1_000
    span, count = int(fine.max()) + 1, int(session.max()) + 1
    if span * count < 2**62:
        return np.argsort(session.astype(np.int64) * span + fine, kind="stable")
    return np.lexsort((when, session))


def costs_time(behind: np.ndarray, lap_s: np.ndarray, centre: np.ndarray) -> bool:
    """Whether the laps behind another car were slower in this file, beyond chance.

    behind (n,) bool; lap_s, centre (n,): s; laps that are clean otherwise. Where cars pass each
    other freely (or were timed on different days as one session) they are not, and then none of
    them is called traffic. Welch's t.
    """
    excess = lap_s - centre
    near, free = excess[behind], excess[~behind]
    if len(near) < 3 or len(free) < 3:
        return False
    error = np.sqrt(near.var(ddof=1) / len(near) + free.var(ddof=1) / len(free))
    least = LEAST_SHARE * float(centre.mean())
    return bool(near.mean() - free.mean() > max(SURE * error, least))


def _opens(run: np.ndarray) -> np.ndarray:
    opens = np.ones(len(run), dtype=bool)
    opens[1:] = run[1:] != run[:-1]
    return opens
