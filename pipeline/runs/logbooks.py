"""What was kept in logbooks and in feel.csv, read together with the setup log.

logbooks/<meeting>/<driver>.csv: one driver's sheet of one meeting, a row a run, taken in by `log`.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.runs.setup_places import NUMBER, RESET, RUN_WORD, SAME, Places, hours_of
from pipeline.runs.setups import (
    Book,
    Entry,
    Replaced,
    SetupLog,
    columns_of,
    log_of,
    placed_rows,
    read_typed,
)  # fmt: skip
from pipeline.store.commit import settle
from pipeline.tables.safecsv import bare
from pipeline.team.sheets import Sheet, read_file, read_sheet
from pipeline.team.tables import time_of_day

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team.factors import Setting
    from pipeline.team.folder import Team

FOLDER = "logbooks"
_COUNTS = "# counts instead of a typed row: "
_HALF_DAY = re.compile(r"(\d{1,2}[:.]\d{2}(?:[:.]\d{2})?) ?([ap])\.?m\.?", re.IGNORECASE)


def read_log(team: Team) -> SetupLog:
    """setups.csv, feel.csv and all logbooks, checked for themselves, not yet against runs."""
    paths = logbook_files(team.folder)
    log = read_typed(team, is_all=not paths)
    for path in paths:
        name = path.relative_to(team.folder).as_posix()
        file = read_books(team, path, name)
        log.books += file.books
        log.problems += [each for each in file.log.problems if each not in log.problems]
        log.warnings += file.log.warnings
    _read_feel(team, log)
    return log


def logbook_files(folder: Path) -> list[Path]:
    """The logbooks of a team folder, in the order of their names."""
    settle(folder / FOLDER)
    found = (folder / FOLDER).glob("*/*.csv")
    return sorted(path for path in found if not path.parent.name.startswith("."))


def _read_feel(team: Team, log: SetupLog) -> None:
    sheet = read_sheet(team.folder, "feel", ())
    if sheet is None:
        return
    if not team.feels:
        log.warnings.append(f"{sheet.name}: team.toml has no [[feel]]; it is not used")
        return
    log.feel = log_of(team, sheet, team.feels)
    log.feel.holds = False
    log.problems += log.feel.problems
    log.warnings += log.feel.warnings


@dataclass(frozen=True, eq=False)
class BookFile:
    """A file of logbooks as read: its rows, the logbooks in it, and what is wrong with it.

    frame: text cells by line, as read; run and start as understood are in `rows`. columns: factor
    or feel -> its column.
    """

    frame: pd.DataFrame
    columns: dict[str, str]
    rows: Rows
    books: list[Book]
    log: SetupLog


def read_books(team: Team, path: Path, name: str) -> BookFile:
    """The logbooks of one file: one for each driver and meeting in it.

    Raises OSError where the file cannot be read.
    """
    sheet = read_file(path, (), ("meeting", "driver", "run"), name)
    sheet = replace(sheet, frame=sheet.frame.map(bare))
    given = sheet.frame.copy()
    settings: list[Setting] = [*team.factors, *team.feels]
    log = log_of(team, sheet, settings, more=("start",))
    rows = Rows(log, sheet)
    columns = {s.name: name for name, s in columns_of(settings, sheet.frame).items()}
    if log.problems:
        return BookFile(given, columns, rows, [], log)
    replaces = _replaces(path)
    by_book: dict[tuple[str, str], list[Entry]] = defaultdict(list)
    for entry in log.entries:
        number = str(rows.numbers[entry.line])
        by_book[entry.meeting, entry.driver].append(replace(entry, run=number, source=name))
    books = []
    for (meeting, driver), entries in by_book.items():
        starts = {int(entry.run): rows.starts[entry.line] for entry in entries}
        rows.once(entries)
        entries.sort(key=lambda entry: int(entry.run))
        books.append(Book(name, meeting, driver, tuple(entries), starts, replaces))
    return BookFile(given, columns, rows, books, log)


def replacing_lines(replaces: Iterable[Replaced]) -> bytes:
    """Comments at the head of a logbook, one for each typed row that it replaces."""
    lines = (f"{_COUNTS}{json.dumps(each, ensure_ascii=False)}\n" for each in sorted(replaces))
    return "".join(lines).encode()


def _replaces(path: Path) -> frozenset[Replaced]:
    if path.suffix != ".csv":
        return frozenset()
    found = []
    for line in path.read_bytes().decode("utf-8-sig", "replace").splitlines():
        if not line.startswith("#"):
            break
        with contextlib.suppress(ValueError):
            run, thing, typed = json.loads(line.removeprefix(_COUNTS))
            found.append((str(run), str(thing), str(typed)))
    return frozenset(found)


class Rows:
    """Number and time of each row, by its line."""

    def __init__(self, log: SetupLog, sheet: Sheet) -> None:
        self.log = log
        self.numbers: dict[int, int] = {}
        self.starts: dict[int, float | None] = {}
        if log.problems and "run" not in sheet.frame:
            return
        starts = sheet.frame["start"] if "start" in sheet.frame else [""] * len(sheet.frame)
        lines = map(int, sheet.frame.index)
        for line, run, start in zip(lines, sheet.frame["run"], starts, strict=True):
            self.numbers[line] = self.number(line, run)
            self.starts[line] = self.hour(line, start)

    def number(self, line: int, text: str) -> int:
        match = NUMBER.fullmatch(text) or RUN_WORD.fullmatch(text)
        if match and int(match[1]):
            return int(match[1])
        if text:
            self.log.fault(line, "run", f"'{text}'", "the number of a run, from 1")
        return 0

    def hour(self, line: int, text: str) -> float | None:
        clock = day_clock(text)
        if clock is None:
            self.log.fault(line, "start", f"'{text}'", "a time of day as 13:45, or empty")
        return hours_of(clock) if clock else None

    def once(self, entries: list[Entry]) -> None:
        """Two rows for one run are a fault, unless they say the same."""
        first: dict[int, int] = {}
        said: dict[int, set[tuple[str, str]]] = defaultdict(set)
        for entry in entries:
            first.setdefault(int(entry.run), entry.line)
            said[entry.line].add((entry.factor, entry.value))
        for line in said:
            other = first[self.numbers[line]]
            if said[line] != said[other] or self.starts[line] != self.starts[other]:
                found = f"run {self.numbers[line]} again (first in line {other})"
                self.log.fault(line, "run", found, "each run once")


def day_clock(text: str) -> str | None:
    """'9:05', '09:05:30' or '9:05 PM' as HH:MM:SS, '' for empty, None for anything else."""
    half = _HALF_DAY.fullmatch(text)
    if not half:
        return time_of_day(text)
    clock = time_of_day(half[1])
    if not clock or not 1 <= int(clock[:2]) <= 12:
        return None
    return f"{int(clock[:2]) % 12 + 12 * (half[2].casefold() == 'p'):02}{clock[2:]}"


def last_settings(team: Team, log: SetupLog, runs: pd.DataFrame) -> dict[str, dict[str, str]]:
    """driver -> factor -> what the log says last, of the class that the driver ran last.

    runs: as for `join`; may be empty.
    """
    places = Places(runs[runs["team"].astype(bool)], runs, team)
    newest: dict[str, tuple[str, float, str]] = {}
    for (driver, racing_class), career in places.career.items():
        latest = (career[-1].date, career[-1].start, racing_class)
        newest[driver] = max(newest.get(driver, latest), latest)
    last: dict[str, dict[str, str]] = defaultdict(dict)
    for each in placed_rows(log, places, {factor.name for factor in team.factors}):
        entry, driver = each.entry, each.entry.driver
        other_class = driver in newest and each.racing_class != newest[driver][2]
        if entry.value != SAME[0] and not other_class:
            last[driver][entry.factor] = entry.value
    return {d: {f: v for f, v in all_.items() if v != RESET} for d, all_ in last.items()}
