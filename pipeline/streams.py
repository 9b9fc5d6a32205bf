"""From the store's laps to streams: one car's laps of one heat, out of one file.

A stream is what the timing saw. A run is what a driver did: usually one stream, but two where a
car carries two transponders, or two exports tell of the same heat.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.people import People, resolve
from pipeline.session_facts import plain_session, with_facts

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.store import Store
    from pipeline.team import Team

    Array = np.ndarray[Any, Any]

KEYS = ["meeting", "source", "session", "class", "heat", "driver", "transponder", "name_as_given"]
LAP_COLUMNS = ["lap", "lap_s", "at", "elapsed_s", "status"]


def read_streams(
    store: Store, team: Team, meetings: list[str], people: People
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Streams and laps of these meetings.

    streams: one row a stream: meeting, source, session, session_kind, class, heat, date, order,
        listed, excluded, transponder, name_as_given, driver, team (bool), by (see people.Person),
        first_s and last_s (start of its first and end of its last lap in local seconds since
        midnight of `date`, NaN without clock times), start_s (the same for the session's start),
        seconds (from the start to the last passing), n_laps.
    laps: one row a lap: stream (row of streams), lap, lap_s, elapsed_s, end_s (local seconds
        since midnight of the stream's date, or NaN), status.
    """
    table = store.arrow("laps", meetings, [*KEYS, *LAP_COLUMNS])
    streams, code = streams_of(table, with_facts(team, store.read("sessions", meetings)))
    zones = {
        (meeting, record.source): record.options.get("timezone") or "UTC"
        for meeting in meetings
        for record in store.imports(meeting)
    }
    pairs = zip(streams["meeting"].to_list(), streams["source"].to_list(), strict=True)
    streams["timezone"] = [zones.get(pair, "UTC") for pair in pairs]
    laps = table.select(LAP_COLUMNS).to_pandas()
    laps.insert(0, "stream", code)
    laps["end_s"] = _clock_seconds(laps.pop("at"), streams, code)
    streams["start_s"] = _session_start(streams)
    streams = _with_times(streams, laps)
    found = resolve(people, streams)
    for column in ("driver", "team", "class", "by"):
        streams[column] = found[column].to_numpy()
    streams["session"] = _one_title(streams)
    return streams, laps


def _one_title(streams: pd.DataFrame) -> list[str]:
    """One spelling a session, that of sessions.csv where it has one."""
    first: dict[tuple[str, str], str] = {}
    pairs = zip(streams["meeting"].to_list(), streams["title"].to_list(), strict=True)
    return [first.setdefault((meeting, plain_session(t)), t) for meeting, t in pairs]


def streams_of(laps: pa.Table, sessions: pd.DataFrame) -> tuple[pd.DataFrame, Array]:
    """Streams with their session's columns, in order of appearance, and each lap's row in them.

    sessions: see session_facts.with_facts. Raises ValueError for a lap whose session is none.
    """
    streams, code = _distinct(laps)
    streams = streams.rename(columns={"class": "given_class"}).merge(
        sessions,
        how="left",
        on=["meeting", "source", "session", "heat", "given_class"],
        validate="m:1",
    )
    if streams["session_kind"].isna().any():
        raise ValueError("laps of a session that the table of sessions does not have")
    return streams, code


def _distinct(table: pa.Table) -> tuple[pd.DataFrame, Array]:
    """Distinct keys in order of appearance, and each lap's row among them."""
    opens = np.flatnonzero(_changes(table))
    few = table.select(KEYS).take(opens)  # a stream's laps mostly stand together
    code = np.zeros(len(opens), dtype=np.int64)
    for name in KEYS:
        encoded = few[name].combine_chunks().dictionary_encode()
        part = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64) + 1
        code = pd.factorize(code * (len(encoded.dictionary) + 1) + part)[0]
    first = np.flatnonzero(~pd.Series(code).duplicated().to_numpy())
    return few.take(first).to_pandas(), np.repeat(code, np.diff(opens, append=table.num_rows))


def _changes(table: pa.Table) -> Array:
    """(n,) bool: rows with another key than the row before."""
    import pyarrow.compute as pc

    count = table.num_rows
    out = np.zeros(count, dtype=bool)
    out[:1] = True
    for name in KEYS:
        column = table[name].combine_chunks()
        differs = pc.not_equal(column.slice(1), column.slice(0, max(count - 1, 0)))
        if column.null_count:
            null = np.asarray(column.is_null())
            out[1:] |= null[1:] != null[:-1]
        out[1:] |= np.asarray(differs.fill_null(False))
    return out


def _clock_seconds(at: pd.Series, streams: pd.DataFrame, code: Array) -> Array:
    """Local seconds of each passing since midnight of its stream's day.

    The zone is the one of the import: it made the instant out of a local time.
    """
    local = _to_local(at, streams["timezone"].to_numpy()[code])
    shift = streams["shift_days"].to_numpy(dtype="int64")[code].astype("timedelta64[D]")
    day = pd.to_datetime(streams["date"]).to_numpy(dtype="datetime64[ms]")[code]
    seconds: Array = (local + shift - day) / np.timedelta64(1, "s")
    return seconds


def _to_local(instants: pd.Series, zone: Array) -> Array:
    """Instants as local times without a zone; NaT stays NaT."""
    out = np.full(len(instants), np.datetime64("NaT"), dtype="datetime64[ms]")
    for name in pd.unique(zone):
        here = zone == name
        local = instants[here].dt.tz_convert(name).dt.tz_localize(None)
        out[here] = local.to_numpy(dtype="datetime64[ms]")
    return out


def _session_start(streams: pd.DataFrame) -> Array:
    """Local seconds of the session's start: the export's clock, else sessions.csv, else NaN."""
    everyone = np.arange(len(streams))
    given: Array = _clock_seconds(streams["start"], streams, everyone)
    listed = pd.to_timedelta(streams["fact_start"].replace("", None)).dt.total_seconds()
    return np.where(np.isnan(given), listed.to_numpy(dtype=float), given)


def _with_times(streams: pd.DataFrame, laps: pd.DataFrame) -> pd.DataFrame:
    begin = (laps["end_s"] - laps["lap_s"]).groupby(laps["stream"]).min()
    by_stream = laps.groupby("stream")
    return streams.assign(
        first_s=begin.reindex(streams.index).to_numpy(),
        last_s=by_stream["end_s"].max().reindex(streams.index).to_numpy(),
        seconds=by_stream["elapsed_s"].max().reindex(streams.index).to_numpy(),
        n_laps=by_stream.size().reindex(streams.index).to_numpy(),
    )
