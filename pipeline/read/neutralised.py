"""Stretches in which the whole field is slow at the same time: a stopped race, marshals on the
track, a shower, a car being recovered.

A car's lap is slow if it is far slower than the car's usual one: that of its run, or of its day
where the run is far slower than that, since a run may lie wholly in such a stretch. Of the other
cars on the track, how large a share is on a slow lap, on average over the time of a lap? Slow laps
at which it is nearly everybody are the heart of a stretch; laps beside them belong to it where it
is more than half. Of these the own time is not asked: that would take slow laps out of the clean
ones and bias their mean, and a car that knows nothing but the stretch is told by the others. A
lasting change of the track looks the same at first; what lasts longer than an interruption does
is weather, and the grip curve's matter.

Measured by `python -m tests.read.simulated_stops` on 400 heats of 20 laps of 16 s, first laps left
out (10 cars and accidents in 2 % of laps where nothing else is said). Held: laps that lost more
than 7 % to a stop. Found: of these. False: of laps that lost nothing, those called neutralised.
Lost: mean seconds lost in the laps not found.

| heats | held | found | false | lost |
|---|---|---|---|---|
| no stop | 0 | | 0.000 % | 0.000 |
| no stop, 5 cars, accidents in 10 % | 0 | | 0.02 % | 0.000 |
| no stop, 8 cars, accidents in 15 % | 0 | | 0.000 % | 0.000 |
| no stop, starts over 20 s | 0 | | 0.000 % | 0.000 |
| all stand for 20 s | 5.3 % | 100 % | 0.57 % | 0.000 |
| all stand for 60 s | 5.3 % | 100 % | 0.57 % | 0.000 |
| the same, accidents in 10 % | 5.3 % | 100 % | 1.1 % | 0.000 |
| half speed for 60 s | 13.8 % | 97.2 % | 0.18 % | 0.012 |
| four fifths of the speed for 90 s | 26.0 % | 99.2 % | 0.01 % | 0.015 |

On the laps of 12 real meetings: see `python -m tests.real.study`.
"""

from __future__ import annotations

import numpy as np

from pipeline.read.keys import distinct

# A lap this share slower than usual is slow: crashes cost 20 % and more, grip moves a few per cent
# in a day, and on real laps nearly all of those under a stop were above it.
SLOW = 0.07
# With fewer cars on the track one accident among them is most of the field.
LEAST_CARS = 5
# Of the others, on average over a lap: accidents that coincide do not come to so many.
NEARLY_ALL = 0.75
MOST = 0.5
# More than three quarters of four or more others.
LEAST_SLOW = int(NEARLY_ALL * (LEAST_CARS - 1)) + 1
# Minutes: a heat that was stopped is over or running again by then.
LONGEST = 30
# Cars that have rested for so long are there on another day.
NIGHT = 5 * 3_600_000_000
MINUTE = 60_000_000


def slow_for_all(
    field: np.ndarray,
    car: np.ndarray,
    run: np.ndarray,
    begin: np.ndarray,
    end: np.ndarray,
    centre: np.ndarray,
) -> np.ndarray:
    """(n,) bool: the lap was driven while the whole field was slow; never a run's first lap.

    field (r,): code of the cars that can be held beside each other, of one class by one clock.
    car, centre (r,): code of the car and usual lap, s, of each run. run (n,): 0..R-1, rising.
    begin, end (n,): microseconds on that clock at which the lap began and ended; 0 where unknown.
    """
    out = np.zeros(len(run), dtype=bool)
    rows = np.flatnonzero(end > begin)
    if not len(rows) or int(run[-1]) + 1 < LEAST_CARS:
        return out
    run, begin, end = run[rows], begin[rows], end[rows]
    begin, end = _one_axis(field[run], begin, end)
    slow = end - begin > ((1 + SLOW) * 1e6 * _usual(car, run, begin, end, centre))[run]
    held = _beside(begin, end, slow, _opens(run))
    if held.any():
        held &= ~_lasting(begin, slow | held)
    out[rows] = held
    return out


def _one_axis(
    field: np.ndarray, begin: np.ndarray, end: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The laps' times (n,) with the fields one after the other, a night apart."""
    if (field == field[0]).all():
        return begin, end
    shift = field.astype(np.int64) * (end.max() - begin.min() + NIGHT + 1)
    return begin + shift, end + shift


def _usual(
    car: np.ndarray, run: np.ndarray, begin: np.ndarray, end: np.ndarray, centre: np.ndarray
) -> np.ndarray:
    """Usual lap of each run's car, s (r,): the run's, or the day's where the run is far slower."""
    runs = np.flatnonzero(_opens(run))
    each = run[runs]
    starts, laps = begin[runs], np.diff(runs, append=len(run))
    order = np.argsort(starts, kind="stable")
    latest = np.maximum.accumulate(np.maximum.reduceat(end, runs)[order])
    day = np.empty(len(runs), dtype=np.int64)
    day[order] = np.cumsum(np.append(True, starts[order][1:] - latest[:-1] > NIGHT))
    out = centre.copy()
    of_day = _weighted_medians(day * (int(car.max()) + 1) + car[each], centre[each], laps)
    far = centre[each] > (1 + SLOW) * of_day
    out[each[far]] = of_day[far]
    return out


def _weighted_medians(group: np.ndarray, values: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """For each value (r,) the lower weighted median of its group."""
    _, code = np.unique(group, return_inverse=True)
    order = np.lexsort((values, code))
    codes, total = code[order], np.cumsum(weights[order])
    own = np.bincount(codes, weights[order])
    reached = total - (np.cumsum(own) - own)[codes] >= own[codes] / 2
    middle = np.flatnonzero(reached)[_opens(codes[reached])]
    return np.asarray(values[order][middle][code])


def _beside(begin: np.ndarray, end: np.ndarray, slow: np.ndarray, opens: np.ndarray) -> np.ndarray:
    """(n,) bool: slow laps at which nearly all others are slow, and those beside them at which
    most are; opens (n,) bool: first laps, which are slow for everybody at each start."""
    held = np.zeros(len(begin), dtype=bool)
    # A quick look first: in most exports there is no lap that could be a stretch's heart.
    crowded = _meets(begin, end, slow & ~opens, LEAST_SLOW) & slow & ~opens
    if not crowded.any():
        return held
    # The share needs all that a lap meets, for those that may be hearts and those beside them.
    met = _meets(begin, end, crowded)
    rows = np.flatnonzero(_meets(begin, end, met))
    begin, end, slow = begin[rows], end[rows], slow[rows]
    share = _slow_share(begin, end, slow)
    share[opens[rows]] = 0
    heart = slow & (share > NEARLY_ALL)
    held[rows] = heart | (share > MOST) & _meets(begin, end, heart)
    return held


def _meets(begin: np.ndarray, end: np.ndarray, which: np.ndarray, least: int = 1) -> np.ndarray:
    """(n,) bool: on the track at a time at which at least so many of `which` (n,) were."""
    when, count, _ = _counted(begin[which], end[which], which[which])
    step = np.diff((count >= least).astype(np.int8), prepend=0)
    opened = np.searchsorted(when[step > 0], end)
    closed = np.searchsorted(when[step < 0], begin, side="right")
    return np.asarray(opened > closed)


def _counted(
    begin: np.ndarray, end: np.ndarray, which: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times (2n,) at which laps begin or end, in order; how many of `which` (n,) are under way
    from each of them on; and the places (2n,) among them of the begins, then of the ends."""
    when = np.concatenate([begin, end])
    order = np.argsort(when, kind="stable")
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    step = which.astype(np.int64)
    return when[order], np.cumsum(np.concatenate([step, -step])[order]), place


def _slow_share(begin: np.ndarray, end: np.ndarray, slow: np.ndarray) -> np.ndarray:
    """(n,) share of the other cars on the track that are on a slow lap, on average over the lap;
    none while there are too few cars."""
    when, cars, place = _counted(begin, end, np.ones(len(begin), dtype=bool))
    lasts = np.diff(when, append=when[-1:]) / np.maximum(cars - 1, 1) * (cars >= LEAST_CARS)
    first, last = place[: len(begin)], place[len(begin) :]

    def over_lap(each: np.ndarray) -> np.ndarray:
        total = np.append(0, np.cumsum(each))
        return np.asarray(total[last] - total[first])

    # A slow lap is one of the slow ones itself and does not count among the others.
    behind = over_lap(lasts * _counted(begin, end, slow)[1]) - np.where(slow, over_lap(lasts), 0)
    return behind / (end - begin)


def _lasting(begin: np.ndarray, slow: np.ndarray) -> np.ndarray:
    """(n,) bool: the lap began in a time of mostly slow laps that is longer than an interruption.

    Minutes in which no lap begins, as those of the stop itself, do not count.
    """
    minute, code = distinct(begin // MINUTE)
    order = np.argsort(minute)
    minute, code = minute[order], np.argsort(order)[code]
    most = 2 * np.bincount(code, slow) > np.bincount(code)
    opens = np.append(True, (np.diff(most) != 0) | (np.diff(minute) > LONGEST))
    minutes = np.diff(np.flatnonzero(opens), append=len(minute))
    return np.asarray((most & np.repeat(minutes > LONGEST, minutes))[code])


def _opens(groups: np.ndarray) -> np.ndarray:
    """(n,) bool: the first of its group; groups (n,) contiguous."""
    return np.append(True, np.diff(groups) != 0)[: len(groups)]
