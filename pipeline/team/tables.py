"""drivers, meetings and sessions tables of the team folder: read, checked, normalised."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Problem, once_each
from pipeline.tables.conditions import CONDITIONS, Condition
from pipeline.tables.schema import SESSION_KINDS
from pipeline.team.dates import date_advice, is_of_our_time, read_day
from pipeline.team.sheets import Sheet, nearest, read_sheet

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team.factors import NumberCondition

DRIVERS = ("driver", "transponder", "team", "from", "until", "class", "share")
MEETINGS = ("meeting", "date", "venue", "surface", "grip", "timezone", "layout")
SESSIONS = ("meeting", "session", "kind", "date", "start", "class", "heat", "exclude", "grip")
EXCLUDED = "excluded in the sessions table"
_LAST_DAY = "9999-12-31"
_YES = ("yes", "y", "true", "1", "x")
_NO = ("no", "n", "false", "0", "")


@dataclass
class Tables:
    """The three tables and what is wrong with them; a missing file is an empty table."""

    drivers: pd.DataFrame
    meetings: pd.DataFrame
    sessions: pd.DataFrame
    problems: list[Problem] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


@lru_cache(maxsize=100_000)
def plain(text: str) -> str:
    """A name for comparison: case and runs of spaces do not matter."""
    return " ".join(str(text).casefold().split())


def read_tables(folder: Path, conditions: Sequence[NumberCondition] = ()) -> Tables:
    """Read and check all three; never raises for what the files hold.

    conditions: each has a column of numbers in the meetings or sessions table, or both.
    """
    more = tuple(condition.name for condition in conditions)
    drivers, meetings, sessions = (
        _Checked(folder, "drivers", DRIVERS, ("driver",)),
        _Checked(
            folder,
            "meetings",
            tuple(dict.fromkeys([*MEETINGS, *CONDITIONS, *more])),
            ("meeting", "date"),
        ),
        _Checked(folder, "sessions", (*SESSIONS, *more), ("meeting", "session")),
    )
    _check_drivers(drivers)
    _check_meetings(meetings)
    _check_sessions(sessions, meetings.frame)
    _check_conditions(conditions, meetings, sessions)
    tables = Tables(drivers.frame, meetings.frame, sessions.frame)
    for checked in (drivers, meetings, sessions):
        tables.problems += once_each(checked.problems)
        tables.warnings += checked.warnings
    if drivers.missing:
        tables.warnings.append("no drivers.csv: every driver counts as one of the field")
    if meetings.missing:
        tables.warnings.append("no meetings.csv: no meeting can be imported")
    return tables


class _Checked:
    """One table under check: its frame is mended in place, faults are collected."""

    def __init__(
        self, folder: Path, stem: str, columns: tuple[str, ...], required: tuple[str, ...]
    ) -> None:
        sheet = read_sheet(folder, stem, columns, required)
        self.missing = sheet is None
        if sheet is None:
            import pandas as pd

            index = pd.Index([], name="line", dtype=int)
            sheet = Sheet(f"{stem}.csv", pd.DataFrame(columns=list(columns), index=index))
        self.name = sheet.name
        self.frame = sheet.frame
        self.header = sheet.header
        self.problems = list(sheet.problems)
        self.warnings = list(sheet.warnings)
        for column in () if sheet.problems else required:
            self.each(column, lambda text: text or None, "a value")

    @property
    def lines(self) -> list[int]:
        return [int(line) for line in self.frame.index.to_list()]

    def each(
        self,
        column: str,
        read: Callable[[str], object],
        expected: str,
        advise: Callable[[str], str] = lambda text: "",
    ) -> None:
        """Put `read(cell)` in each cell of `column`; None is a fault, named with its line."""
        known = {text: read(text) for text in self.frame[column].unique()}
        for line, text in zip(self.lines, self.frame[column], strict=True):
            if known[text] is None:
                found = f"'{text}'" if text else "an empty cell"
                self.fault(found, expected, line, column, advise(text))
        self.frame[column] = self.frame[column].map(lambda text: known[text] or "")

    def each_word(self, column: str, words: Iterable[str], expected: str) -> None:
        """Each cell of `column` is empty or one of `words` in any case; the nearest is named."""
        known = {plain(word): word for word in words}
        self.each(column, lambda text: known.get(plain(text)) if text else "", expected,
                  lambda text: nearest(text, known.values()))  # fmt: skip

    def each_condition(self, condition: Condition) -> None:
        """Each cell of its column is empty or one of its words; the nearest is named."""
        self.each(condition.name, condition.read, f"{condition.expected} or empty",
                  lambda text: nearest(text, condition.values))  # fmt: skip

    def fault(
        self, found: str, expected: str, line: int, column: str = "", advice: str = ""
    ) -> None:
        self.problems.append(Problem(found, expected, self.name, line, column, advice))

    def once(self, columns: list[str], what: str, advice: str = "") -> None:
        """Two rows with the same `columns` are a fault that names both lines."""
        first: dict[tuple[str, ...], int] = {}
        rows = self.frame[columns].itertuples(index=False, name=None)
        for line, cells in zip(self.lines, rows, strict=True):
            key = tuple(map(plain, cells))
            if key in first:
                shown = ", ".join(filter(None, cells))
                found = f"'{shown}' again (first in line {first[key]})"
                self.fault(found, f"each {what} once", line, columns[0], advice)
            first.setdefault(key, line)


def _check_drivers(table: _Checked) -> None:
    table.each("team", yes_no, "yes or no")
    table.each("share", yes_no, "yes or no")
    for column in ("from", "until"):
        table.each(column, iso_date_or_empty, "a date as 2026-05-03, or empty", date_advice)
    frame = table.frame
    for line, first, last in zip(table.lines, frame["from"], frame["until"], strict=True):
        if last and first > last:
            expected = f"a day not before {first}, where the period begins"
            table.fault(f"'{last}'", expected, line, "until")
    _check_periods(table)
    given = plain_map(frame["driver"])
    table.frame["driver"] = [given[plain(name)] for name in frame["driver"]]
    for column in ("team", "share"):
        table.frame[column] = table.frame[column].map(bool).astype(bool)


def plain_map(names: pd.Series) -> dict[str, str]:
    """Plain form of each name -> the spelling that stands first."""
    first: dict[str, str] = {}
    for name in names:
        first.setdefault(plain(name), name)
    return first


def _check_periods(table: _Checked) -> None:
    """One transponder, one day, one class: one driver."""
    transponder = table.frame["transponder"]
    used = table.frame[(transponder != "") & transponder.duplicated(keep=False)]
    columns = ["from", "until", "class"]
    for number, rows in used.groupby("transponder", sort=False):
        cells = rows[columns].itertuples(index=False, name=None)
        entries = list(zip(map(int, rows.index.to_list()), cells, strict=True))
        for place, (line, row) in enumerate(entries):
            for before, other in entries[:place]:
                if _overlap(row, other):
                    found = f"transponder {number} also in line {before} for the same days"
                    advice = "Say in `from` and `until` who drove with it when"
                    table.fault(found, "one driver a transponder and day", line, "from", advice)


def _overlap(one: tuple[str, ...], other: tuple[str, ...]) -> bool:
    """Whether two (from, until, class) can hold on the same day."""
    (begin, end, racing), (begin_other, end_other, racing_other) = one, other
    if racing and racing_other and plain(racing) != plain(racing_other):
        return False
    return begin <= (end_other or _LAST_DAY) and begin_other <= (end or _LAST_DAY)


def _check_meetings(table: _Checked) -> None:
    table.each("date", _meeting_day, "a date as 2026-05-03", date_advice)
    for condition in CONDITIONS.values():
        table.each_condition(condition)
    zones = sorted(zoneinfo.available_timezones())
    table.each_word("timezone", zones, "a zone as Europe/Berlin, or empty for UTC")
    table.once(["meeting"], "meeting", "Further days of a meeting go into sessions.csv")


def _check_sessions(table: _Checked, meetings: pd.DataFrame) -> None:
    table.each_word("meeting", meetings["meeting"], "a meeting of meetings.csv")
    table.each_word("kind", SESSION_KINDS, f"{', '.join(SESSION_KINDS)} or empty")
    table.each("date", _meeting_day, "a date as 2026-05-03, or empty", date_advice)
    table.each("start", time_of_day, "a time of day as 13:45, or empty")
    table.each("exclude", exclusion, "yes, no or a reason")
    table.each_condition(CONDITIONS["grip"])
    table.once(["meeting", "session", "class", "heat"], "session")


def _check_conditions(
    conditions: Sequence[NumberCondition], meetings: _Checked, sessions: _Checked
) -> None:
    for one in conditions:
        for table in (meetings, sessions):
            read = lambda text, one=one: one.read(text) if text else ""  # noqa: E731
            table.each(one.name, read, one.expected())
        if one.name not in meetings.header | sessions.header:
            expected = f"a column '{one.name}' of numbers here or in sessions.csv"
            advice = nearest(one.name, meetings.header - {*MEETINGS}, "Is it the column")
            meetings.fault("no such column", expected, 1, one.name, advice)


def yes_no(text: str) -> bool | None:
    word = text.casefold()
    return True if word in _YES else False if word in _NO else None


def exclusion(text: str) -> str:
    """The reason why a session is left out, '' where it is not."""
    said = yes_no(text)
    return EXCLUDED if said else "" if said is False else text


def iso_date_or_empty(text: str) -> str | None:
    """An ISO day, '' for empty, None for anything else."""
    return read_day(text) if text else ""


def _meeting_day(text: str) -> str | None:
    """The same of a day on which people can have raced."""
    day = iso_date_or_empty(text)
    return day if not day or is_of_our_time(day) else None


def time_of_day(text: str) -> str | None:
    """'9:05' or '09:05:30' as HH:MM:SS, '' for empty, None for anything else."""
    match = re.fullmatch(r"(\d{1,2})[:.h](\d{2})(?:[:.](\d{2})(?:\.0+)?)?", text)
    if not match:
        return None if text else ""
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if hour > 23 or minute > 59 or second > 59:
        return None
    return f"{hour:02}:{minute:02}:{second:02}"
