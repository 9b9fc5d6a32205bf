"""The frame `laps`, checked; what each lap is, where no column says it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.public.columns import Columns
from pipeline.read.status import CLEAN, TRAFFIC, lap_status, run_centres
from pipeline.read.traffic import costs_time, in_traffic
from pipeline.tables.schema import LAP_STATUSES

if TYPE_CHECKING:
    Array = np.ndarray[Any, Any]


@dataclass(frozen=True)
class LapRows:
    """Laps sorted by run and lap, (L,) each. status: codes of LAP_STATUSES; None: to be found."""

    run: Array
    lap: Array
    lap_s: Array
    status: Array | None

    def frame(self, runs: Mapping[str, Array]) -> pd.DataFrame:
        """As SeasonData.laps. runs: columns meeting, session and start (datetime64), (R,) each."""
        codes = self._found(runs) if self.status is None else self.status
        status = pd.Categorical.from_codes(codes, pd.Index(LAP_STATUSES))
        return pd.DataFrame(
            {"run": self.run, "lap": self.lap, "lap_s": self.lap_s, "status": status}
        )

    def notes(self, runs: Mapping[str, Array]) -> list[str]:
        """What is to be said about statuses that were found."""
        if self.status is not None or _fine_starts(runs["start"]):
            return []
        return [
            "laps: what each lap is was found by its run alone; laps lost to traffic can only be "
            "told where `start` has parts of a second"
        ]

    def _found(self, runs: Mapping[str, Array]) -> Array:
        """By the rules of import, see read.status and read.traffic: a meeting at a time, since
        how much laps usually vary, and whether traffic costs any, is a matter of the track."""
        meeting = pd.factorize(runs["meeting"])[0][self.run]
        out = np.zeros(len(self.run), dtype=np.int8)
        for number in range(meeting.max() + 1):
            here = np.flatnonzero(meeting == number)
            own = LapRows(self.run[here], self.lap[here], self.lap_s[here], None)
            out[here] = own._found_together(runs)
        return out

    def _found_together(self, runs: Mapping[str, Array]) -> Array:
        opens = self._opens()
        centres = run_centres(self.run, self.lap_s, ~opens)
        codes = lap_status(self.run, self.lap_s, opens, centres)
        if _fine_starts(runs["start"]):
            session, clean = pd.factorize(runs["session"])[0], codes == CLEAN
            passings = self._passings(opens, runs["start"])
            behind = clean & in_traffic(session, self.run, *passings, centres.centre)
            usual = centres.centre[self.run]
            if costs_time(behind[clean], self.lap_s[clean], usual[clean]):
                codes[behind] = TRAFFIC
        return codes

    def _opens(self) -> Array:
        opens = np.ones(len(self.run), dtype=bool)
        opens[1:] = self.run[1:] != self.run[:-1]
        return opens

    def _passings(self, opens: Array, start: Array) -> tuple[Array, Array]:
        """(L,) microseconds at which each lap began and ended; 0 where that is not known.

        After a lap that is missing nothing is known: the times of the laps no longer add up.
        """
        first = np.flatnonzero(opens)[np.cumsum(opens) - 1]
        known = (self.lap == np.arange(len(first)) - first + 1) & ~np.isnat(start)[self.run]
        before = np.cumsum(self.lap_s) - self.lap_s
        begin = start.astype(np.int64)[self.run] + _micros(before - before[first])
        return np.where(known, begin, 0), np.where(known, begin + _micros(self.lap_s), 0)


def read_laps(lapped: Columns, runs: int) -> LapRows:
    """The laps of `runs` runs; faults are collected, and the rows then not to be used."""
    lapped.require(
        {"run": "rows of `runs`, from 0", "lap": "whole numbers from 1", "lap_s": "seconds"},
        {"status": ", ".join(LAP_STATUSES)},
    )
    run = lapped.whole("run", 0, max(runs - 1, 0))
    lap = lapped.whole("lap", 1)
    lap_s = lapped.numbers("lap_s", lambda seconds: seconds > 0, "a number of seconds above 0")
    status = None
    if lapped.has("status"):
        words = lapped.word("status", LAP_STATUSES, needed=True)
        status = pd.Categorical(words, categories=LAP_STATUSES).codes
    if np.isnan(run).any() or np.isnan(lap).any():
        return LapRows(run, lap, lap_s, status)
    order = np.lexsort((lap, run))
    again = np.zeros(len(run), dtype=bool)
    again[order[1:]] = (np.diff(run[order]) == 0) & (np.diff(lap[order]) == 0)
    lapped.rows(again, "each lap of a run once", "lap")
    cells = run.astype(np.intp)[order], lap.astype(np.int64)[order], lap_s[order]
    return LapRows(*cells, None if status is None else status[order])


def _fine_starts(start: Array) -> bool:
    """Whether most of the starts, (R,) datetime64 in us, are known to parts of a second."""
    fine = start.astype(np.int64)[~np.isnat(start)] % 1_000_000 != 0
    return 2 * int(fine.sum()) > len(start)


def _micros(seconds: Array) -> Array:
    return np.round(1e6 * seconds).astype(np.int64)
