"""What files tell of runs: whose, when, and which lap times, side by side for comparison."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from pipeline.store.streams import KEYS, streams_of
from pipeline.team.people import People, resolve
from pipeline.team.session_facts import with_facts

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.team.folder import Team

    Array = np.ndarray[Any, Any]

COLUMNS = [*KEYS, "lap_s", "at"]
_DAY = 86_400_000


class Place(NamedTuple):
    """A session of a file."""

    meeting: str
    source: str
    session: str

    def file(self, meeting: str) -> str:
        """The file in words, for somebody who looks at a meeting."""
        return self.source if self.meeting == meeting else f"{self.source} of {self.meeting}"


@dataclass(frozen=True, eq=False)
class Told:
    """R runs and their n laps, run after run.

    runs: a row a run: meeting, source, session, class, heat, driver (as drivers.csv has them
    today), name and number (the driver by name, the transponder; '' where unknown), digits
    (decimals of the file's lap times, at most 3), rank (of the file: the order in which files
    count), first, last (UTC milliseconds at which it began and ended; NaN where no time is known).
    lap_s: (n,) s. opens: (R + 1,) place of each run's first lap. rows: (n,) each lap's row in the
    table it came from.
    """

    runs: pd.DataFrame
    lap_s: Array
    opens: Array
    rows: Array

    def __len__(self) -> int:
        return len(self.runs)

    @property
    def sizes(self) -> Array:
        """(R,) laps of each run."""
        return np.diff(self.opens)

    def places(self) -> list[Place]:
        """(R,) the session of each run."""
        columns = ["meeting", "source", "session"]
        return [Place(*cells) for cells in self.runs[columns].itertuples(index=False)]

    def laps(self, run: int) -> Array:
        """Lap times of a run, s."""
        return self.lap_s[self.opens[run] : self.opens[run + 1]]


def told(
    laps: pa.Table, sessions: pd.DataFrame, team: Team, people: People, ranks: dict[str, int]
) -> Told:
    """The runs of a table of laps (schema.LAPS, or COLUMNS of it) and of sessions.

    ranks: source -> rank; 0 for all others.
    """
    streams, code = streams_of(laps, with_facts(team, sessions))
    order = np.argsort(code, kind="stable")
    lap_s = laps["lap_s"].to_numpy()[order]
    opens = np.append(0, np.cumsum(np.bincount(code, minlength=len(streams))))
    found = resolve(people, streams)
    runs = streams[["meeting", "source", "session", "heat"]].assign(
        driver=found["driver"], **{"class": found["class"]}
    )
    named = streams["name_as_given"].notna() | (found["by"] != "field")
    runs["name"] = found["driver"].where(named, "")
    runs["number"] = streams["transponder"].fillna("")
    runs["rank"] = [ranks.get(source, 0) for source in runs["source"]]
    runs["digits"] = _digits(lap_s, np.repeat(runs["source"].to_numpy(), np.diff(opens)), runs)
    at = laps["at"].to_pandas().to_numpy("datetime64[ms]")[order]
    runs["first"], runs["last"] = _span(at, lap_s, opens, streams["shift_days"].to_numpy())
    return Told(runs, lap_s, opens, order)


def _digits(lap_s: Array, source: Array, runs: pd.DataFrame) -> Array:
    """(R,) decimals that the lap times of each run's file have."""
    digits = np.zeros(len(lap_s), dtype=np.int64)
    for places in (1, 2, 3):
        coarse = lap_s * 10 ** (places - 1)
        digits[np.abs(coarse - np.round(coarse)) > 1e-3] = places
    most = pd.Series(digits).groupby(source).max()
    return runs["source"].map(most).to_numpy()


def _span(at: Array, lap_s: Array, opens: Array, shift_days: Array) -> tuple[Array, Array]:
    """(R,) milliseconds at which each run began and ended, NaN where its laps have no times."""
    end = at.astype("int64").astype(float)
    end[np.isnat(at)] = np.nan
    moved = shift_days.astype(float) * _DAY
    with np.errstate(invalid="ignore"):
        first = np.fmin.reduceat(end - lap_s * 1_000, opens[:-1]) + moved
        last = np.fmax.reduceat(end, opens[:-1]) + moved
    return first, last


def together(parts: list[Told]) -> Told:
    """All runs of several tables; `rows` stay those of each table."""
    shifts = np.cumsum([0, *(part.opens[-1] for part in parts[:-1])])
    opens = [part.opens[:-1] + shift for part, shift in zip(parts, shifts, strict=True)]
    total = sum(len(part.lap_s) for part in parts)
    return Told(
        pd.concat([part.runs for part in parts], ignore_index=True),
        np.concatenate([part.lap_s for part in parts]),
        np.append(np.concatenate(opens), total),
        np.concatenate([part.rows for part in parts]),
    )
