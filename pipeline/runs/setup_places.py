"""From which run a row of the setup log holds: by number, time of day or session."""

from __future__ import annotations

import bisect
import re
from collections import defaultdict
from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from pipeline.team.dates import read_day
from pipeline.team.session_facts import plain_session
from pipeline.team.sheets import nearest
from pipeline.team.tables import plain, time_of_day

if TYPE_CHECKING:
    from pipeline.runs.setups import Entry, SetupLog
    from pipeline.team.folder import Team

RESET = "reset"
UNKNOWN = "?"
SAME = ("same", "-", "–", "—", "=", '"', "idem", "ditto")
NEAR_HOURS = 0.25
NUMBER = re.compile(r"#?0*(\d{1,4})(?:\.0)?")
RUN_WORD = re.compile(r"(?:before |from |for )?run\W{0,2}0*(\d{1,4})", re.IGNORECASE)
_DAY_AND_TIME = re.compile(r"(\S+\d{4}|\d{4}\S+)[ T](\S+)")


class Run(NamedTuple):
    row: Hashable
    meeting: str
    place: int
    date: str
    session: str
    racing_class: str
    run_no: int
    start: float
    timed: bool


@dataclass(frozen=True)
class Place:
    """A row holds from the run at `place`; run_no 0 where the log names no run that was driven."""

    place: int
    run_no: int = 0
    clock: float | None = None


class Placed(NamedTuple):
    """A row of the log with the class it is about and the run from which it holds."""

    entry: Entry
    racing_class: str
    at: Place
    date: str

    def order(self) -> tuple[int, str, bool, float, int]:
        """Rows before the same run count in the order of day, time and line; logbooks last."""
        clock = -1.0 if self.at.clock is None else self.at.clock
        return self.at.place, self.date, bool(self.entry.source), clock, self.entry.line


class Places:
    """Looks runs up for the log.

    mine: the team's runs; everyone: all runs (to know when a session was that a driver missed).
    A run's place is its number in the order of driver, class and time.
    """

    def __init__(self, mine: pd.DataFrame, everyone: pd.DataFrame, team: Team) -> None:
        columns = ["driver", "class", "date", "start_hour", "run_no"]
        ordered = mine.sort_values(columns, kind="stable").assign(place=range(len(mine)))
        self.runs: dict[tuple[str, str], list[Run]] = defaultdict(list)
        self.career: dict[tuple[str, str], list[Run]] = defaultdict(list)
        fields = ["meeting", "driver", "place", "date", "session", "class", "run_no"]
        fields += ["start_hour", "hour_known"]
        for index, meeting, driver, *cells in ordered[fields].itertuples(name=None):
            run = Run(index, meeting, *cells)
            self.runs[meeting, driver].append(run)
            self.career[driver, run.racing_class].append(run)
        self.days = dict(zip(team.meetings["meeting"], team.meetings["date"], strict=True))
        self.sessions = {
            (meeting, plain_session(session)): (session, date, hour)
            for meeting, session, date, hour in _session_starts(everyone)
        }
        self.known: dict[tuple[str, str, str, str], tuple[str, Place] | None]

    def place(self, log: SetupLog) -> list[Placed]:
        """The entries that have a place, in the order in which they count; faults go to the log."""
        self.log, self.known = log, {}
        placed = []
        for entry in log.entries:
            key = (entry.meeting, entry.driver, entry.run, entry.racing_class)
            if key not in self.known:
                self.known[key] = self._find(entry)
            found = self.known[key]
            if found:
                placed.append(Placed(entry, *found, self.days.get(entry.meeting, "")))
        return sorted(placed, key=Placed.order)

    def _find(self, entry: Entry) -> tuple[str, Place] | None:
        racing_class = self.class_of(entry)
        if racing_class is None:
            return None
        runs = [r for r in self.runs.get((entry.meeting, entry.driver), [])
                if r.racing_class == racing_class]  # fmt: skip
        if not runs:
            self._warn(entry, f"no laps of {entry.driver} at {entry.meeting} in the store")
            place = self._next(entry, racing_class, self.days.get(entry.meeting, ""), 24.0)
        else:
            place = self._in_meeting(entry, runs)
        return (racing_class, place) if place else None

    def class_of(self, entry: Entry) -> str | None:
        """The class that a row is about: what it says, else the driver's only one."""
        here = self.runs.get((entry.meeting, entry.driver), [])
        raced = {r.racing_class for r in here}
        raced = raced or {c for d, c in self.career if d == entry.driver}
        if entry.racing_class:
            raced = {c for c in raced if plain(c) == plain(entry.racing_class)}
            if not raced and here:
                classes = sorted({r.racing_class for r in here})
                advice = nearest(entry.racing_class, classes)
                expected = f"a class that {entry.driver} raced there: {', '.join(classes)}"
                self._fault(entry, f"'{entry.racing_class}'", expected, advice, "class")
                return None
        if len(raced) > 1:
            found = f"no class, and {entry.driver} raced {', '.join(sorted(raced))}"
            self._fault(entry, found, "the class in a column 'class'", column="class")
            return None
        return next(iter(raced), entry.racing_class)

    def _in_meeting(self, entry: Entry, runs: list[Run]) -> Place | None:
        number = NUMBER.fullmatch(entry.run)
        if number:
            return self._by_number(entry, runs, int(number[1]))
        dated = _DAY_AND_TIME.fullmatch(entry.run)
        day = read_day(dated[1]) if dated else ""
        clock = time_of_day(dated[2] if dated and day else entry.run)
        if clock:
            return self._by_time(entry, runs, day or "", hours_of(clock))
        return self._by_session(entry, runs)

    def _by_number(self, entry: Entry, runs: list[Run], number: int) -> Place | None:
        for run in runs:
            if run.run_no == number:
                return Place(run.place, run.run_no)
        listed = ", ".join(f"{run.run_no} {run.session}" for run in runs)
        expected = f"one of {entry.driver}'s runs at {entry.meeting}: {listed}"
        self._fault(entry, f"run '{entry.run}'", expected)
        return None

    def _by_time(self, entry: Entry, runs: list[Run], day: str, clock: float) -> Place | None:
        days = sorted({run.date for run in runs})
        if not day and len(days) > 1:
            expected = f"the day too, as '{days[0]} {entry.run}': the meeting has several"
            self._fault(entry, f"'{entry.run}'", expected)
            return None
        day = day or days[0]
        timed = [run for run in runs if run.timed and run.date == day]
        if not timed:
            expected = "a run's number or a session's name: the exports of that day have no times"
            self._fault(entry, f"'{entry.run}'", expected)
            return None
        if self.log.sheet_form:
            return self._nearest_in_time(entry, timed, clock)
        for run in timed:
            if run.start >= clock:
                return Place(run.place, run.run_no, clock)
        return self._next(entry, runs[0].racing_class, day, clock)

    def _nearest_in_time(self, entry: Entry, runs: list[Run], clock: float) -> Place | None:
        run = min(runs, key=lambda run: abs(run.start - clock))
        if abs(run.start - clock) <= NEAR_HOURS:
            return Place(run.place, run.run_no)
        expected = f"the start of one of {entry.driver}'s runs, within a quarter of an hour"
        self._fault(entry, f"'{entry.run}'", expected)
        return None

    def _by_session(self, entry: Entry, runs: list[Run]) -> Place | None:
        for run in runs:
            if plain_session(run.session) == plain_session(entry.run):
                return Place(run.place, run.run_no)
        worded = RUN_WORD.fullmatch(entry.run)
        if worded:
            return self._by_number(entry, runs, int(worded[1]))
        session = self.sessions.get((entry.meeting, plain_session(entry.run)))
        if session and not self.log.sheet_form:
            self._warn(entry, f"{entry.driver} has no laps in {session[0]} at {entry.meeting}")
            return self._next(entry, runs[0].racing_class, session[1], session[2])
        names = [name for (meeting, _), (name, _, _) in self.sessions.items()
                 if meeting == entry.meeting]  # fmt: skip
        expected = "a run's number, a time of day (13:45) or the name of a session of the driver"
        self._fault(entry, f"'{entry.run}'", expected, nearest(entry.run, names))
        return None

    def _next(self, entry: Entry, racing_class: str, date: str, hour: float) -> Place | None:
        return self.next_run(entry, racing_class, date, hour) if self.log.holds else None

    def next_run(self, entry: Entry, racing_class: str, date: str, hour: float = 24.0) -> Place:
        """The driver's first run from that moment on, or past the last one."""
        career = self.career.get((entry.driver, racing_class), [])
        moments = [(run.date, run.start) for run in career]
        after = bisect.bisect_left(moments, (date, hour))
        end = career[-1].place + 1 if career else 0
        return Place(career[after].place if after < len(career) else end)

    def _fault(
        self, entry: Entry, found: str, expected: str, advice: str = "", column: str = "run"
    ) -> None:
        self.log.fault(entry.line, column, found, expected, advice, entry.source)

    def _warn(self, entry: Entry, words: str) -> None:
        held = "it holds from the next run" if self.log.holds else "it does not count"
        self.log.warnings.append(f"{self.log.name}, line {entry.line}: {words}; {held}")


def _session_starts(runs: pd.DataFrame) -> Iterator[tuple[str, str, str, float]]:
    """(meeting, session, first date, earliest hour) of each session, in the order of names."""
    sessions = runs.groupby(["meeting", "session"])
    hours = sessions["start_hour"].min()
    code, days = pd.factorize(runs["date"], sort=True)  # as codes: least of numbers, not of texts
    first = pd.Series(code).groupby(sessions.ngroup().to_numpy()).min()
    for (meeting, session), day, hour in zip(hours.index, first, hours, strict=True):
        yield meeting, session, days[day], hour


def hours_of(clock: str) -> float:
    hour, minute, second = map(int, clock.split(":"))
    return hour + minute / 60 + second / 3600
