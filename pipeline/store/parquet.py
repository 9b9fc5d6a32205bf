"""The store: parquet by meeting, and the record of which file gave which rows.

store/laps/*.parquet       schema.LAPS, one file a meeting: one data set for any reader
store/set_aside/*.parquet  schema.SET_ASIDE
store/sessions/*.parquet   schema.SESSIONS
store/imports/*.json       the files that were imported, one record a meeting: see records
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.store.commit import Writer, change, locked, settle
from pipeline.store.records import (
    DamagedError,
    ImportRecord,
    MeetingRecord,
    file_stem,
    import_again,
    load_record,
    record_writer,
)
from pipeline.store.scanning import RECORDS, TABLES, Scan, record_path, scan, table_path
from pipeline.store.table_files import read_table, table_writer

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa


@dataclass(frozen=True, eq=False)
class Batch:
    """What the files of one import bring into the store; rows tell their file by `source`.

    laps: schema.LAPS, as a frame or as an arrow table whose texts may be codes.
    """

    records: Sequence[ImportRecord]
    laps: pd.DataFrame | pa.Table
    set_aside: pd.DataFrame
    sessions: pd.DataFrame


@dataclass(frozen=True)
class Store:
    """The store of one team folder. Reading takes no lock and needs no write access."""

    folder: Path

    def meetings(self) -> list[str]:
        """Meetings that have anything in the store, by name."""
        return sorted(record.meeting for record in self._whole())

    def imports(self, meeting: str) -> list[ImportRecord]:
        """The files imported for a meeting, by name of the source; empty for none."""
        record = self._record(meeting)
        return record.files if record else []

    def all_imports(self) -> list[tuple[str, ImportRecord]]:
        """(meeting, file) of everything that was imported.

        Raises UserError where any file of the store is missing or strange.
        """
        return [(record.meeting, file) for record in self._whole() for file in record.files]

    def read(
        self, table: str, meetings: Iterable[str] | None = None, columns: list[str] | None = None
    ) -> pd.DataFrame:
        """Rows of 'laps', 'set_aside' or 'sessions'; only these meetings and columns are read.

        Meetings that are not in the store give no rows. Raises UserError for a file that is not
        what was written.
        """
        return self.arrow(table, meetings, columns).to_pandas()

    def arrow(
        self,
        table: str,
        meetings: Iterable[str] | None = None,
        columns: list[str] | None = None,
        coded: bool = False,
    ) -> pa.Table:
        """The same as an arrow table; `coded`: texts as codes of one dictionary a column."""
        import pyarrow as pa

        if meetings is None:
            records = self._whole()
        else:
            found = [self._record(meeting) for meeting in dict.fromkeys(meetings)]
            records = [record for record in found if record]
        texts = [c.name for c in TABLES[table].columns if coded and c.kind == "text"]
        parts = [self._table(record, table, columns, texts) for record in records]
        if parts:
            return pa.concat_tables(parts).unify_dictionaries()
        empty = TABLES[table].arrow(coded).empty_table()
        return empty.select(columns) if columns else empty

    def changing(self) -> AbstractContextManager[None]:
        """Nobody else changes the store inside it. Raises UserError as commit.locked."""
        return locked(self.folder)

    def put(self, meeting: str, batch: Batch) -> None:
        """Take files in, as one change; what their sources gave before goes."""
        with self.changing():
            self.write(meeting, batch)

    def write(
        self,
        meeting: str,
        batch: Batch,
        replaces: Iterable[str] = (),
        extra: Mapping[str, Writer] | None = None,
        anew: bool = False,
    ) -> None:
        """The same inside `changing`, and more: what `replaces` gave before goes too.

        extra: files of the team folder that change with it, see `commit.change`. anew: nothing of
        what the store has of the meeting stays, be it damaged or not.
        """
        gone = {record.source for record in batch.records} | set(replaces)
        old = None if anew else self._record(meeting)
        new = {name: getattr(batch, name) for name in TABLES}
        self._change(old, gone, MeetingRecord(meeting, list(batch.records)), new, extra or {})

    def remove(
        self,
        meeting: str,
        sources: Iterable[str] | None = None,
        extra: Mapping[str, Writer] | None = None,
    ) -> list[ImportRecord]:
        """Take files of a meeting out again, or all of it; the records of what went.

        A meeting that is damaged goes as a whole alone.
        """
        with locked(self.folder):
            records = self._left(meeting) if sources is None else self.imports(meeting)
            gone = {r.source for r in records} if sources is None else set(sources)
            removed = [r for r in records if r.source in gone]
            if removed or sources is None:
                old = None if sources is None else self._record(meeting)
                self._change(old, gone, MeetingRecord(meeting, []), {}, extra or {})
            return removed

    def tidy(self) -> None:
        """Take out what no import made; it counts for nothing."""
        strange = self._strange()
        if strange:
            with locked(self.folder):
                change(self.folder, {}, strange)

    def scan(self) -> Scan:
        """What stands in the store by names and sizes. Raises UserError where a newer version
        wrote it."""
        settle(self.folder)
        return scan(self.folder)

    def damage_of(self, meeting: str) -> DamagedError | None:
        """What is wrong with a meeting's files, each of them read whole."""
        try:
            record = self._record(meeting)
            for name in TABLES:
                if record:
                    self._table(record, name)
        except DamagedError as error:
            return error
        return None

    def sources_left(self, meeting: str) -> list[str]:
        """The files that gave a damaged meeting, by its record or else by its laps."""
        found = [record.source for record in self._left(meeting)]
        if found:
            return found
        try:
            laps = read_table(table_path(self.folder, "laps", file_stem(meeting)), ["source"])
            return sorted(laps["source"].unique().to_pylist())
        except DamagedError:
            return []

    def _left(self, meeting: str) -> list[ImportRecord]:
        """The records of a meeting, none where they cannot be read."""
        try:
            return self.imports(meeting)
        except DamagedError:
            return []

    def _whole(self) -> list[MeetingRecord]:
        """All records. Raises UserError where a file of the store is missing or strange."""
        scan = self.scan()
        for stem, error in scan.damage.items():
            with self._mendable(stem):
                raise error
        for path in scan.strange:
            raise DamagedError(
                f"{path} is no file of the store: no import made it. Remove it, or import any "
                "export again, which does"
            )
        return scan.records

    def _record(self, meeting: str) -> MeetingRecord | None:
        settle(self.folder)
        path = record_path(self.folder, file_stem(meeting))
        with self._mendable(path.stem):
            return load_record(path) if path.exists() else None

    def _table(
        self,
        record: MeetingRecord,
        table: str,
        columns: list[str] | None = None,
        texts: Sequence[str] = (),
    ) -> pa.Table:
        stem = file_stem(record.meeting)
        with self._mendable(stem):
            path, known = table_path(self.folder, table, stem), record.tables.get(table, {})
            return read_table(path, columns, texts, known)

    @contextmanager
    def _mendable(self, stem: str) -> Iterator[None]:
        """Say of a damaged file how to mend it."""
        try:
            yield
        except DamagedError as error:
            raise DamagedError(error.damage, self._advice(stem)) from None

    def _advice(self, stem: str) -> str:
        try:
            record = load_record(record_path(self.folder, stem))
        except DamagedError:
            return "To mend it, import the exports again"
        again = import_again(self.folder.parent, record)
        return f"To mend it, import the exports again: {again}"

    def _change(
        self,
        old: MeetingRecord | None,
        gone: set[str],
        new: MeetingRecord,
        rows: Mapping[str, pd.DataFrame | pa.Table],
        extra: Mapping[str, Writer],
    ) -> None:
        """Write a meeting's files: what `old` has of other sources than `gone`, and the new."""
        stem = file_stem(new.meeting)
        kept = [file for file in old.files if file.source not in gone] if old else []
        sizes: dict[str, dict[str, Any]] = {name: {} for name in TABLES}
        record = replace(new, files=[*kept, *new.files], tables=sizes)
        write = {
            f"{name}/{stem}.parquet": table_writer(
                table,
                partial(self._table, old, name) if old else None,
                gone,
                rows.get(name),
                sizes[name],
            )
            for name, table in TABLES.items()
        }
        write[f"{RECORDS}/{stem}.json"] = record_writer(record)
        strange = [path for path in self._strange() if path not in write]
        if record.files:
            change(self.folder, {**write, **extra}, strange)
        else:
            change(self.folder, extra, [*write, *strange])

    def _strange(self) -> list[str]:
        return [path.relative_to(self.folder).as_posix() for path in self.scan().strange]


def open_store(team_folder: Path) -> Store:
    """The store of a team folder; it need not exist yet."""
    return Store(team_folder / "store")
