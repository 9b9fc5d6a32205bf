"""Layouts `laps` and `passings`: a row a lap, or a row a crossing of the line."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pyarrow as pa

from pipeline.errors import Problem, UserError
from pipeline.read import quick
from pipeline.read.clocks import DAY, NO_DAY, Clocks, read_clocks
from pipeline.read.days import note_lost, note_offsets
from pipeline.read.durations import read_durations
from pipeline.read.gathered import Aside, Gathered, Harvest
from pipeline.read.instants import NO_TIME, SECOND, local_of, numbers_as_times
from pipeline.read.keys import alike
from pipeline.read.labels import (
    Labels,
    clean_number,
    constant,
    filled_in,
    labels_of,
    split_number,
    together,
)
from pipeline.read.reasons import REASONS
from pipeline.read.records import Table
from pipeline.read.shapes import plain

SHORTEST_LAP = 0.001
LONGEST_LAP = 3_600.0
LONGEST_RUN = 7 * 86_400.0
_LAP_NUMBER = re.compile(r"[^\d\-]{0,8}(\d{1,6})(?:[.,]0+)?\D{0,3}")
_CODES = ("", *(reason.code for reason in REASONS))
CODE_FIELDS = frozenset(
    [
        "driver",
        "given",
        "family",
        "transponder",
        "car_number",
        "lap",
        "session",
        "round",
        "class",
        "heat",
        "date",
        "start",
    ]
)


def gather_laps(table: Table, harvest: Harvest) -> Gathered:
    """The rows of a table with a row a lap."""
    return _Rows(table, is_passings=False).gather(harvest)


def gather_passings(table: Table, harvest: Harvest) -> Gathered:
    """The rows of a table with a row a crossing of the line."""
    return _Rows(table, is_passings=True).gather(harvest)


class _Rows:
    """The rows of one table of a file.

    month_first: how dates such as 03/04/2026 are read.
    """

    def __init__(self, table: Table, is_passings: bool) -> None:
        self.sheet, self.match, self.facts = table.sheet, table.match, table.facts
        self.session, self.first_day = table.session, table.first_day
        self.headers = {f: table.header.cells[place] for f, place in self.match.columns.items()}
        self.is_passings = is_passings
        self.size = len(table.sheet)
        self.reason = np.zeros(self.size, dtype=np.int8)
        self.month_first = self._month_first()

    def column(self, field: str) -> pa.Array | None:
        place = self.match.columns.get(field)
        return None if place is None else self.sheet.columns[place]

    def labels(self, field: str) -> Labels:
        """A field's column, with the title's word where a cell is empty."""
        column = self.column(field)
        told = self.facts.get(field, "")
        if column is None:
            return constant(told, self.size)
        labels = labels_of(column)
        return labels.map(lambda text: text or told) if told else labels

    def gather(self, harvest: Harvest) -> Gathered:
        """All rows that can be used; the others go to the harvest's set-asides."""
        driver, transponder, number = self._people()
        nobody = ~(driver.given | transponder.given | number.given)
        self._reject(nobody, "no_car")
        lap = self._lap()
        lap_s = self._lap_times(harvest)
        local, dated, utc, elapsed = self._times(harvest)
        if self.is_passings:
            self._reject_untimed(local, utc, elapsed)
        rows = Gathered(
            line=self.sheet.lines,
            session=self._session(),
            racing_class=self.labels("class"),
            heat=self.labels("heat").map(clean_number),
            driver=driver,
            transponder=transponder,
            number=number,
            start=self.labels("start"),
            lap=lap,
            lap_s=lap_s,
            local=local,
            dated=dated,
            utc=utc,
            elapsed=elapsed,
        )
        return self._set_aside(rows, harvest)

    def _people(self) -> tuple[Labels, Labels, Labels]:
        transponder = self.labels("transponder").map(clean_number)
        number = self.labels("car_number").map(clean_number)
        driver = self.labels("driver")
        if self.column("given") is not None:
            driver = together(self.labels("given"), driver, _full_name)
        if self.column("family") is not None:
            driver = together(driver, self.labels("family"), _full_name)
        if any(split_number(value)[1] for value in driver.values):
            inner = driver.map(lambda text: split_number(text)[1])
            transponder = together(transponder, inner, lambda a, b: a or b)
            driver = driver.map(lambda text: split_number(text)[0])
        return filled_in(driver, transponder), filled_in(transponder, driver), number

    def _session(self) -> Labels:
        labels = self.labels("session")
        header = self.headers.get("session", "")
        title = header.strip().capitalize() if header else "Session"
        labels = labels.map(lambda text: f"{title} {text}" if text.isdigit() else text)
        if self.column("round") is not None:
            title = self.headers.get("round", "Round").strip() or "Round"
            labels = together(labels, self.labels("round"), lambda a, b: _with_round(a, b, title))
        return labels.map(lambda text: text or self.session)

    def _lap(self) -> np.ndarray:
        column = self.column("lap")
        if column is None:
            return alike(0, self.size)
        labels = labels_of(column)
        found = [_LAP_NUMBER.fullmatch(value) for value in labels.values]
        values = np.array([int(f.group(1)) if f else -1 for f in found], dtype=np.int64)
        lap = values[labels.codes]
        if not (lap >= 0).any() or self.is_passings:
            return alike(0, self.size)
        self._reject(lap < 0, "unreadable_lap")
        return np.where((lap == 0).any() & (lap >= 0), lap + 1, lap)

    def _lap_times(self, harvest: Harvest) -> np.ndarray:
        column = self.column("lap_s")
        if column is None or self.is_passings:
            return alike(np.nan, self.size)
        times = read_durations(column, "lap_s" in self.match.milliseconds)
        harvest.decimal_comma += times.comma
        harvest.decimal_point += times.point
        if times.milliseconds and "lap_s" not in self.match.milliseconds:
            harvest.warn("lap times are whole numbers: read as thousandths of a second")
        self._reject(times.absent, "no_time")
        self._reject(np.isnan(times.seconds), "unreadable_time")
        self._reject(
            (times.seconds < SHORTEST_LAP) | (times.seconds > LONGEST_LAP), "impossible_time"
        )
        return times.seconds

    def _times(self, harvest: Harvest) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        local = utc = alike(NO_TIME, self.size)
        dated = alike(False, self.size)
        elapsed = self._elapsed()
        column = self.column("at")
        if column is None:
            return local, dated, utc, elapsed
        instants = quick.instants(plain(column)) if self.column("date") is None else None
        if instants is not None:
            return instants, alike(True, self.size), utc, elapsed
        clocks = read_clocks(column, self.month_first)
        note_lost(column, clocks, harvest)
        days = self._days(harvest)
        dated = (clocks.day != NO_DAY) | (days != NO_DAY)
        local = local_of(clocks, days, None)
        kind, values = numbers_as_times(clocks.number, self.first_day)
        number = ~np.isnan(clocks.number) & (values != NO_TIME)
        if kind == "utc":
            utc = np.where(number, values, utc)
        elif kind == "local":
            local = np.where(number, values, local)
            dated = dated | number & (values >= DAY)
        elif kind == "elapsed":
            elapsed = np.where(number, values / SECOND, elapsed)
        shifted = clocks.offset != NO_DAY
        if shifted.any():
            known = shifted & dated & (local != NO_TIME)
            utc = np.where(known, local - clocks.offset * 60 * SECOND, utc)
            note_offsets(clocks.offset[known], utc[known], harvest)
        return local, dated, utc, elapsed

    def _month_first(self) -> bool | None:
        """Whether 03/04/2026 is a day of March: as the column tells, else the meeting's date.

        Raises UserError where neither does.
        """
        place = self.match.columns.get("date", self.match.columns.get("at"))
        if place is None or not self.size:
            return None
        sample = self.sheet.columns[place].cast(pa.string())
        if not read_clocks(sample[:1_000]).swap or not read_clocks(sample).swap:
            return None
        if self.first_day is None:
            raise _which_month(sample[0].as_py(), self.headers)
        days = [_first_day(read_clocks(sample, first)) for first in (False, True)]
        return abs(days[1] - self.first_day) < abs(days[0] - self.first_day)

    def _days(self, harvest: Harvest) -> np.ndarray:
        """(n,) days since 1970 from a column of dates; NO_DAY where none is written."""
        column = self.column("date")
        if column is None:
            return alike(NO_DAY, self.size)
        labels = labels_of(column)
        values = pa.array(labels.values, pa.string())
        clocks = read_clocks(values, self.month_first)
        note_lost(values, clocks, harvest)
        return clocks.day[labels.codes]

    def _elapsed(self) -> np.ndarray:
        column = self.column("elapsed")
        if column is None:
            return alike(np.nan, self.size)
        times = read_durations(column, "elapsed" in self.match.milliseconds)
        if not self.is_passings and self.column("lap_s") is None:
            self._reject(times.absent, "no_time")
            self._reject(np.isnan(times.seconds), "unreadable_time")
        return np.where(np.abs(times.seconds) < LONGEST_RUN, times.seconds, np.nan)

    def _reject_untimed(self, local: np.ndarray, utc: np.ndarray, elapsed: np.ndarray) -> None:
        """Passings without a time: an empty cell or a word, or something that cannot be read."""
        without = (local == NO_TIME) & (utc == NO_TIME) & np.isnan(elapsed)
        if not without.any():
            return
        column = self.column("at")
        column = self.column("elapsed") if column is None else column
        if column is not None:
            self._reject(without & read_durations(column).absent, "no_time")
        self._reject(without, "unreadable_time")

    def _reject(self, rows: np.ndarray, reason: str) -> None:
        if rows.any():
            self.reason[rows & (self.reason == 0)] = _CODES.index(reason)

    def _set_aside(self, rows: Gathered, harvest: Harvest) -> Gathered:
        wrong = self.reason != 0
        harvest.rows_in += self.size + len(self.sheet.strays)
        for line, reason in self.sheet.strays:
            harvest.asides.append(Aside(line, self.sheet.raw(line), reason))
        if not wrong.any():
            return rows
        for row in np.flatnonzero(wrong):
            line = int(self.sheet.lines[row])
            harvest.asides.append(Aside(line, self.sheet.raw(line), _CODES[self.reason[row]]))
        return rows.keep(~wrong)


def _first_day(clocks: Clocks) -> int:
    known = clocks.day[clocks.day != NO_DAY]
    return int(known.min()) if len(known) else NO_DAY


def _which_month(text: str, headers: Mapping[str, str]) -> UserError:
    return UserError(
        "a date can be read in two ways",
        [
            Problem(
                f"'{text}'",
                "a date whose day and month are told apart",
                column=headers.get("date", headers.get("at", "")),
                advice="Add the meeting with its date to meetings.csv, or write 2026-03-28.",
            )
        ],
    )


def _full_name(first: str, second: str) -> str:
    """Two halves of a name; one that holds the other is the whole name."""
    for whole, part in ((first, second), (second, first)):
        if part.casefold() in whole.casefold().split() or not part:
            return whole
    return f"{first} {second}"


def _with_round(session: str, number: str, title: str) -> str:
    if not number or session.casefold().endswith(number.casefold()):
        return session
    name = f"{title} {number}" if number.isdigit() and not session else number
    return f"{session} {name}".strip()
