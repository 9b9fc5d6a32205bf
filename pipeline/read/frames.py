"""The reader's arrays as the tables of `schema`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from pipeline.read import status
from pipeline.read.assemble import Laps, elapsed_of, status_of
from pipeline.read.clocks import day_number, iso_day
from pipeline.read.gathered import Aside, Harvest
from pipeline.read.instants import NO_TIME, SECOND, zone_of
from pipeline.read.labels import Labels, together
from pipeline.read.ordered import Context
from pipeline.read.records import ReadOptions
from pipeline.read.timeline import default_days, local_day
from pipeline.read.words import kind_of
from pipeline.schema import LAPS, SESSIONS, SET_ASIDE

FAR_DAYS = 14

if TYPE_CHECKING:
    import pandas as pd


def laps_frame(
    laps: Laps, starts: dict[str, int], options: ReadOptions, source: str
) -> pd.DataFrame:
    """schema.LAPS of the laps. starts: session -> UTC microseconds of its start, where told."""
    size = len(laps.run)
    started = _by_session(laps.session, starts)
    elapsed = elapsed_of(laps)
    at = laps.end if laps.absolute else np.full(size, NO_TIME, dtype=np.int64)
    counted = (at == NO_TIME) & (started != NO_TIME)
    micros = np.round(elapsed * SECOND).astype(np.int64)
    at = np.where(counted, np.where(counted, started, 0) + micros, at)
    rows = laps.rows
    driver = together(rows.driver, rows.transponder, lambda name, number: name or number)
    driver = together(driver, rows.number, lambda name, number: name or f"car {number}")
    kinds = laps.session.map(lambda name: session_kind(name, options)[0])
    return LAPS.conform(
        {
            "meeting": _text(_constant(options.meeting, size)),
            "session": _text(laps.session.arrow()),
            "session_kind": _text(kinds.arrow()),
            "class": _text(rows.racing_class.arrow()),
            "heat": _text(laps.heat.arrow()),
            "driver": _text(driver.arrow()),
            "transponder": _text(rows.transponder.arrow(null=True)),
            "team": np.zeros(size, dtype=bool),
            "lap": laps.lap,
            "lap_s": np.round(laps.lap_s, 6),
            "at": _instants(at),
            "elapsed_s": np.round(elapsed, 6),
            "status": _text(_codes(status_of(laps))),
            "source": _text(_constant(source, size)),
            "source_line": rows.line,
            "name_as_given": _text(rows.driver.arrow(null=True)),
        }
    )


def session_kind(name: str, options: ReadOptions) -> tuple[str, bool]:
    """Kind of a session, and whether anything told it (else it counts as practice)."""
    told = options.facts(name).kind or kind_of(name)
    if told:
        return told, True
    return ("test", True) if kind_of(options.meeting) == "test" else ("practice", False)


def sessions_frame(
    laps: Laps,
    ends: pd.Series,
    starts: dict[str, int],
    context: Context,
    source: str,
    harvest: Harvest,
) -> pd.DataFrame:
    """schema.SESSIONS of a file: a row for each session, class and heat, in order of time.

    ends (n,): instants of the ends of the laps, null where unknown.
    """
    import pandas as pd

    options = context.options
    never = 2**62
    at = ends.fillna(pd.Timestamp(0, tz="UTC")).astype("int64").to_numpy() * 1_000
    begin = np.where(ends.isna(), never, at - (laps.lap_s * SECOND).astype(np.int64))
    opening = np.flatnonzero(laps.opens)
    frame = pd.DataFrame(
        {
            "session": laps.session.keep(opening).texts(),
            "class": laps.rows.racing_class.keep(opening).texts(),
            "heat": laps.heat.keep(opening).texts(),
            "start": np.minimum.reduceat(begin, opening),
            "place": opening,
        }
    )
    table = frame.groupby(["session", "class", "heat"], sort=False).min().reset_index()
    begins = table["start"].to_numpy(np.int64)
    told = np.array([starts.get(name, never) for name in table["session"]], dtype=np.int64)
    told[table["heat"].str.contains("stay ", regex=False).to_numpy(bool)] = never
    table["start"] = np.where(told != never, told, begins)
    table = table.assign(late=table["start"] == never).sort_values(
        ["late", "start", "place"], ignore_index=True
    )
    _tell_kinds(table["session"].unique(), options, harvest)
    columns = _session_columns(table, context, source)
    _tell_days(columns["date"], options, harvest)
    return SESSIONS.conform(columns)


def _session_columns(table: pd.DataFrame, context: Context, source: str) -> dict[str, Any]:
    options = context.options
    late = table["late"].to_numpy(bool)
    start = np.where(late, NO_TIME, table["start"].to_numpy(np.int64))
    return {
        "meeting": [options.meeting] * len(table),
        "session": table["session"],
        "session_kind": [session_kind(name, options)[0] for name in table["session"]],
        "class": [
            own or options.facts(name).racing_class
            for own, name in zip(table["class"], table["session"], strict=True)
        ],
        "heat": table["heat"],
        "date": _dates(table["session"].tolist(), start, context),
        "start": _instants(start),
        "order": np.arange(len(table)),
        "source": [source] * len(table),
    }


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


def _tell_days(dates: Iterable[str], options: ReadOptions, harvest: Harvest) -> None:
    """Days in the export that are not those of the meeting: perhaps the wrong file."""
    if not options.date:
        return
    first = day_number(options.date)
    strange = sorted({day for day in dates if not -2 < day_number(day) - first < FAR_DAYS})
    if strange:
        harvest.warn(
            f"the export says {', '.join(strange[:3])}, but the meeting began on {options.date}"
        )


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


def _codes(codes: np.ndarray) -> pa.Array:
    names = pa.array(status.NAMES.tolist(), pa.string())
    return pa.DictionaryArray.from_arrays(pa.array(codes), names).cast(pa.string())


def _text(column: pa.Array) -> pd.Series:
    """An arrow text column as pandas' text, without a Python object a row."""
    import pandas as pd

    return pd.Series(pd.array(column.cast(pa.large_string()), dtype="str"))


def _instants(micros: np.ndarray) -> pd.Series:
    import pandas as pd

    milliseconds = np.where(micros == NO_TIME, np.iinfo(np.int64).min, (micros + 500) // 1_000)
    return pd.Series(milliseconds.view("datetime64[ms]")).dt.tz_localize("UTC")
