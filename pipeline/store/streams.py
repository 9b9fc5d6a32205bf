"""From the store's laps to streams: one car's laps of one heat, out of one file.

A stream is what the timing saw. A run is what a driver did: usually one stream, but two where a
car carries two transponders, or two exports tell of the same heat.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.tables.schema import LAP_STATUSES
from pipeline.team.people import People, resolve
from pipeline.team.session_facts import plain_session, with_facts

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.store.parquet import Store
    from pipeline.team.folder import Team

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
        since midnight of the stream's date, or NaN), status (a Categorical).
    """
    table = store.arrow("laps", meetings, [*KEYS, *LAP_COLUMNS], coded=True)
    streams, code = streams_of(table, with_facts(team, store.read("sessions", meetings)))
    zones = {
        (meeting, record.source): record.options.get("timezone") or "UTC"
        for meeting in meetings
        for record in store.imports(meeting)
    }
    pairs = zip(streams["meeting"].to_list(), streams["source"].to_list(), strict=True)
    streams["timezone"] = [zones.get(pair, "UTC") for pair in pairs]
    laps = table.select([name for name in LAP_COLUMNS if name != "status"]).to_pandas()
    laps.insert(0, "stream", code)
    laps["end_s"] = _clock_seconds(laps.pop("at"), streams, code)
    laps["status"] = _statuses(table["status"])
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
    keys = [_codes(table[name]) for name in KEYS]
    opens = np.ones(table.num_rows, dtype=bool)  # a stream's laps mostly stand together
    opens[1:] = np.any([codes[1:] != codes[:-1] for codes, _ in keys], axis=0)
    places = np.flatnonzero(opens)
    code = np.zeros(len(places), dtype=np.int64)
    for codes, texts in keys:
        code = pd.factorize(code * (len(texts) + 1) + codes[places])[0]
    first = places[~pd.Series(code).duplicated().to_numpy()]
    columns = {
        name: pd.Series([*texts, None], dtype="str").take(codes[first]).reset_index(drop=True)
        for name, (codes, texts) in zip(KEYS, keys, strict=True)
    }
    return pd.DataFrame(columns), np.repeat(code, np.diff(places, append=table.num_rows))


def _codes(column: pa.ChunkedArray) -> tuple[Array, list[str]]:
    """(n,) code of each text, -1 for null, and the texts that the codes stand for."""
    whole = column.combine_chunks()
    if not hasattr(whole, "dictionary"):
        whole = whole.dictionary_encode()
    codes = whole.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
    return codes, whole.dictionary.to_pylist()


def _statuses(column: pa.ChunkedArray) -> pd.Categorical[str]:
    codes, texts = _codes(column)
    places = np.array([LAP_STATUSES.index(text) for text in texts], dtype=np.int8)
    return pd.Categorical.from_codes(places[codes], pd.Index(LAP_STATUSES))


def _clock_seconds(at: pd.Series, streams: pd.DataFrame, code: Array) -> Array:
    """Local seconds of each passing since midnight of its stream's day.

    The zone is the one of the import: it made the instant out of a local time.
    """
    number, zones = pd.factorize(streams["timezone"])
    local = _to_local(at, number[code], zones)
    shift = streams["shift_days"].to_numpy(dtype="int64").astype("timedelta64[D]")
    midnight = pd.to_datetime(streams["date"]).to_numpy(dtype="datetime64[ms]") - shift
    seconds: Array = (local - midnight[code]) / np.timedelta64(1, "s")
    return seconds


def _to_local(instants: pd.Series, zone: Array, zones: pd.Index[Any]) -> Array:
    """Instants as local times without a zone; NaT stays NaT. zone: (n,) codes of `zones`."""
    out = np.full(len(instants), np.datetime64("NaT"), dtype="datetime64[ms]")
    for number, name in enumerate(zones):
        here = zone == number
        own = instants if here.all() else instants[here]
        local = own.dt.tz_convert(name).dt.tz_localize(None)
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
