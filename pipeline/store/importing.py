"""Import: exports → rows → people → the store, all or nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import CallError, UserError, pasteable
from pipeline.read.layouts import LAYOUTS
from pipeline.store.batches import make_batch
from pipeline.store.commit import Writer
from pipeline.store.export_files import (
    ExportFile,
    Skipped,
    find_exports,
    source_name,
    sources_outside,
    told_apart,
)
from pipeline.store.files_reader import FilesReader, ImportCall, ranks
from pipeline.store.parquet import Batch, Store, file_stem, open_store
from pipeline.store.reconcile import Reconciled, reconcile
from pipeline.store.records import DamagedError, ImportRecord, MeetingRecord
from pipeline.team.imports import FILE, FileOptions, read_imports, updated
from pipeline.team.people import People
from pipeline.team.sheets import nearest

if TYPE_CHECKING:
    from pipeline.team.folder import Meeting, Team

__all__ = ["ImportCall", "ImportReport", "Progress", "import_exports", "known_meeting", "undo"]

Progress = Callable[[list[ExportFile]], Iterable[ExportFile]]


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
    other bytes or options replaces what it brought. A meeting whose files in the store are damaged
    is read again as a whole. Raises UserError or CallError, with the store as it was, for an
    unknown meeting, an export that was named and cannot be read or is ambiguous, one of another
    meeting, nothing usable, and with `strict` for anything set aside.
    """
    if call.layout not in (None, *LAYOUTS):
        close = nearest(str(call.layout), LAYOUTS)
        raise CallError(f"layout {call.layout!r}; expected {', '.join(LAYOUTS)}. {close}".rstrip())
    meeting = known_meeting(team, call.meeting)
    files, skipped = find_exports(team.folder, call.paths)
    store = open_store(team.folder)
    damage = store.damage_of(meeting.meeting)
    reader = _reader(team, meeting, call, store, damage)
    reader.skipped += skipped
    files = list(told_apart(files, _places(reader.stored)))
    if damage:
        again = _to_read_again(team, store, meeting, damage, files)
        reader.go_through(again, replace(call, session=None, start=None, layout=None, mapping={}))
    reader.go_through(progress(files))
    if reader.read:
        return _take_in(team, meeting, reader, store, damage)
    report = _report(team, meeting, reader)
    _check(report, call)
    if not call.dry_run:
        store.tidy()
    return report


def _take_in(
    team: Team, meeting: Meeting, reader: FilesReader, store: Store, damage: DamagedError | None
) -> ImportReport:
    """What was read, beside what the store has, into the store."""
    batch = make_batch(team, reader.read, _people(reader.stored))
    gone, order = _replaced(reader.stored, batch), ranks(reader.read, reader.remembered)
    known = _staying(store, meeting, damage, gone)
    settled = reconcile(team, store, batch, known, order)
    report = _report(team, meeting, reader, settled)
    _check(report, reader.call)
    if reader.call.dry_run:
        return report
    with store.changing():
        now = _staying(store, meeting, damage, gone)
        if now != known:  # another import came in between
            settled = reconcile(team, store, batch, now, order)
            report = _report(team, meeting, reader, settled)
        extra = _kept(team, reader.mappings, [_with_word(f, settled) for f in reader.files])
        store.write(meeting.meeting, settled.batch, gone, extra, anew=bool(damage))
    return report


def _with_word(file: FileOptions, settled: Reconciled) -> FileOptions:
    """What is to be remembered of a file, with the files that it was found to correct."""
    return replace(file, replaces=settled.corrects.get(file.source, file.replaces))


def _staying(
    store: Store, meeting: Meeting, damage: DamagedError | None, gone: set[str]
) -> list[MeetingRecord]:
    """What the store has that no file of the import replaces, as far as it can be read."""
    records = []
    for record in store.scan().records:
        if record.meeting != meeting.meeting:
            records.append(record)
        elif not damage:
            files = [file for file in record.files if file.source not in gone]
            records.append(replace(record, files=files))
    return records


def _reader(
    team: Team, meeting: Meeting, call: ImportCall, store: Store, damage: DamagedError | None
) -> FilesReader:
    """What reads the files, told what the store has, and what is wrong with the store."""
    scan = store.scan()
    records = [r for r in scan.records if not damage or r.meeting != meeting.meeting]
    reader = FilesReader(team, meeting, call, records, read_imports(team.folder))
    if damage:
        reader.warnings.append(f"{damage.damage}: all exports of {meeting.meeting} are read again")
    others = (e for stem, e in scan.damage.items() if stem != file_stem(meeting.meeting))
    reader.warnings += [f"{error.damage}: import that meeting again too" for error in others]
    reader.warnings += [f"{path} was not of an import and is taken out" for path in scan.strange]
    return reader


def _to_read_again(
    team: Team, store: Store, meeting: Meeting, damage: DamagedError, files: list[ExportFile]
) -> list[ExportFile]:
    """The exports of a damaged meeting that are not given anyway; UserError if one is gone."""
    given = {file.source for file in files}
    sources = [source for source in store.sources_left(meeting.meeting) if source not in given]
    gone = [source for source in sources if not (team.folder / source).is_file()]
    if gone:
        undo = pasteable(team.folder, "import", "--meeting", meeting.meeting, "--undo")
        raise UserError(
            f"{damage.damage}, and to mend it {', '.join(gone)} would have to be read again, which "
            "cannot be found. Nothing was changed. Put it back, or take the meeting out and import "
            f"what there is:\n  {undo}"
        )
    return [ExportFile(team.folder / source, source, True) for source in sources]


def _people(records: Iterable[ImportRecord]) -> list[Sequence[str]]:
    return [pair for record in records for pair in record.people]


def _report(
    team: Team, meeting: Meeting, reader: FilesReader, settled: Reconciled | None = None
) -> ImportReport:
    given = {file.file.source for file in reader.read}
    new = [r for r in settled.batch.records if r.source in given] if settled else []
    records = reader.known + new
    report = ImportReport(
        records,
        already_imported=reader.already_imported,
        understood=[str(file.export.understood) for file in reader.read],
        skipped=reader.skipped,
        warnings=[*reader.warnings, *(settled.said if settled else [])],
        drivers=_count_drivers(team, meeting, records),
        nothing_new=not reader.read,
    )
    for record in records:
        report.reasons.update(record.reasons)
    return report


def _kept(
    team: Team,
    mappings: Mapping[str, Mapping[str, str]],
    files: Iterable[FileOptions],
    forget: Iterable[tuple[str, str]] = (),
) -> dict[str, Writer]:
    """imports.toml as it is to be, as a file of the store's change; none if it stays as it is."""
    text = updated(team.folder, mappings, files, forget)
    if text is None:
        return {}
    return {f"../{FILE}": lambda path: path.write_bytes(text.encode("utf-8"))}


def undo(team: Team, paths: Iterable[Path], meeting: str) -> list[ImportRecord]:
    """Take files of a meeting out of the store again, or all of it; the records that went.

    The files themselves need not exist any more; what was said about them is forgotten. Raises
    UserError for what was not imported.
    """
    store = open_store(team.folder)
    name = _stored_meeting(store, meeting)
    known = _places_left(store, name)
    gone = [source for path in paths for source in _sources_of(team, path, known)]
    forget = [(name, source) for source in gone or known]
    return store.remove(name, gone or None, _kept(team, {}, [], forget))


def waiting(team: Team, meeting: str, gone: Iterable[ImportRecord]) -> list[str]:
    """A sentence for each file that gave laps up to one that has gone: they are not in the store
    until it is imported again."""
    files = {(meeting, record.source) for record in gone}
    return [
        f"{record.source} gave laps up to a file that is out now; to have them: "
        + pasteable(team.folder, "import", record.source, "--meeting", name)
        for name, record in open_store(team.folder).all_imports()
        if files & set(map(tuple, record.gave_way))
    ]


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


def _check(report: ImportReport, call: ImportCall) -> None:
    """Nothing usable, or with --strict anything set aside: then nothing is changed."""
    aside = sum(record.rows_set_aside for record in report.records)
    reasons = ", ".join(f"{code}: {count}" for code, count in sorted(report.reasons.items()))
    if not report.records:
        listed = "".join(f"\n  {each.source}: {each.why}" for each in report.skipped)
        raise UserError(f"no file could be read; nothing was changed{listed}")
    if not sum(record.laps or len(record.gave_way) for record in report.records):
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


def _replaced(records: Iterable[ImportRecord], batch: Batch) -> set[str]:
    """Sources that come in again, or whose very bytes do, under another name or read otherwise."""
    again = {record.sha256 for record in batch.records}
    sources = {record.source for record in batch.records}
    return sources | {record.source for record in records if record.sha256 in again}


def _stored_meeting(store: Store, name: str) -> str:
    scan = store.scan()
    names = sorted(record.meeting for record in scan.records)
    if file_stem(name) in scan.damage:
        return name
    for known in names:
        if known.casefold() == name.casefold().strip():
            return known
    held = f"It holds {', '.join(names)}" if names else "It is empty"
    raise UserError(f"the store has no meeting '{name}'. {held}. {nearest(name, names)}".rstrip())


def _places(records: Iterable[ImportRecord]) -> dict[str, str]:
    return {record.source: record.place for record in records}


def _places_left(store: Store, meeting: str) -> dict[str, str]:
    """Source → place of a meeting's files, as far as its record can be read."""
    records = [record for record in store.scan().records if record.meeting == meeting]
    places = _places(file for record in records for file in record.files)
    return {source: places.get(source, "") for source in store.sources_left(meeting)}


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
