"""The reader's arrays as the tables of `schema`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from pipeline.read import status
from pipeline.read.assemble import Laps, status_of
from pipeline.read.by_run import LapsByRun
from pipeline.read.clocks import iso_day
from pipeline.read.days import tell_days
from pipeline.read.gathered import Aside, Harvest
from pipeline.read.instants import NO_TIME, SECOND, zone_of
from pipeline.read.keys import alike, distinct
from pipeline.read.labels import Labels, together
from pipeline.read.ordered import Context
from pipeline.read.records import ReadOptions
from pipeline.read.timeline import default_days, local_day
from pipeline.read.words import kind_of
from pipeline.tables.schema import SESSIONS, SET_ASIDE

_NEVER = 2**62

if TYPE_CHECKING:
    import pandas as pd


def ends_of(laps: Laps, elapsed: np.ndarray, starts: dict[str, int]) -> np.ndarray:
    """(n,) UTC milliseconds at which each lap ended, NO_TIME where unknown.

    elapsed (n,): s. starts: session -> UTC microseconds of its start, where told.
    """
    at = laps.end if laps.absolute else alike(NO_TIME, len(laps.end))
    known = at != NO_TIME
    if not known.any() and not starts:
        return at
    if not known.all():
        started = _by_session(laps.session, starts)
        counted = ~known & (started != NO_TIME)
        micros = np.round(elapsed * SECOND).astype(np.int64)
        at = np.where(counted, np.where(counted, started, 0) + micros, at)
        known |= counted
    return np.where(known, (at + 500) // 1_000, NO_TIME)


def laps_by_run(
    laps: Laps, elapsed: np.ndarray, at: np.ndarray, options: ReadOptions, source: str
) -> LapsByRun:
    """The laps of a file. elapsed (n,): s. at (n,): UTC milliseconds, see `ends_of`."""
    opening = np.flatnonzero(laps.opens)
    cells = {
        "lap": pa.array(laps.lap),
        "lap_s": pa.array(np.round(laps.lap_s, 6)),
        "at": _instants(at),
        "elapsed_s": pa.array(np.round(elapsed, 6)),
        "status": _status_texts(status_of(laps)),
        "source_line": pa.array(laps.rows.line),
    }
    counts = np.diff(opening, append=len(laps.run))
    return LapsByRun(pa.table(_run_texts(laps, opening, options, source)), pa.table(cells), counts)


def _run_texts(
    laps: Laps, opening: np.ndarray, options: ReadOptions, source: str
) -> dict[str, pa.Array]:
    """Columns of the runs, from the first lap of each (R,)."""
    session, heat, rows = laps.session.keep(opening), laps.heat.keep(opening), laps.rows
    name, transponder = rows.driver.keep(opening), rows.transponder.keep(opening)
    driver = together(name, transponder, lambda name, number: name or number)
    number = rows.number.keep(opening)
    driver = together(driver, number, lambda name, number: name or f"car {number}")
    return {
        "meeting": _constant(options.meeting, len(opening)),
        "session": session.arrow(),
        "session_kind": session.map(lambda name: session_kind(name, options)[0]).arrow(),
        "class": rows.racing_class.keep(opening).arrow(),
        "heat": heat.arrow(),
        "driver": driver.arrow(),
        "transponder": transponder.arrow(null=True),
        "team": pa.array(np.zeros(len(opening), dtype=bool)),
        "source": _constant(source, len(opening)),
        "name_as_given": name.arrow(null=True),
    }


def session_kind(name: str, options: ReadOptions) -> tuple[str, bool]:
    """Kind of a session, and whether anything told it (else it counts as practice)."""
    told = options.facts(name).kind or kind_of(name)
    if told:
        return told, True
    return ("test", True) if kind_of(options.meeting) == "test" else ("practice", False)


def sessions_frame(
    laps: Laps,
    at: np.ndarray,
    starts: dict[str, int],
    context: Context,
    source: str,
    harvest: Harvest,
) -> pd.DataFrame:
    """schema.SESSIONS of a file: a row for each session, class and heat, in order of time.

    at (n,): UTC milliseconds of the ends of the laps, see `ends_of`.
    """
    options = context.options
    names, classes, heats, start = _sessions_in_order(laps, at, starts)
    _tell_kinds(dict.fromkeys(names), options, harvest)
    dates = _dates(names, start, context)
    tell_days(dates, context.title_day, options, harvest)
    rounded = np.where(start == NO_TIME, NO_TIME, (start + 500) // 1_000)
    return SESSIONS.conform({
        "meeting": [options.meeting] * len(names), "session": names,
        "session_kind": [session_kind(name, options)[0] for name in names],
        "class": [
            own or options.facts(name).racing_class
            for own, name in zip(classes, names, strict=True)
        ],
        "heat": heats, "date": dates, "start": _instants(rounded).to_pandas(),
        "order": np.arange(len(names)), "source": [source] * len(names),
    })  # fmt: skip


def _sessions_in_order(
    laps: Laps, at: np.ndarray, starts: dict[str, int]
) -> tuple[list[str], list[str], list[str], np.ndarray]:
    """Session, class and heat (s,) in order of time, and the microseconds at which each began,
    NO_TIME where unknown: as told, else as the earliest lap began."""
    place, start = _first_and_start(laps, at)
    three = (laps.session, laps.rows.racing_class, laps.heat)
    names, classes, heats = (labels.keep(place).texts() for labels in three)
    told = [
        starts.get(name, _NEVER) if "stay " not in heat else _NEVER
        for name, heat in zip(names, heats, strict=True)
    ]
    start = np.where(np.array(told) != _NEVER, told, start)
    late = start == _NEVER
    order = np.lexsort((place, start, late))
    begins = np.where(late, NO_TIME, start)[order]
    return names[order].tolist(), classes[order].tolist(), heats[order].tolist(), begins


def _first_and_start(laps: Laps, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of each session, class and heat (s,): its first lap, and the microseconds at which its
    earliest lap began, _NEVER where none is known."""
    known = at != NO_TIME
    begin = alike(_NEVER, len(at))
    if known.any():
        begin = np.where(known, at * 1_000 - (laps.lap_s * SECOND).astype(np.int64), _NEVER)
    opening = np.flatnonzero(laps.opens)
    key = np.zeros(len(opening), dtype=np.int64)
    for labels in (laps.session, laps.rows.racing_class, laps.heat):
        key = key * len(labels.values) + labels.keep(opening).codes
    several, which = distinct(key)
    first, start = np.full(len(several), len(at)), np.full(len(several), _NEVER)
    np.minimum.at(first, which, opening)
    np.minimum.at(start, which, np.minimum.reduceat(begin, opening))
    return first, start


def _dates(sessions: Sequence[str], start: np.ndarray, context: Context) -> list[str]:
    """ISO day of each session: of its start, else the day that was taken for it."""
    zone = zone_of(context.options.timezone)
    labels = Labels(np.arange(len(sessions), dtype=np.int32), tuple(sessions))
    if (start == NO_TIME).any():
        days = default_days(labels, context.options, context.title_day)
    return [
        local_day(int(moment), zone) if moment != NO_TIME else iso_day(days[place])
        for place, moment in enumerate(start)
    ]


def _tell_kinds(sessions: Iterable[str], options: ReadOptions, harvest: Harvest) -> None:
    silent = [name for name in sessions if not session_kind(name, options)[1]]
    if silent:
        named = ", ".join(f"'{name}'" for name in silent[:5]) + (" …" if silent[5:] else "")
        harvest.warn(
            f"nothing tells the kind of session {named}: taken as practice; say it in sessions.csv"
        )


def set_aside_frame(asides: Sequence[Aside], meeting: str, source: str) -> pd.DataFrame:
    """schema.SET_ASIDE of the rows set aside."""
    return SET_ASIDE.conform(
        {
            "meeting": [meeting] * len(asides),
            "source": [source] * len(asides),
            "source_line": [aside.line for aside in asides],
            "raw": [aside.raw for aside in asides],
            "reason": [aside.reason for aside in asides],
            "detail": [aside.detail or None for aside in asides],
        }
    )


def _by_session(session: Labels, values: dict[str, int]) -> np.ndarray:
    told = [values.get(name, NO_TIME) for name in session.values]
    return np.array(told, dtype=np.int64)[session.codes]


def _constant(text: str, size: int) -> pa.Array:
    return pa.repeat(pa.scalar(text, pa.string()), size)


def _status_texts(codes: np.ndarray) -> pa.DictionaryArray:
    """Names of the status codes (n,), in order of first appearance."""
    found = [code for code in range(len(status.NAMES)) if (codes == code).any()]
    found.sort(key=lambda code: int(np.argmax(codes == code)))
    place = np.zeros(len(status.NAMES), dtype=np.int32)
    place[found] = np.arange(len(found))
    names = pa.array(status.NAMES[found].tolist(), pa.string())
    return pa.DictionaryArray.from_arrays(pa.array(place[codes]), names)


def _instants(milliseconds: np.ndarray) -> pa.Array:
    """NO_TIME is the number by which numpy says that it is no time."""
    return pa.array(milliseconds.view("datetime64[ms]"), pa.timestamp("ms", tz="UTC"))
