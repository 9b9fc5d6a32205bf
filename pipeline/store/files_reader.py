"""Which files of an import are read, and how; what the store has of them already."""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import AmbiguousError, CallError, Problem, UserError, pasteable
from pipeline.read import Export, ReadOptions, read_export
from pipeline.read.layouts import LAYOUTS
from pipeline.store.batches import FileRead, recorded
from pipeline.store.export_files import ExportFile, Skipped, sha256_of
from pipeline.store.records import ImportRecord, MeetingRecord
from pipeline.team.imports import FILE, FileOptions, Remembered

if TYPE_CHECKING:
    from pipeline.team.folder import Meeting, Team

_NEAR_DAYS = 7


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


class FilesReader:
    """Goes through the files of one call.

    stored: what the store has of the meeting; elsewhere: of the others. read, known: files read
    now, and records of those that need not be. said: what the call says, to be remembered.
    """

    def __init__(
        self,
        team: Team,
        meeting: Meeting,
        call: ImportCall,
        records: Iterable[MeetingRecord],
        remembered: Remembered,
    ) -> None:
        self.team, self.meeting, self.call, self.remembered = team, meeting, call, remembered
        files = [(record.meeting, file) for record in records for file in record.files]
        self.places = {(name, file.source) for name, file in files}
        self.stored = [file for name, file in files if name == meeting.meeting]
        self.elsewhere = {
            file.sha256: (name, file.source) for name, file in files if name != meeting.meeting
        }
        self.read: list[FileRead] = []
        self.known: list[ImportRecord] = []
        self.already_imported = 0
        self.mappings: dict[str, Mapping[str, str]] = {}
        self.files: list[FileOptions] = []
        self.skipped: list[Skipped] = []
        self.warnings: list[str] = []

    def go_through(self, files: Iterable[ExportFile], call: ImportCall | None = None) -> None:
        """Read what is not known. call: whose options count, if not those of the user's."""
        for file in files:
            digest = sha256_of(file.path)
            if digest in self.elsewhere:
                raise _elsewhere(self.team, file, *self.elsewhere[digest])
            said = self._said(file, digest, call or self.call)
            options = self._options(said, call or self.call)
            stored = self._find(digest, options)
            if stored or digest in [read.digest for read in self.read]:
                self.already_imported += 1
                if not self.call.dry_run:
                    self.known += [stored] if stored and stored not in self.known else []
                    continue
            try:
                self._read(file, digest, options)
                self.files.append(said)
            except UserError as error:
                if file.named or isinstance(error, CallError | AmbiguousError):
                    raise
                self.skipped.append(Skipped(file.source, str(error)))

    def _said(self, file: ExportFile, digest: str, call: ImportCall) -> FileOptions:
        """What holds for a file: the call's word, else what was said before."""
        before = self.remembered.of(self.meeting.meeting, file.source, digest)
        return FileOptions(
            file.source,
            digest,
            self.meeting.meeting,
            before.session if call.session is None else call.session,
            before.start if call.start is None else call.start,
            call.layout or before.layout,
            before.replaces,
        )

    def _options(self, said: FileOptions, call: ImportCall) -> ReadOptions:
        if said.layout and said.layout not in LAYOUTS:
            expected = "one of " + ", ".join(LAYOUTS)
            problem = Problem(f"'{said.layout}' for {said.source}", expected, FILE, column="layout")
            raise UserError("a layout is not known; nothing was changed:", [problem])
        usual = self.meeting.layout if self.meeting.layout in LAYOUTS else None
        return ReadOptions(
            self.meeting.meeting, said.session or None, said.start or None, said.layout or usual,
            dict(call.mapping), self.meeting.date, self.meeting.timezone or "UTC",
        )  # fmt: skip

    def _find(self, digest: str, options: ReadOptions) -> ImportRecord | None:
        """The record of the same bytes read in the same way; a mapping need not be said again.

        Not if a file has gone to which it gave laps up.
        """
        wanted = recorded(options)
        for record in self.stored:
            said = wanted if wanted["mapping"] else {**wanted, "mapping": record.options["mapping"]}
            stands = {tuple(file) for file in record.gave_way} <= self.places
            if record.sha256 == digest and record.options == said and stands:
                return record
        return None

    def _read(self, file: ExportFile, digest: str, options: ReadOptions) -> None:
        export, options = self.export(file, options)
        self.read.append(FileRead(file, digest, options, export))
        self.warnings += _other_day(self.meeting, file, export)
        self.warnings += [f"{file.source}: {warning}" for warning in export.warnings]
        if self.call.mapping:
            self.mappings[export.understood.fingerprint] = dict(self.call.mapping)

    def export(self, file: ExportFile, options: ReadOptions) -> tuple[Export, ReadOptions]:
        """The file as read, with what the team once said about such a header; options used."""
        try:
            export = read_export(file.path, options, file.source)
        except CallError:
            raise
        except UserError:
            remembered = {} if options.mapping else self.remembered.mappings
            for fingerprint, mapping in remembered.items():
                mapped = replace(options, mapping=mapping)
                with contextlib.suppress(UserError):
                    export = read_export(file.path, mapped, file.source)
                    if export.understood.fingerprint == fingerprint:
                        return export, mapped
            raise
        mapping = self.remembered.mappings.get(export.understood.fingerprint, {})
        if options.mapping or not mapping:
            return export, options
        mapped = replace(options, mapping=mapping)
        return read_export(file.path, mapped, file.source), mapped


def ranks(read: Iterable[FileRead], remembered: Remembered) -> dict[str, int]:
    """Source -> place in the order in which files count, from 1: as they were written, but what
    once corrected another file does so still."""
    corrects = {file.source: file.replaces for file in remembered.files}

    def depth(source: str, seen: frozenset[str] = frozenset()) -> int:
        older = [name for name in corrects.get(source, ()) if name not in seen]
        return 1 + max((depth(name, seen | {source}) for name in older), default=0)

    def key(file: FileRead) -> tuple[int, int, str]:
        return depth(file.file.source), file.file.path.stat().st_mtime_ns, file.file.source

    return {file.file.source: place for place, file in enumerate(sorted(read, key=key), 1)}


def _elsewhere(team: Team, file: ExportFile, meeting: str, source: str) -> UserError:
    undo = pasteable(team.folder, "import", source, "--meeting", meeting, "--undo")
    name = "" if source == file.source else f", as {source}"
    return UserError(
        f"{file.source} was imported for {meeting} already{name}; a file is of one meeting. "
        f"Nothing was changed. If {meeting} is the wrong one, take it out there first:\n  {undo}"
    )


def _other_day(meeting: Meeting, file: ExportFile, export: Export) -> list[str]:
    """The export's own date is days away from the meeting's: perhaps it is another's."""
    day = datetime.date.fromisoformat(meeting.date)
    days = sorted(set(export.sessions["date"]))
    far = [d for d in days if abs((datetime.date.fromisoformat(d) - day).days) > _NEAR_DAYS]
    said = f"{file.source}: is of {', '.join(far)}, but {meeting.meeting} was on {meeting.date}"
    return [said] if far else []
