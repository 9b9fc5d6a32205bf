"""What the reader is told and what it gives back: frozen records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.read.by_run import LapsByRun
    from pipeline.read.table import Sheet


@dataclass(frozen=True)
class SessionFacts:
    """What sessions.csv says about a session; empty text where it says nothing."""

    kind: str = ""
    date: str = ""
    start: str = ""
    racing_class: str = ""


_NO_FACTS = SessionFacts()


@dataclass(frozen=True)
class ReadOptions:
    """What the caller knows about an export.

    mapping: our field (see `words.FIELDS`) -> column header as written in the file, or the
        column's number from 1.
    start: time of day (or ISO date and time) at which the file's only session began.
    date: ISO day on which the meeting began; days written in the file come before it.
    session_facts: name of a session -> what sessions.csv says about it.
    """

    meeting: str
    session: str | None = None
    start: str | None = None
    layout: str | None = None
    mapping: Mapping[str, str] = field(default_factory=dict)
    date: str | None = None
    timezone: str = "UTC"
    session_facts: Mapping[str, SessionFacts] = field(default_factory=dict)

    def facts(self, session: str) -> SessionFacts:
        """What sessions.csv says about a session; upper and lower case do not matter."""
        if not self.session_facts:
            return _NO_FACTS
        wanted = session.casefold().strip()
        for name, facts in self.session_facts.items():
            if name.casefold().strip() == wanted:
                return facts
        return _NO_FACTS


@dataclass(frozen=True)
class Header:
    """line: number of the header line from 1, 0 where the file has none. layout: the one whose
    header it is, where it names no fields (see `layouts`)."""

    line: int
    cells: tuple[str, ...]
    delimiter: str
    layout: str = ""


@dataclass(frozen=True)
class Match:
    """columns: our field -> place in the header. milliseconds: fields whose header says so."""

    layout: str
    columns: Mapping[str, int]
    milliseconds: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Table:
    """One table of a file, as a layout takes it.

    facts: what titles and sections say (our field -> text). session: where no row says another.
    first_day: days since 1970 of the day taken where none is written.
    """

    sheet: Sheet
    header: Header
    match: Match
    facts: Mapping[str, str]
    session: str
    first_day: int | None


@dataclass(frozen=True)
class Understanding:
    """How an export was read, so that a person can check it before it is stored.

    columns: our field -> header as written. unused: headers that no field uses.
    first_laps: three lines of text.
    """

    source: str
    encoding: str
    delimiter: str
    decimal_mark: str
    layout: str
    header_line: int | None
    header: tuple[str, ...]
    fingerprint: str
    columns: Mapping[str, str]
    unused: tuple[str, ...]
    titles: tuple[str, ...]
    first_laps: tuple[str, ...]

    def __str__(self) -> str:
        from pipeline.read.understanding import as_text

        return as_text(self)


@dataclass(frozen=True)
class Export:
    """What one timing export gave; rows_in = rows_kept + len(set_aside), always.

    by_run: the laps; driver is the name as given, else the transponder or car number; team is
        False (people are resolved later).
    set_aside: schema.SET_ASIDE. sessions: schema.SESSIONS, the rows of this file.
    rows_in: rows below the header; in a grid the cells that are not empty. A passing that opens
        a run makes no lap and is kept.
    """

    by_run: LapsByRun
    set_aside: pd.DataFrame
    sessions: pd.DataFrame
    rows_in: int
    rows_kept: int
    understood: Understanding
    warnings: tuple[str, ...] = ()

    @cached_property
    def laps(self) -> pd.DataFrame:
        """schema.LAPS (n,)."""
        return self.by_run.frame()
