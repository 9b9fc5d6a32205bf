"""The store: parquet by meeting, and the record of which file gave which rows.

store/laps/*.parquet       schema.LAPS, one file a meeting: one data set for any reader
store/set_aside/*.parquet  schema.SET_ASIDE
store/sessions/*.parquet   schema.SESSIONS
store/imports/*.json       the files that were imported, one record a meeting
store/mappings.json        columns that the team has named, by the header's fingerprint
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import UserError, refusal
from pipeline.store.commit import Writer, change, locked, settle
from pipeline.tables.schema import LAPS, SESSIONS, SET_ASIDE, Table

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

TABLES = {"laps": LAPS, "set_aside": SET_ASIDE, "sessions": SESSIONS}
MAPPINGS = "mappings.json"
_BATCH = 65_536
_HARDLY_TWICE = ("elapsed_s",)
_PLAIN_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,59}(?<!\.)")
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


@dataclass(frozen=True)
class ImportRecord:
    """One imported file: what it was, how it was read, what it gave.

    people: (transponder, name) pairs of its laps, '' for what it does not say. place: a mark of its
    folder where that is outside the team folder (`export_files.place_of`).
    """

    source: str
    sha256: str
    bytes: int
    options: Mapping[str, Any]
    rows_in: int
    rows_kept: int
    rows_set_aside: int
    laps: int
    sessions: Sequence[str]
    people: Sequence[Sequence[str]]
    reasons: Mapping[str, int]
    on: str = ""
    place: str = ""


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
        return sorted(record["meeting"] for record in self._records())

    def imports(self, meeting: str) -> list[ImportRecord]:
        """The files imported for a meeting, by name of the source; empty for none."""
        path = self.folder / "imports" / f"{file_stem(meeting)}.json"
        settle(self.folder)
        return _files_of(_load(path)) if path.is_file() else []

    def all_imports(self) -> list[tuple[str, ImportRecord]]:
        """(meeting, file) of everything that was imported."""
        return [(raw["meeting"], file) for raw in self._records() for file in _files_of(raw)]

    def read(
        self, table: str, meetings: Iterable[str] | None = None, columns: list[str] | None = None
    ) -> pd.DataFrame:
        """Rows of 'laps', 'set_aside' or 'sessions'; only these meetings and columns are read.

        Meetings that are not in the store give no rows. Raises UserError for a broken file.
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

        settle(self.folder)
        texts = [c.name for c in TABLES[table].columns if coded and c.kind == "text"]
        parts = [_read(path, columns, texts) for path in self._files(table, meetings)]
        if parts:
            return pa.concat_tables(parts).unify_dictionaries()
        empty = TABLES[table].arrow(coded).empty_table()
        return empty.select(columns) if columns else empty

    def put(
        self,
        meeting: str,
        batch: Batch,
        replaces: Iterable[str] = (),
        mappings: Mapping[str, Mapping[str, str]] | None = None,
    ) -> None:
        """Take files in, as one change; what their sources (and `replaces`) gave before goes.

        mappings: what the team said about columns, by the header's fingerprint, to be remembered.
        """
        gone = {record.source for record in batch.records} | set(replaces)
        with locked(self.folder):
            records = [r for r in self.imports(meeting) if r.source not in gone]
            records += batch.records
            new = {name: getattr(batch, name) for name in TABLES}
            extra = {}
            if mappings:
                known = {**self.mappings(), **{k: dict(v) for k, v in mappings.items()}}
                extra[MAPPINGS] = _json_writer(known)
            self._change(meeting, records, gone, new, extra)

    def remove(self, meeting: str, sources: Iterable[str] | None = None) -> list[ImportRecord]:
        """Take files of a meeting out again, or all of it; the records of what went."""
        with locked(self.folder):
            records = self.imports(meeting)
            gone = {r.source for r in records} if sources is None else set(sources)
            removed = [r for r in records if r.source in gone]
            kept = [r for r in records if r.source not in gone]
            if removed:
                self._change(meeting, kept, gone, dict.fromkeys(TABLES), {})
            return removed

    def mappings(self) -> dict[str, dict[str, str]]:
        """Fingerprint of a header -> field -> column, as the team has once said."""
        path = self.folder / MAPPINGS
        settle(self.folder)
        return _load(path) if path.is_file() else {}

    def _change(
        self,
        meeting: str,
        records: list[ImportRecord],
        gone: set[str],
        new: Mapping[str, pd.DataFrame | pa.Table | None],
        extra: Mapping[str, Writer],
    ) -> None:
        stem = file_stem(meeting)
        paths = {name: f"{name}/{stem}.parquet" for name in TABLES}
        record_path = f"imports/{stem}.json"
        if not records:
            change(self.folder, {}, [*paths.values(), record_path])
            return
        write: dict[str, Writer] = {
            path: _table_writer(TABLES[name], self.folder / path, gone, new[name])
            for name, path in paths.items()
        }
        files = [vars(r) for r in sorted(records, key=lambda record: record.source)]
        write[record_path] = _json_writer({"format": 1, "meeting": meeting, "files": files})
        change(self.folder, {**write, **extra})

    def _records(self) -> Iterator[dict[str, Any]]:
        settle(self.folder)
        for path in sorted((self.folder / "imports").glob("*.json")):
            yield _load(path)

    def _files(self, table: str, meetings: Iterable[str] | None) -> list[Path]:
        folder = self.folder / table
        if meetings is None:
            return sorted(folder.glob("*.parquet"))
        paths = [folder / f"{file_stem(meeting)}.parquet" for meeting in meetings]
        return [path for path in paths if path.is_file()]


def open_store(team_folder: Path) -> Store:
    """The store of a team folder; it need not exist yet."""
    return Store(team_folder / "store")


def file_stem(meeting: str) -> str:
    """A file name for a meeting on any system: the name itself where that is safe."""
    if _PLAIN_NAME.fullmatch(meeting) and not _RESERVED.fullmatch(meeting):
        return meeting
    slug = re.sub(r"[^A-Za-z0-9]+", "-", meeting).strip("-")[:40]
    return f"{slug or 'meeting'}-{hashlib.sha256(meeting.encode()).hexdigest()[:10]}"


def _table_writer(
    table: Table, old: Path, gone: set[str], new: pd.DataFrame | pa.Table | None
) -> Writer:
    """Old rows of other sources and the new, by source: the order of imports is no matter."""

    def write(path: Path) -> None:
        import pyarrow as pa

        parts = _split_by_source(_read(old, None), gone) if old.is_file() else {}
        if new is not None and len(new):
            parts.update(_split_by_source(table.rows(new), set()))
        ordered = [parts[source] for source in sorted(parts)]
        if len(ordered) > 1:
            ordered = [part.cast(table.arrow()) for part in ordered]
        whole = pa.concat_tables(ordered) if ordered else table.arrow().empty_table()
        _write(path, whole, table)

    return write


def _write(path: Path, rows: pa.Table, table: Table) -> None:
    """The rows as parquet; coded texts are written as they are and read as plain ones.

    Whole numbers and instants that rise from row to row are short as differences, and quick;
    of numbers that hardly ever come twice a dictionary would only be a second copy.
    """
    import pyarrow.parquet as pq

    steps = [column.name for column in table.columns if column.kind in ("integer", "instant")]
    encodings = dict.fromkeys(steps, "DELTA_BINARY_PACKED")
    encodings |= {name: "BYTE_STREAM_SPLIT" for name in table.names if name in _HARDLY_TWICE}
    pq.write_table(
        rows, path, compression="zstd", store_schema=False, write_batch_size=_BATCH,
        use_dictionary=[name for name in table.names if name not in encodings],
        column_encoding=encodings, write_statistics=steps,
    )  # fmt: skip


def _split_by_source(rows: pa.Table, gone: set[str]) -> dict[str, pa.Table]:
    import pyarrow.compute as pc

    sources = pc.unique(rows["source"]).to_pylist()
    if len(sources) == 1:
        return {} if sources[0] in gone else {sources[0]: rows}
    return {s: rows.filter(pc.equal(rows["source"], s)) for s in sources if s not in gone}


def _read(path: Path, columns: list[str] | None, coded: Sequence[str] = ()) -> pa.Table:
    """coded: columns whose texts are to be codes; parquet mostly holds them so already."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path, read_dictionary=list(coded)) as file:
            rows = file.read(columns=columns)
        return rows.select(columns) if columns else rows
    except (pa.ArrowException, OSError, KeyError) as error:
        raise _broken(path, error) from None


def _load(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, OSError) as error:
        raise _broken(path, error) from None
    return dict(content)


def _broken(path: Path, error: Exception) -> UserError:
    if isinstance(error, OSError) and error.errno:
        return UserError(f"the store cannot be read: '{path}': {refusal(error)}")
    words = str(error).splitlines()
    return UserError(
        f"{path} of the store cannot be read ({words[0] if words else type(error).__name__}). "
        "Remove the folder 'store' and import the exports again: nothing else is kept in it"
    )


def _files_of(raw: Mapping[str, Any]) -> list[ImportRecord]:
    return [ImportRecord(**file) for file in raw["files"]]


def _json_writer(content: Mapping[str, Any]) -> Writer:
    text = json.dumps(content, indent=1, ensure_ascii=False, sort_keys=True) + "\n"

    def write(path: Path) -> None:
        path.write_text(text, encoding="utf-8")

    return write
