"""What each lap is, by all rules together: those of the run, and those that need the other cars."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.read.neutralised import slow_for_all
from pipeline.read.status import CLEAN, TRAFFIC, Centres, lap_status, run_centres
from pipeline.read.traffic import costs_time, in_traffic


@dataclass(frozen=True)
class Driven:
    """Laps of R runs that were timed together, as those of one export or of one meeting.

    run (n,): 0..R-1, rising, laps in order. lap_s (n,): s. begin, end (n,): microseconds at which
    the lap began and ended, 0 where unknown. fine: the clock shows parts of a second, so that a
    lap behind another car can be told. doubles (n,) bool: laps known to end at the second of two
    passings of one crossing.
    session, field, car (r,): codes of each run's session, of the cars that it can be held beside
    (one class, by one clock), and of its car.
    """

    run: np.ndarray
    lap_s: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    fine: bool
    session: np.ndarray
    field: np.ndarray
    car: np.ndarray
    doubles: np.ndarray | None = None

    def opens(self) -> np.ndarray:
        """(n,) bool: the first lap of its run."""
        opens = np.ones(len(self.run), dtype=bool)
        opens[1:] = self.run[1:] != self.run[:-1]
        return opens


def statuses(laps: Driven) -> np.ndarray:
    """Code of each lap's status (n,), see status.NAMES."""
    if not len(laps.run):
        return np.zeros(0, dtype=np.int8)
    opens = laps.opens()
    centres = run_centres(laps.run, laps.lap_s, ~opens)
    held = slow_for_all(laps.field, laps.car, laps.run, laps.begin, laps.end, centres.centre)
    if held.any():
        centres = run_centres(laps.run, laps.lap_s, ~(opens | held))
    codes = lap_status(laps.run, laps.lap_s, opens, centres, laps.doubles, held)
    if laps.fine:
        codes[_behind_others(laps, codes == CLEAN, centres)] = TRAFFIC
    return codes


def _behind_others(laps: Driven, clean: np.ndarray, centres: Centres) -> np.ndarray:
    """(n,) bool: clean laps lost to the car ahead; none where that cost no time."""
    behind = in_traffic(laps.session, laps.run, laps.begin, laps.end, centres.centre) & clean
    rows = np.flatnonzero(clean)
    if costs_time(behind[rows], laps.lap_s[rows], centres.centre[laps.run[rows]]):
        return behind
    return np.zeros(len(clean), dtype=bool)


def from_start(run: np.ndarray, lap_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Microseconds (n,) from the start of the run to begin and end of each lap: the clock of cars
    that started together and have no other. run (n,): rising. lap_s (n,): s, without gaps."""
    end = np.cumsum(np.round(lap_s * 1e6).astype(np.int64))
    begin = end - np.round(lap_s * 1e6).astype(np.int64)
    start = begin[np.searchsorted(run, run)]
    return begin - start, end - start
