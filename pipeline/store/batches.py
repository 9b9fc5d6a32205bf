"""Files as read → what goes into the store: drivers found, one record a file."""

from __future__ import annotations

import datetime
import os
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline.read import Export, ReadOptions
from pipeline.read.by_run import LapsByRun, joined
from pipeline.store.export_files import ExportFile
from pipeline.store.parquet import Batch
from pipeline.store.records import ImportRecord
from pipeline.store.streams import streams_of
from pipeline.team.people import People, resolve
from pipeline.team.session_facts import with_facts

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.team.folder import Team


class FileRead(NamedTuple):
    """A file that was read anew."""

    file: ExportFile
    digest: str
    options: ReadOptions
    export: Export


def make_batch(team: Team, files: list[FileRead], seen: Iterable[Sequence[str]]) -> Batch:
    """What all files of the import bring, with drivers and kinds as they are known today."""
    import pandas as pd

    exports = [file.export for file in files]
    aside, sessions = (
        pd.concat([getattr(export, name) for export in exports], ignore_index=True)
        for name in ("set_aside", "sessions")
    )
    laps, people = _with_people(team, joined([e.by_run for e in exports]), sessions, seen)
    records = [_record(file, people.get(file.file.source, [])) for file in files]
    return Batch(records, laps.table(), aside, sessions)


def _with_people(
    team: Team, laps: LapsByRun, sessions: pd.DataFrame, seen: Iterable[Sequence[str]]
) -> tuple[LapsByRun, dict[str, list[tuple[str, str]]]]:
    """Laps with driver, team and kind of session; (transponder, name) pairs of each source."""
    import pyarrow as pa

    if not len(laps):
        return laps, {}
    streams, code = streams_of(laps.runs, with_facts(team, sessions))
    people: dict[str, set[tuple[str, str]]] = defaultdict(set)
    columns = ["source", "transponder", "name_as_given", "driver"]
    cells = streams[columns].fillna("").drop_duplicates()
    for source, transponder, name, driver in cells.itertuples(index=False, name=None):
        # A car known by neither is known by its number, which stands in driver.
        people[source].add((transponder, name if transponder or name else driver))
    pairs = [(t, n) for t, n in seen] + [pair for found in people.values() for pair in found]
    found = resolve(People(team.drivers, pairs), streams).assign(
        session_kind=streams["session_kind"]
    )
    new = {
        name: pa.array(found[name]).cast(laps.runs.schema.field(name).type).take(pa.array(code))
        for name in ("driver", "team", "session_kind")
    }
    return laps.with_runs(new), {source: sorted(pairs) for source, pairs in people.items()}


def _record(read: FileRead, people: list[tuple[str, str]]) -> ImportRecord:
    export = read.export
    counts = export.set_aside["reason"].value_counts()
    return ImportRecord(
        source=read.file.source,
        sha256=read.digest,
        bytes=read.file.path.stat().st_size,
        options=recorded(read.options),
        rows_in=export.rows_in,
        rows_kept=export.rows_kept,
        rows_set_aside=len(export.set_aside),
        laps=len(export.by_run),
        sessions=sorted(set(export.sessions["session"])),
        people=[list(pair) for pair in people],
        reasons={str(reason): int(number) for reason, number in counts.items()},
        on=today(),
        place=read.file.place,
    )


def recorded(options: ReadOptions) -> dict[str, Any]:
    """How a file was read, as the record of imports keeps it."""
    return {
        "session": options.session,
        "start": options.start,
        "layout": options.layout,
        "mapping": dict(options.mapping),
        "date": options.date,
        "timezone": options.timezone,
    }


def today() -> str:
    """The day, no finer: the same import on the same day makes the same bytes."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    now = datetime.datetime.fromtimestamp(int(epoch), datetime.UTC) if epoch.isdigit() else None
    return (now or datetime.datetime.now(datetime.UTC)).date().isoformat()
