"""Which files stand in a store: whole, damaged, or of no import."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.records import DamagedError, MeetingRecord, file_stem, load_record
from pipeline.store.table_files import check_file, read_table
from pipeline.tables.schema import LAPS, SESSIONS, SET_ASIDE

TABLES = {"laps": LAPS, "set_aside": SET_ASIDE, "sessions": SESSIONS}
RECORDS = "imports"


@dataclass(frozen=True)
class Scan:
    """What stands in a store. damage: what is wrong, by file stem of the meeting. strange: tables
    that no record knows, and copies of records."""

    records: list[MeetingRecord]
    damage: dict[str, DamagedError]
    strange: list[Path]


def table_path(folder: Path, table: str, stem: str) -> Path:
    return folder / table / f"{stem}.parquet"


def record_path(folder: Path, stem: str) -> Path:
    return folder / RECORDS / f"{stem}.json"


def scan(folder: Path) -> Scan:
    """Look at the names and sizes of a store's files; no table is read."""
    records: list[MeetingRecord] = []
    damage: dict[str, DamagedError] = {}
    strange = {path for name in TABLES for path in (folder / name).glob("*.parquet")}
    for path in sorted((folder / RECORDS).glob("*.json")):
        own = {name: table_path(folder, name, path.stem) for name in TABLES}
        try:
            record = load_record(path)
            for name, file in own.items():
                check_file(file, record.tables.get(name, {}))
            records.append(record)
        except DamagedError as error:
            if not _is_of_a_meeting(folder, path.stem):
                strange.add(path)
                continue
            damage[path.stem] = error
        strange -= set(own.values())
    return Scan(records, damage, sorted(strange))


def _is_of_a_meeting(folder: Path, stem: str) -> bool:
    """The record or the laps say that files of this name are their meeting's, no copies."""
    with suppress(DamagedError):
        return bool(load_record(record_path(folder, stem)))
    with suppress(DamagedError):
        laps = read_table(table_path(folder, "laps", stem), ["meeting"])
        return [file_stem(name) for name in set(laps["meeting"].to_pylist())] == [stem]
    return False
