"""Laps straight into a store, without any export, for tests of what comes after."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from pipeline.store.parquet import Batch, ImportRecord, Store
from pipeline.tables.schema import LAPS, SESSIONS, SET_ASIDE


def heat(
    session: str,
    start: str | None,
    cars: dict[str, list[float]],
    *,
    meeting: str = "spring",
    date: str = "2026-04-18",
    kind: str = "qualifying",
    racing_class: str = "",
    heat: str = "",
    source: str | None = None,
    order: int = 0,
    named: bool = True,
) -> Batch:
    """One heat. cars: 'transponder name' (either may be missing) -> lap times in seconds.

    start: UTC time of day, or None for an export without times. A status is 'first' for lap 1,
    'incident' for a lap over 30 s, else clean.
    """
    source = source or f"exports/{meeting}/{session}{heat}{racing_class}.csv"
    begin = pd.Timestamp(f"{date} {start}", tz="UTC") if start else None
    rows = []
    for car, times in cars.items():
        number, _, name = car.partition(" ")
        elapsed = 0.0
        for lap, seconds in enumerate(times, start=1):
            elapsed += seconds
            status = "first" if lap == 1 else "incident" if seconds > 30 else "clean"
            rows.append({
                "meeting": meeting, "session": session, "session_kind": kind,
                "class": racing_class, "heat": heat, "driver": name or number,
                "transponder": number or None, "team": False, "lap": lap, "lap_s": seconds,
                "at": begin + pd.Timedelta(elapsed, unit="s") if begin is not None else None,
                "elapsed_s": elapsed, "status": status, "source": source,
                "source_line": len(rows) + 2, "name_as_given": name or None,
            })  # fmt: skip
    laps = LAPS.conform(pd.DataFrame(rows, columns=LAPS.names))
    sessions = SESSIONS.conform(
        {
            "meeting": [meeting], "session": [session], "session_kind": [kind],
            "class": [racing_class], "heat": [heat], "date": [date], "start": [begin],
            "order": [order], "source": [source],
        }
    )  # fmt: skip
    aside = SET_ASIDE.conform(
        {"meeting": [meeting], "source": [source], "source_line": [99], "raw": ["-"],
         "reason": ["no_time"], "detail": [None]}
    )  # fmt: skip
    people = [car.partition(" ")[::2] for car in cars]
    record = ImportRecord(
        source, f"sha of {source}", 100, {"timezone": "UTC"}, len(rows) + 1, len(rows), 1,
        len(rows), [session], [list(pair) for pair in people], {"no_time": 1}, "2026-04-19",
    )  # fmt: skip
    return Batch([record], laps, aside, sessions)


def stored(folder: Path, *heats: Batch) -> Store:
    """A store with these heats, each under the meeting of its rows; the meetings get their zone."""
    meetings = folder / "meetings.csv"
    if meetings.exists():
        meetings.write_text(meetings.read_text("utf-8").replace("Europe/Berlin", "UTC"), "utf-8")
    store = Store(folder / "store")
    for each in heats:
        store.put(str(each.sessions["meeting"].iloc[0]), each)
    return store
