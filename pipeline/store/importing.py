"""Import: exports → rows → people → the store, all or nothing."""

from __future__ import annotations

import contextlib
import datetime
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import AmbiguousError, CallError, UserError
from pipeline.read import Export, ReadOptions, read_export
from pipeline.read.records import LAYOUTS
from pipeline.store.batches import FileRead, make_batch, recorded
from pipeline.store.export_files import (
    ExportFile,
    Skipped,
    find_exports,
    sha256_of,
    source_name,
    sources_outside,
    told_apart,
)
from pipeline.store.parquet import Batch, ImportRecord, Store, open_store
from pipeline.team.people import People
from pipeline.team.sheets import nearest

if TYPE_CHECKING:
    from pipeline.team.folder import Meeting, Team

_NEAR_DAYS = 7
Progress = Callable[[list[ExportFile]], Iterable[ExportFile]]


@dataclass(frozen=True)
class ImportCall:
    """What the user asks for; see `backtoback import --help`."""

    paths: tuple[Path, ...]
    meeting: str
    session: str | None = None
    start: str | None = None
    layout: str | None = None
    mapping: Mapping[str, str] = field(default_factory=dict)
    dry_run: bool = False
    strict: bool = False


@dataclass
class ImportReport:
    """What an import did. Counts are of the exports given, whether stored now or before."""

    records: list[ImportRecord] = field(default_factory=list)
    already_imported: int = 0
    understood: list[str] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    drivers: int = 0
    reasons: Counter[str] = field(default_factory=Counter)

    nothing_new: bool = False

    def count(self, records: list[ImportRecord]) -> None:
        """Take in the files that the call was about."""
        self.records = records
        for record in records:
            self.reasons.update(record.reasons)

    def as_json(self) -> dict[str, Any]:
        """What `import --json` prints."""
        return {
            "files": len(self.records),
            "rows_in": sum(record.rows_in for record in self.records),
            "rows_kept": sum(record.rows_kept for record in self.records),
            "rows_set_aside": sum(record.rows_set_aside for record in self.records),
            "laps": sum(record.laps for record in self.records),
            "sessions": len({name for record in self.records for name in record.sessions}),
            "drivers": self.drivers,
            "already_imported": self.already_imported,
            "reasons": dict(sorted(self.reasons.items())),
        }


def import_exports(
    team: Team, call: ImportCall, progress: Progress = lambda files: files
) -> ImportReport:
    """Take exports into the store of the team folder.

    A file whose bytes and options are known already changes nothing. A file of a known name with
    other bytes or options replaces what it brought. Raises UserError or CallError, with the store
    as it was, for an unknown meeting, an export that was named and cannot be read or is
    ambiguous, nothing usable, and with `strict` for anything set aside.
    """
    if call.layout not in (None, *LAYOUTS):
        close = nearest(str(call.layout), LAYOUTS)
        raise CallError(f"layout {call.layout!r}; expected {', '.join(LAYOUTS)}. {close}".rstrip())
    meeting = known_meeting(team, call.meeting)
    files, skipped = find_exports(team.folder, call.paths)
    store = open_store(team.folder)
    reader = _Reader(team, meeting, call, store)
    reader.report.skipped += skipped
    files = list(told_apart(files, _places(reader.stored)))
    reader.go_through(progress(files))
    seen = [pair for record in reader.stored for pair in record.people]
    batch = make_batch(team, reader.read, seen) if reader.read else None
    report = reader.report
    report.nothing_new = len(files) == report.already_imported
    report.count(reader.known + (list(batch.records) if batch else []))
    _check(report, call)
    report.drivers = _count_drivers(team, meeting, report.records)
    if batch and not call.dry_run:
        store.put(meeting.meeting, batch, _replaced(reader.stored, batch), reader.said)
    return report


def undo(team: Team, paths: Iterable[Path], meeting: str) -> list[ImportRecord]:
    """Take files of a meeting out of the store again, or all of it; the records that went.

    The files themselves need not exist any more. Raises UserError for what was not imported.
    """
    store = open_store(team.folder)
    name = _stored_meeting(store, meeting)
    paths = list(paths)
    if not paths:
        return store.remove(name)
    known = _places(store.imports(name))
    gone = {source for path in paths for source in _sources_of(team, path, known)}
    return store.remove(name, gone)


def known_meeting(team: Team, name: str) -> Meeting:
    """The row of meetings.csv. Raises UserError, with the row to add, if there is none."""
    meeting = team.meeting(name)
    if meeting:
        return meeting
    close = nearest(name, team.meetings["meeting"])
    raise UserError(
        f"meeting '{name}' is not in meetings.csv; nothing was changed. {close}".rstrip()
        + f"\n  To add it: {name},<date as 2026-05-03>,<venue>,<surface>,<low, medium or high>"
    )


class _Reader:
    """Goes through the files of one call."""

    def __init__(self, team: Team, meeting: Meeting, call: ImportCall, store: Store) -> None:
        self.call = call
        self.mappings = store.mappings()
        self.meeting = meeting
        self.stored = store.imports(meeting.meeting)
        self.elsewhere = {
            record.sha256: name for name, record in store.all_imports() if name != meeting.meeting
        }
        self.read: list[FileRead] = []
        self.known: list[ImportRecord] = []
        self.said: dict[str, Mapping[str, str]] = {}
        self.report = ImportReport()
        layout = call.layout or (meeting.layout if meeting.layout in LAYOUTS else None)
        self.options = ReadOptions(
            meeting.meeting, call.session, call.start, layout, dict(call.mapping),
            meeting.date, meeting.timezone or "UTC",
        )  # fmt: skip

    def go_through(self, files: Iterable[ExportFile]) -> None:
        for file in files:
            digest = sha256_of(file.path)
            stored = self._find(digest)
            if stored or digest in [read.digest for read in self.read]:
                self.report.already_imported += 1
                if not self.call.dry_run:
                    self.known += [stored] if stored and stored not in self.known else []
                    continue
            try:
                self._read(file, digest)
            except UserError as error:
                if file.named or isinstance(error, CallError | AmbiguousError):
                    raise
                self.report.skipped.append(Skipped(file.source, str(error)))

    def _find(self, digest: str) -> ImportRecord | None:
        """The record of the same bytes read in the same way; a mapping need not be said again."""
        wanted = recorded(self.options)
        for record in self.stored:
            said = wanted if wanted["mapping"] else {**wanted, "mapping": record.options["mapping"]}
            if record.sha256 == digest and record.options == said:
                return record
        return None

    def _read(self, file: ExportFile, digest: str) -> None:
        export, options = self.export(file)
        self.read.append(FileRead(file, digest, options, export))
        self.report.understood.append(str(export.understood))
        self.report.warnings += _other_day(self.meeting, file, export)
        self.report.warnings += _other_meeting(self.elsewhere, file, digest)
        self.report.warnings += [f"{file.source}: {warning}" for warning in export.warnings]
        if self.call.mapping:
            self.said[export.understood.fingerprint] = dict(self.call.mapping)

    def export(self, file: ExportFile) -> tuple[Export, ReadOptions]:
        """The file as read, with what the team once said about such a header; options used."""
        try:
            export = read_export(file.path, self.options, file.source)
        except CallError:
            raise
        except UserError:
            remembered = {} if self.options.mapping else self.mappings
            for fingerprint, mapping in remembered.items():
                options = replace(self.options, mapping=mapping)
                with contextlib.suppress(UserError):
                    export = read_export(file.path, options, file.source)
                    if export.understood.fingerprint == fingerprint:
                        return export, options
            raise
        mapping = self.mappings.get(export.understood.fingerprint, {})
        if self.options.mapping or not mapping:
            return export, self.options
        options = replace(self.options, mapping=mapping)
        return read_export(file.path, options, file.source), options


def _other_day(meeting: Meeting, file: ExportFile, export: Export) -> list[str]:
    """The export's own date is days away from the meeting's: perhaps it is another's."""
    day = datetime.date.fromisoformat(meeting.date)
    days = sorted(set(export.sessions["date"]))
    far = [d for d in days if abs((datetime.date.fromisoformat(d) - day).days) > _NEAR_DAYS]
    said = f"{file.source}: is of {', '.join(far)}, but {meeting.meeting} was on {meeting.date}"
    return [said] if far else []


def _other_meeting(elsewhere: Mapping[str, str], file: ExportFile, digest: str) -> list[str]:
    if digest not in elsewhere:
        return []
    name = elsewhere[digest]
    return [
        f"{file.source}: was imported for {name} too; if that was a mistake: "
        f"import {file.source} --meeting {name} --undo"
    ]


def _check(report: ImportReport, call: ImportCall) -> None:
    """Nothing usable, or with --strict anything set aside: then nothing is changed."""
    aside = sum(record.rows_set_aside for record in report.records)
    reasons = ", ".join(f"{code}: {count}" for code, count in sorted(report.reasons.items()))
    if not report.records:
        listed = "".join(f"\n  {each.source}: {each.why}" for each in report.skipped)
        raise UserError(f"no file could be read; nothing was changed{listed}")
    if not sum(record.laps for record in report.records):
        why = f" {aside} rows were set aside ({reasons})" if aside else ""
        raise UserError(f"the exports hold no lap; nothing was changed.{why}")
    if call.strict and (aside or report.skipped):
        files = f" and {len(report.skipped)} files" if report.skipped else ""
        raise UserError(
            f"with --strict: {aside} rows ({reasons or 'none'}){files} would be set aside; "
            "nothing was changed. Import without --strict to keep the rest"
        )


def _count_drivers(team: Team, meeting: Meeting, records: list[ImportRecord]) -> int:
    pairs = [(t, n) for record in records for t, n in record.people]
    people = People(team.drivers, pairs)
    return len({people.find(t, n, meeting.date, "").driver for t, n in pairs})


def _replaced(records: Iterable[ImportRecord], batch: Batch) -> list[str]:
    """Sources whose very bytes come in again, under another name or read in another way."""
    again = {record.sha256 for record in batch.records}
    return [record.source for record in records if record.sha256 in again]


def _stored_meeting(store: Store, name: str) -> str:
    names = store.meetings()
    for known in names:
        if known.casefold() == name.casefold().strip():
            return known
    held = f"It holds {', '.join(names)}" if names else "It is empty"
    raise UserError(f"the store has no meeting '{name}'. {held}. {nearest(name, names)}".rstrip())


def _places(records: Iterable[ImportRecord]) -> dict[str, str]:
    return {record.source: record.place for record in records}


def _sources_of(team: Team, path: Path, known: Mapping[str, str]) -> list[str]:
    """Imported files that a path means: itself, all below it, or the one of that file name.

    known: source → place.
    """
    source = source_name(team.folder, path)
    found = [name for name in known if name == source or name.startswith(f"{source}/")]
    found = sources_outside(path, known) or found
    if found:
        return found
    found = [name for name in known if name.rsplit("/", 1)[-1] == path.name]
    if not found:
        raise UserError(f"'{path}' was not imported. Imported were: {', '.join(known)}")
    if len(found) > 1:
        raise UserError(f"'{path}' may be {' or '.join(found)}: give the whole name")
    return found
