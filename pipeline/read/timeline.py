"""The rows' times on one axis: order of the file, day, midnight, time zone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from pipeline.errors import CallError, Problem, UserError
from pipeline.read.clocks import DAY, NO_DAY, day_number, read_clocks
from pipeline.read.following import Order, follow, restarts
from pipeline.read.gathered import Gathered, Harvest
from pipeline.read.instants import (
    HALF_DAY,
    NO_TIME,
    SECOND,
    is_reverse,
    local_of,
    to_utc,
    zone_of,
)
from pipeline.read.keys import alike, picked
from pipeline.read.labels import Labels
from pipeline.read.records import ReadOptions


@dataclass(frozen=True)
class Timeline:
    """utc (n,): microseconds, NO_TIME where no instant is known. axis (n,): microseconds that
    order the rows (instants, else elapsed), or NO_TIME. stretch (n,): set-backs of the clock
    before the row. absolute: `axis` holds instants. shuffled: a car's rows do not all stand in the
    order of their times."""

    utc: np.ndarray
    axis: np.ndarray
    stretch: np.ndarray
    absolute: bool
    shuffled: bool = False

    @property
    def complete(self) -> bool:
        """Every row has its time."""
        return bool(len(self.axis)) and bool((self.axis != NO_TIME).all())

    def keep(self, rows: np.ndarray) -> Timeline:
        """Only these rows: a bool mask, or indices in the order wanted."""
        utc = picked(self.utc, rows)
        axis = utc if self.absolute else picked(self.axis, rows)
        return Timeline(utc, axis, picked(self.stretch, rows), self.absolute, self.shuffled)


def forwards(rows: Gathered, groups: np.ndarray, harvest: Harvest) -> np.ndarray | None:
    """Row indices that turn a file written from the last row to the first; None if it is not."""
    for values, least in ((rows.utc, NO_TIME), (rows.local, NO_TIME), (rows.lap, 0)):
        known = values > least
        count = np.count_nonzero(known)
        if count < len(rows) / 2:
            continue
        which = slice(None) if count == len(rows) else known
        if is_reverse(values[which], groups[which]):
            harvest.warn("the rows run from the last to the first; they were read in reverse")
            return np.arange(len(rows))[::-1]
        return None
    return None


def timeline(
    rows: Gathered, groups: np.ndarray, options: ReadOptions, title_day: str, harvest: Harvest
) -> Timeline:
    """Put the rows' times on one axis. groups (n,): code of car and session."""
    zone = zone_of(options.timezone)
    size = len(rows)
    stretch, utc, shuffled = alike(0, size), rows.utc, False
    known = (rows.local != NO_TIME) & (utc == NO_TIME)
    if known.any():
        utc = utc.copy()
        which = slice(None) if known.all() else np.flatnonzero(known)
        local, dated = rows.local[which], rows.dated[which]
        if not dated.all():
            days = default_days(rows.session, options, title_day)[which]
            local = local + np.where(dated, 0, days * DAY)
        order = follow(local, groups[which], dated, zone)
        local = local + order.roll * DAY
        local = _past_midnight(local, rows.session.codes[which], ~dated)
        utc[which] = to_utc(local, order.late, zone)
        stretch, shuffled = _at(order.stretch, which, size), order.shuffled
        _tell_jumps(order, rows.line[which], harvest)
    if (utc != NO_TIME).any():
        return Timeline(utc, utc, stretch, True, shuffled)
    if np.isnan(rows.elapsed).all():
        return Timeline(utc, utc, stretch, False)
    axis = np.where(np.isnan(rows.elapsed), NO_TIME, np.nan_to_num(rows.elapsed) * SECOND)
    axis = np.where(np.abs(axis) < 9e18, axis, NO_TIME).astype(np.int64)
    counted = np.flatnonzero(axis != NO_TIME)
    if len(counted):
        order = restarts(axis[counted], groups[counted])
        stretch, shuffled = _at(order.stretch, counted, size), order.shuffled
    return Timeline(utc, axis, stretch, False, shuffled)


def _at(values: np.ndarray, rows: np.ndarray | slice, size: int) -> np.ndarray:
    """Zeros (size,) with the values at these rows."""
    if not values.any():
        return alike(0, size)
    whole = np.zeros(size, dtype=np.int64)
    whole[rows] = values
    return whole


def default_days(session: Labels, options: ReadOptions, title_day: str) -> np.ndarray:
    """(n,) day taken where a row gives none: sessions.csv, a title, the meeting's date.

    Raises UserError where none is known.
    """
    days = [_default_day(name, options, title_day) for name in session.values]
    return np.array(days, dtype=np.int64)[session.codes]


def _default_day(session: str, options: ReadOptions, title_day: str) -> int:
    for text in (options.facts(session).date, _near(title_day, options), options.date or ""):
        if text:
            try:
                return day_number(text)
            except ValueError:
                raise CallError(
                    "a date cannot be read", [Problem(f"'{text}'", "an ISO date: 2026-05-31")]
                ) from None
    raise UserError(
        f"the day of session '{session}' is not known",
        [
            Problem(
                "no date in the export and none for the meeting",
                "the meeting's date",
                advice=f"Add a row for '{options.meeting}' with its date to meetings.csv.",
            )
        ],
    )


def _near(day: str, options: ReadOptions) -> str:
    """A title's date counts within the meeting's week; else it is the day of printing."""
    if not day or not options.date:
        return day
    try:
        ahead = day_number(day) - day_number(options.date)
    except ValueError:
        return ""
    return day if 0 <= ahead < 7 else ""


def _past_midnight(local: np.ndarray, session: np.ndarray, undated: np.ndarray) -> np.ndarray:
    """In a session that crosses midnight, its early times belong to the day after."""
    if not undated.any():
        return local
    of_day = local % DAY
    count = int(session.max()) + 1
    late = np.bincount(session, (of_day > 22 * 3_600 * SECOND) & undated, minlength=count) > 0
    early = np.bincount(session, (of_day < 2 * 3_600 * SECOND) & undated, minlength=count) > 0
    both = (late & early)[session]
    if not both.any():
        return local
    latest = np.full(count, np.iinfo(np.int64).min)
    np.maximum.at(latest, session, local)
    behind = both & (of_day < 2 * 3_600 * SECOND) & (latest[session] - local > HALF_DAY) & undated
    return np.where(behind, local + DAY, local)


def _tell_jumps(order: Order, lines: np.ndarray, harvest: Harvest) -> None:
    seen: set[int] = set()
    for row, micros in order.jumps[:5]:
        back = str(timedelta(seconds=round(micros / SECOND)))
        if round(micros / SECOND) not in seen:
            harvest.warn(
                f"line {int(lines[row])}: the clock was set back by {back}; what follows is a "
                "stretch of its own, and times of day before and after may not agree"
            )
        seen.add(round(micros / SECOND))


def session_starts(
    names: Labels, written: Labels, options: ReadOptions, title_day: str, harvest: Harvest
) -> dict[str, int]:
    """UTC microseconds at which each session began, where that is told.

    written (n,): what a column or a title says. Raises CallError for an unreadable --start.
    """
    zone = zone_of(options.timezone)
    only = options.start if len(set(names.values)) == 1 else None
    if options.start and only is None:
        harvest.warn("--start was not used: the file holds more than one session")
    pairs = (
        dict(zip(names.codes.tolist(), written.codes.tolist(), strict=True))
        if len(written.values) > 1
        else dict.fromkeys(range(len(names.values)), 0)
    )
    starts = {}
    for code, name in enumerate(names.values):
        text = options.facts(name).start or only or written.values[pairs.get(code, 0)]
        if not text:
            continue
        moment = moment_of(text, name, options, title_day, zone)
        if moment is not None:
            starts[name] = moment
        elif text == options.start:
            expected = "a time of day such as 10:32:05, or an ISO date and time"
            raise CallError("--start cannot be read", [Problem(f"'{text}'", expected)])
        else:
            harvest.warn(f"the start '{text}' of session '{name}' cannot be read")
    return starts


def moment_of(
    text: str, session: str, options: ReadOptions, title_day: str, zone: ZoneInfo
) -> int | None:
    """UTC microseconds of a clock as it is written, on the session's day; None if unreadable."""
    clocks = read_clocks(pa.array([text.strip()], pa.string()))
    if clocks.micros[0] < 0:
        return None
    day = None if clocks.day[0] != NO_DAY else _default_day(session, options, title_day)
    local = local_of(clocks, None, day)
    if clocks.offset[0] != NO_DAY:
        return int(local[0] - clocks.offset[0] * 60 * SECOND)
    return int(to_utc(local, np.zeros(1, dtype=bool), zone)[0])


def local_day(utc: int, zone: ZoneInfo) -> str:
    """ISO day in the zone of an instant in microseconds."""
    from datetime import UTC, datetime

    return datetime.fromtimestamp(utc / SECOND, UTC).astimezone(zone).date().isoformat()
