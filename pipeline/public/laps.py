"""The frame `laps`, checked; what each lap is, where no column says it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.public.columns import Columns
from pipeline.read.judging import Driven, from_start, statuses
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
        return ["laps: laps lost to traffic can only be told where `start` has parts of a second"]

    def _found(self, runs: Mapping[str, Array]) -> Array:
        """By the rules of import, each meeting as if it were one export."""
        codes = np.zeros(len(self.run), dtype=np.int8)
        meeting, names = pd.factorize(runs["meeting"])
        for number in range(len(names)):
            rows = np.flatnonzero(meeting[self.run] == number)
            if len(rows):
                codes[rows] = statuses(self._driven(rows, runs))
        return codes

    def _driven(self, rows: Array, runs: Mapping[str, Array]) -> Driven:
        """The laps `rows` (k,) of one meeting."""
        used, run = np.unique(self.run[rows], return_inverse=True)
        own = {name: runs[name][used] for name in ("session", "heat", "driver", "start")}
        lap_s, fine = self.lap_s[rows], _fine_starts(runs["start"])
        if np.isnat(own["start"]).all():
            times = from_start(run, lap_s)
            field = pd.factorize(own["session"] + "\0" + own["heat"])[0]
        else:
            times = self._passings(rows, run, own["start"])
            field = np.zeros(len(used), dtype=np.int64)
        session, car = (pd.factorize(own[name])[0] for name in ("session", "driver"))
        return Driven(run, lap_s, *times, fine, session, field, car)

    def _passings(self, rows: Array, run: Array, start: Array) -> tuple[Array, Array]:
        """(k,) microseconds at which each lap began and ended; 0 where that is not known.

        After a lap that is missing nothing is known: the times of the laps no longer add up.
        """
        begin, end = from_start(run, self.lap_s[rows])
        place = np.arange(len(run)) - np.searchsorted(run, run) + 1
        known = (self.lap[rows] == place) & ~np.isnat(start)[run]
        start = start.astype(np.int64)[run]
        return np.where(known, start + begin, 0), np.where(known, start + end, 0)


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
