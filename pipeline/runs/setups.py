"""The setup log → what was on the car in each run, and how it felt.

Two forms, told apart by the header: changes (`factor`, `value`), a row a change; sheet (a column a
factor), a row a run, in which an empty cell means as before. In both a value holds until the next
of that driver and factor, through later meetings too; what rests on that is said.
"""

from __future__ import annotations

import bisect
import re
from collections import defaultdict
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from pipeline.errors import Problem, once_each
from pipeline.runs.logbook_places import place_books
from pipeline.runs.setup_conflicts import settle_between, two_values
from pipeline.runs.setup_numbers import Written, two_readings
from pipeline.runs.setup_places import RESET, SAME, UNKNOWN, Placed, Places
from pipeline.team.factors import Factor
from pipeline.team.sheets import (
    FREE_TEXT,
    Sheet,
    column_name,
    columns_with_nearest,
    nearest,
    read_sheet,
)
from pipeline.team.tables import plain, plain_map

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team.factors import Setting
    from pipeline.team.folder import Team

FIXED = ("meeting", "driver", "run", "class")


@dataclass(frozen=True)
class Entry:
    """One setting as the log has it; `value` is a level, RESET, or SAME's first word."""

    line: int
    meeting: str
    driver: str
    run: str
    racing_class: str
    factor: str
    value: str
    source: str = ""  # the logbook's file; '' for a row that a person typed


Replaced = tuple[str, str, str]  # run of the logbook, factor or feel, value that was typed


@dataclass(frozen=True)
class Book:
    """One driver's logbook of one meeting.

    starts: number of a run -> hour of the phone's clock when it went out, None where not said.
    replaces: typed rows instead of which it counts, as somebody decided (`log --replace`).
    """

    name: str
    meeting: str
    driver: str
    entries: tuple[Entry, ...]
    starts: Mapping[int, float | None]
    replaces: frozenset[Replaced] = frozenset()


@dataclass
class SetupLog:
    """The log as read: its entries in the order of the file, and what is wrong with it.

    holds: a value holds until the next one (scores do not).
    books, feel: what was kept in logbooks, and the scores of feel.csv (see runs.logbooks).
    carried: factor -> index of a run -> the earlier meeting that its setting is from, see join.
    """

    name: str = "setups.csv"
    sheet_form: bool = False
    entries: list[Entry] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    holds: bool = True
    books: list[Book] = field(default_factory=list)
    feel: SetupLog | None = None
    carried: dict[str, dict[Hashable, str]] = field(default_factory=dict)

    def fault(
        self, line: int, column: str, found: str, expected: str, advice: str = "", where: str = ""
    ) -> None:
        self.problems.append(Problem(found, expected, where or self.name, line, column, advice))


def read_typed(team: Team, is_all: bool) -> SetupLog:
    """Read and check setups.csv for itself: names, factors and values, not yet runs.

    is_all: there is no logbook, so that without this file nothing is known.
    """
    sheet = read_sheet(team.folder, "setups", ())
    if sheet is None:
        return SetupLog(warnings=["no setups.csv: no run has a known setting"] * is_all)
    return log_of(team, sheet, team.factors, changes=True)


def log_of(
    team: Team,
    sheet: Sheet,
    settings: Sequence[Setting],
    more: Iterable[str] = (),
    *,
    changes: bool = False,
) -> SetupLog:
    """A table as a log of these settings; `more`: columns that another reader looks at.

    changes: the table may have a row a change instead of a row a run.
    """
    log = SetupLog(sheet.name, problems=list(sheet.problems))
    columns = set(sheet.frame.columns)
    missing = [name for name in FIXED[:3] if name not in columns]
    log.sheet_form = not (changes and {"factor", "value"} <= columns)
    factors = columns_of(settings, sheet.frame) if log.sheet_form else {}
    if log.sheet_form and not factors:
        missing += ["factor", "value"] if changes else []
    if (missing or not (factors or changes)) and not log.problems:
        _wrong_header(log, sheet.frame, missing)
    if log.problems:
        return log
    used = {*FIXED, *FREE_TEXT, *more, *(factors or ("factor", "value"))}
    unused = [name for name in sheet.frame.columns if name not in used]
    if unused:
        here = {*columns, *(factor.name for factor in factors.values())}
        spare = [n for n in (*FIXED, *(one.name for one in settings)) if n not in here]
        words = columns_with_nearest(unused, spare)
        kind = "factor" if changes or any(isinstance(one, Factor) for one in settings) else "feel"
        log.warnings.append(f"{log.name}: column {words} is no {kind} and is not used")
    _Reader(team, log, sheet.frame, factors).read()
    log.problems = once_each(log.problems)
    return log


def columns_of(settings: Sequence[Setting], frame: pd.DataFrame) -> dict[str, Setting]:
    """Column -> the factor or feel that it is, by name or label."""
    found: dict[str, Setting] = {}
    for factor in settings:
        for name in (column_name(factor.name), column_name(factor.label)):
            if name in frame.columns and name not in FIXED:
                found.setdefault(name, factor)
    return found


def _wrong_header(log: SetupLog, frame: pd.DataFrame, missing: list[str]) -> None:
    found = f"columns {', '.join(frame.columns) or 'without names'}"
    expected = "meeting, driver, run, factor, value (changes), or meeting, driver, run and a "
    expected += "column for each factor (sheet)"
    advice = " ".join(filter(None, (nearest(name, frame.columns) for name in missing)))
    log.problems.append(Problem(found, expected, log.name, advice=advice))


class _Reader:
    """Turns the rows of either form into entries."""

    def __init__(
        self, team: Team, log: SetupLog, frame: pd.DataFrame, columns: dict[str, Setting]
    ) -> None:
        self.team, self.log, self.frame, self.columns = team, log, frame, columns
        self.meetings = plain_map(team.meetings["meeting"])
        self.drivers = plain_map(team.drivers["driver"])
        self.members = set(team.team_drivers)
        self.strangers: set[str] = set()
        self.factor = lru_cache(team.factor)
        self.numbers: dict[str, list[Written]] = defaultdict(list)

    def read(self) -> None:
        if "class" not in self.frame:
            self.frame["class"] = ""
        rows = self.frame.to_dict("records")
        for line, row in zip(self.frame.index.to_list(), rows, strict=True):
            self.row(int(line), {str(name): str(cell) for name, cell in row.items()})
        for factor in self.team.factors:
            self.log.problems += two_readings(self.log.name, factor, self.numbers[factor.name])

    def row(self, line: int, row: dict[str, str]) -> None:
        meeting = self.known(line, "meeting", row["meeting"], self.meetings, "meetings.csv")
        driver = self.known(line, "driver", row["driver"], self.drivers, "the drivers table")
        if not row["run"]:
            expected = "a run's number, a time of day (13:45) or a session's name"
            self.log.fault(line, "run", "an empty cell", expected)
        settings = list(self.settings(line, row))
        if driver and driver not in self.members:
            if driver not in self.strangers:
                self.log.warnings.append(
                    f"{self.log.name}, line {line}: '{driver}' is not in the team; not used"
                )
            self.strangers.add(driver)
        elif meeting and driver and row["run"]:
            for factor, value in settings:
                entry = Entry(line, meeting, driver, row["run"], row["class"], factor, value)
                self.log.entries.append(entry)

    def known(
        self, line: int, column: str, text: str, names: dict[str, str], where: str
    ) -> str | None:
        name = names.get(plain(text))
        if name is None:
            advice = nearest(text, names.values())
            found = f"'{text}'" if text else "an empty cell"
            self.log.fault(line, column, found, f"a {column} of {where}", advice)
        return name

    def settings(self, line: int, row: dict[str, str]) -> Iterator[tuple[str, str]]:
        """(factor, value) of a row."""
        cells: list[tuple[str, Setting, str]]
        if self.log.sheet_form:
            cells = [(column, setting, row[column]) for column, setting in self.columns.items()]
        else:
            factor = self.factor(row["factor"])
            if factor is None:
                advice = nearest(row["factor"], [f.name for f in self.team.factors])
                found = f"'{row['factor']}'" if row["factor"] else "an empty cell"
                self.log.fault(line, "factor", found, "a factor of team.toml", advice)
                return
            cells = [("value", factor, row["value"])]
        for column, setting, text in cells:
            value = self.value(line, column, setting, text)
            if value:
                yield setting.name, value

    def value(self, line: int, column: str, factor: Setting, text: str) -> str | None:
        """The level meant, RESET, SAME[0], or None for nothing or a fault."""
        if not text and self.log.sheet_form:
            return None
        level = factor.read(text)
        if level is not None:
            if isinstance(factor, Factor) and factor.kind == "number":
                self.numbers[factor.name].append(Written(text, line, column))
            return level
        if plain(text) in (RESET, UNKNOWN):
            return RESET
        if plain(text) in SAME:
            return SAME[0]
        advice = nearest(text, factor.levels)
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            advice = "A spreadsheet has made a date of it; format the column as text"
        found = f"'{text}'" if text else "an empty cell"
        self.log.fault(line, column, found, factor.expected(), advice)
        return None


def join(team: Team, log: SetupLog, runs: pd.DataFrame) -> pd.DataFrame:
    """The setting of each factor in each run: one text column a factor, null where unknown.

    runs: all runs of the season with meeting, date, class, session, driver, team, run_no, hour,
    hour_known; its index is kept. Faults that only the runs show (no such run, two values for
    one run) are added to `log.problems`, what has no effect yet to `log.warnings`; what rests on
    an earlier meeting becomes `log.carried`.
    """
    import pandas as pd

    mine = runs[runs["team"]]
    places = Places(mine, runs, team)
    placed = placed_rows(log, places, {factor.name for factor in team.factors})
    settings, log.carried = _settings(placed, places)
    scores = _scores(log, places, {feel.name for feel in team.feels})
    columns = {}
    for factor in team.factors:
        cells = dict.fromkeys(runs.index) | settings.get(factor.name, {})
        columns[factor.name] = pd.Series(list(cells.values()), runs.index, dtype="str")
    for feel in team.feels:
        cells = dict.fromkeys(runs.index) | scores.get(feel.name, {})
        columns[feel.name] = pd.to_numeric(pd.Series(list(cells.values()), runs.index)).astype(
            "Int64"
        )
    return pd.DataFrame(columns, index=runs.index)


def placed_rows(log: SetupLog, places: Places, names: set[str]) -> list[Placed]:
    """Typed rows and those of logbooks about these names, in the order in which they count."""
    typed = places.place(log)
    two_values(log, typed)
    kept = [each for each in place_books(log, places) if each.entry.factor in names]
    kept = settle_between(log, typed, kept)
    return sorted([*typed, *kept], key=Placed.order)


def _scores(
    log: SetupLog, places: Places, names: set[str]
) -> dict[str, dict[Hashable, str | None]]:
    """feel -> index of a run of the team -> score."""
    if not names:
        return {}
    feel = replace(log.feel or SetupLog("feel.csv", True, holds=False), books=log.books)
    out: dict[str, dict[Hashable, str | None]] = defaultdict(dict)
    by_place = {run.place: run.row for runs in places.career.values() for run in runs}
    for each in placed_rows(feel, places, names):
        if each.at.run_no:
            score = None if each.entry.value in (RESET, SAME[0]) else each.entry.value
            out[each.entry.factor][by_place[each.at.place]] = score
    log.problems += [p for p in feel.problems if p not in log.problems]
    log.warnings += [w for w in feel.warnings if w not in log.warnings]
    return out


def _settings(
    placed: list[Placed], places: Places
) -> tuple[dict[str, dict[Hashable, str | None]], dict[str, dict[Hashable, str]]]:
    """factor -> index of a run of the team -> setting; and the same -> the earlier meeting at which
    it was logged, for settings that are carried over."""
    rows: dict[tuple[str, str, str], list[tuple[int, str, str]]] = defaultdict(list)
    for each in placed:
        before = rows[each.entry.driver, each.racing_class, each.entry.factor]
        value, meeting = each.entry.value, each.entry.meeting
        if value == SAME[0]:
            value = before[-1][1] if before else RESET
        before.append((each.at.place, value, meeting))
    out: dict[str, dict[Hashable, str | None]] = defaultdict(dict)
    carried: dict[str, dict[Hashable, str]] = defaultdict(dict)
    for (driver, racing_class, factor), changes in rows.items():
        starts = [place for place, *_ in changes]
        for run in places.career.get((driver, racing_class), []):
            last = bisect.bisect_right(starts, run.place) - 1
            _, setting, meeting = changes[last] if last >= 0 else (0, RESET, run.meeting)
            out[factor][run.row] = None if setting == RESET else setting
            if setting != RESET and meeting != run.meeting:
                carried[factor][run.row] = meeting
    return out, carried
