"""Where a logbook and what a person typed say different things of one run."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.runs.gathering import gather
from pipeline.runs.logbook_places import place_books
from pipeline.runs.logbooks import read_log
from pipeline.runs.setup_conflicts import contradictions
from pipeline.runs.setup_places import Placed, Places
from pipeline.runs.setups import Book, Replaced, SetupLog
from pipeline.store.parquet import open_store

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team.folder import Team

COLUMNS = ["meeting", "date", "class", "session", "driver", "team", "run_no", "start_hour"]
COLUMNS += ["hour_known"]


@dataclass(frozen=True)
class Disagreement:
    """One setting or score of one run, as typed and as kept. Places: file and line."""

    driver: str
    meeting: str
    run: str
    thing: str
    typed: str
    typed_place: str
    kept: str
    kept_place: str
    replaced: Replaced

    @property
    def cells(self) -> tuple[str, ...]:
        """The cells of a row that shows both."""
        typed, kept = f"{self.typed} ({self.typed_place})", f"{self.kept} ({self.kept_place})"
        return self.driver, self.meeting, self.run, self.thing, typed, kept

    @property
    def words(self) -> str:
        return f"{self.thing} of {self.driver}'s run {self.run} is {self.kept}, not {self.typed}"


@dataclass(frozen=True, eq=False)
class Typed:
    """What people typed, and the runs of the store (none where it is empty; see COLUMNS)."""

    team: Team
    log: SetupLog
    runs: pd.DataFrame

    @staticmethod
    def of(team: Team) -> Typed:
        import pandas as pd

        if not open_store(team.folder).meetings():
            return Typed(team, read_log(team), pd.DataFrame(columns=COLUMNS))
        everything = gather(team)
        return Typed(team, everything.setups, everything.runs)

    def disagreements(self, book: Book, notes: list[str]) -> list[Disagreement]:
        """Rows of setups.csv and feel.csv that a logbook contradicts.

        Rows are compared on the runs of the store and, for what was not imported yet, on those
        of the logbook itself. How it does not fit the store is added to `notes`.
        """
        runs, found = _runs(self, book), []
        for typed in (self.log, self.log.feel):
            if typed is not None:
                part, pairs = _compared(self.team, typed, book, runs)
                found += [_shown(part, *pair) for pair in pairs]
                notes += [str(p) for p in part.problems if p.where == book.name]
        return found


def _compared(
    team: Team, typed: SetupLog, book: Book, runs: pd.DataFrame
) -> tuple[SetupLog, list[tuple[Placed, Placed]]]:
    mine = [e for e in typed.entries if (e.meeting, e.driver) == (book.meeting, book.driver)]
    part = replace(typed, entries=mine, problems=[], warnings=[], books=[book])
    places = Places(runs, runs, team)
    rows = places.place(part)
    return part, list(contradictions(rows, place_books(part, places)))


def _shown(log: SetupLog, typed: Placed, kept: Placed) -> Disagreement:
    one, other = typed.entry, kept.entry
    return Disagreement(
        one.driver, one.meeting, str(typed.at.run_no), one.factor,
        one.value, f"{log.name}, line {one.line}",
        other.value, f"{other.source}, line {other.line}", (other.run, other.factor, one.value),
    )  # fmt: skip


def _runs(typed: Typed, book: Book) -> pd.DataFrame:
    """The driver's runs of that meeting in the store, then those that the logbook alone has."""
    import pandas as pd

    runs = typed.runs
    mine = (runs["meeting"] == book.meeting) & (runs["driver"] == book.driver)
    stored = runs.loc[mine & runs["team"].astype(bool), COLUMNS]
    more = pd.DataFrame(_later(typed, book, stored), columns=COLUMNS)
    together = pd.concat([part for part in (stored, more) if len(part)], ignore_index=True)
    return together.assign(team=True)


def _later(typed: Typed, book: Book, stored: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    """Runs of the logbook past those of the store; one without a time follows the one before."""
    meeting = typed.team.meeting(book.meeting)
    date = meeting.date if meeting else ""
    racing_class = stored["class"].iloc[-1] if len(stored) else ""
    last = int(stored["run_no"].max()) if len(stored) else 0
    hour = float(stored["start_hour"].max()) if len(stored) else 0.0
    for number in sorted(number for number in book.starts if number > last):
        start = book.starts[number]
        hour = hour + 0.01 if start is None else start
        yield (
            book.meeting, date, racing_class, "", book.driver, True, number, hour,
            start is not None,
        )  # fmt: skip
