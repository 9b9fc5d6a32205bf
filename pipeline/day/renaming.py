"""`rename`: a meeting's name in the store, the folders and the rows of all tables, or nowhere."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from pipeline.day.taking import LIST, list_of, listed, mark, writer
from pipeline.errors import CallError, UserError
from pipeline.runs.logbooks import FOLDER, logbook_files
from pipeline.store.commit import Writer, change, locked
from pipeline.store.parquet import Store, file_stem, open_store
from pipeline.store.records import ImportRecord, record_writer
from pipeline.store.scanning import RECORDS, TABLES
from pipeline.store.table_files import table_writer
from pipeline.team.dates import read_day
from pipeline.team.folder import no_team
from pipeline.team.imports import FILE, FileOptions, with_other_names
from pipeline.team.rewriting import with_new_names
from pipeline.team.sheets import SUFFIXES, nearest, read_sheet
from pipeline.team.tables import plain

if TYPE_CHECKING:
    import pandas as pd


_WITH_MEETING = ("meetings", "sessions", "setups", "feel")
# What no folder's name may hold on some system, or what leads elsewhere.
_NO_FOLDER = re.compile(r'[\\/:*?"<>|\x00-\x1f]|^\.|[. ]$')


@dataclass(frozen=True)
class Renamed:
    """The names as they stood and stand, and what holds the meeting now, in words."""

    old: str
    new: str
    places: tuple[str, ...]


def rename_meeting(folder: Path, old: str, new: str) -> Renamed:
    """Give a meeting another name in the whole team folder, as one change.

    The tables may have the new name already, where a person has renamed it there. Raises CallError
    where there is no such meeting, or another of the new name; UserError, with everything as it
    was, where a file cannot be changed.
    """
    if not (folder / "team.toml").is_file():
        raise UserError(no_team(folder))
    store = open_store(folder)
    with locked(store.folder):
        meeting = _Renaming(folder, store, *_names(folder, store, old, new))
        files = meeting.files()
        change(store.folder, files, rename=meeting.moves())
    return Renamed(meeting.old, meeting.new, tuple(meeting.places()))


def _names(folder: Path, store: Store, old: str, new: str) -> tuple[str, str]:
    """Both names, the old one as it is written. Raises CallError where they cannot be."""
    new = " ".join(new.split())
    rows = {stem: _meetings_of(folder, stem) for stem in _WITH_MEETING}
    listed, stored = rows["meetings"], store.meetings()
    known = {plain(name): name for names in (*rows.values(), stored) for name in names}
    if not new or plain(old) not in known:
        what = f"no meeting '{old}'" if new else "no new name"
        close = nearest(old, known.values())
        raise CallError(f"{what}; there are: {', '.join(known.values())}. {close}".rstrip())
    if known[plain(old)] == new:
        raise CallError(f"the meeting is called '{new}' already")
    old, here = known[plain(old)], {plain(name) for name in listed}
    taken = {plain(name) for name in stored} | (here if plain(old) in here else set())
    if plain(new) in taken - {plain(old)}:
        raise CallError(f"there is another meeting '{known[plain(new)]}'; nothing was changed")
    if plain(new) in here and plain(old) not in here and old in stored:
        _refuse_another_day(store, old, known[plain(new)], listed)
    return old, new


def _meetings_of(folder: Path, stem: str) -> dict[str, str]:
    """Meeting -> its date, '' where the table has none."""
    sheet = read_sheet(folder, stem, ("meeting", "date"))
    if sheet is None:
        return {}
    if sheet.problems:
        raise UserError("nothing was changed:", sheet.problems)
    return dict(zip(sheet.frame["meeting"], sheet.frame["date"], strict=True))


def _refuse_another_day(store: Store, old: str, new: str, listed: Mapping[str, str]) -> None:
    days = sorted(set(store.read("sessions", [old])["date"].dropna()))
    day = read_day(listed.get(new, ""))
    if day and days and day not in days:
        raise UserError(
            f"'{new}' is of {day} in the meetings table, the store's '{old}' of {', '.join(days)}; "
            "nothing was changed. If it is the same meeting, mend the date first"
        )


class _Renaming:
    """One meeting under its new name. folders: those of its files, old path -> new."""

    def __init__(self, folder: Path, store: Store, old: str, new: str) -> None:
        self.folder, self.store, self.old, self.new = folder, store, old, new
        self.records = store.scan().records
        self.folders = dict(self._folders())
        self.paths = self.folders | dict(self._moved_by_hand())
        self.done: dict[str, None] = {}

    def _folders(self) -> Iterator[tuple[str, str]]:
        for parent, name in (("exports", self._folder_name()), (FOLDER, file_stem(self.new))):
            meant = {plain(self.old), plain(file_stem(self.old))}
            for path in sorted((self.folder / parent).glob("*/")):
                target = path.with_name(name)
                if plain(path.name) not in meant or path.name == name:
                    continue
                if target.exists() and not target.samefile(path):
                    raise UserError(
                        f"'{parent}/{path.name}' cannot become '{parent}/{name}': that is there "
                        "already; nothing was changed. Move what is in it first"
                    )
                yield f"{parent}/{path.name}", f"{parent}/{name}"

    def _moved_by_hand(self) -> Iterator[tuple[str, str]]:
        """Exports that a person has put into a folder of the new name."""
        here, there = (f"exports/{name}" for name in (self.old, self._folder_name()))
        if (self.folder / there).is_dir() and not (self.folder / here).exists():
            yield here, there

    def _folder_name(self) -> str:
        return file_stem(self.new) if _NO_FOLDER.search(self.new) else self.new

    def moves(self) -> list[tuple[str, str]]:
        """Renames for `commit.change`, before its files are put in place."""
        moved = [(f"../{old}", f"../{new}") for old, new in self.folders.items()]
        stored = any(record.meeting == self.old for record in self.records)
        if not stored or file_stem(self.old) == file_stem(self.new):
            return moved
        names = [*(f"{table}/{{}}.parquet" for table in TABLES), f"{RECORDS}/{{}}.json"]
        stems = file_stem(self.old), file_stem(self.new)
        return [*moved, *((name.format(stems[0]), name.format(stems[1])) for name in names)]

    def places(self) -> list[str]:
        """What holds the meeting now."""
        return [*(f"{folder}/" for folder in self.folders.values()), *self.done]

    def files(self) -> dict[str, Writer]:
        """Every file that says the name, with its new content, for `commit.change`."""
        texts = {**self._tables(), **self._logbooks(), **self._imports()}
        found = {f"../{name}": writer(raw) for name, raw in texts.items()}
        self.done |= {name: None for name in texts if not name.startswith(f"{FOLDER}/")}
        return found | dict(self._stored())

    def _tables(self) -> dict[str, bytes]:
        names = {plain(self.old): self.new}
        found = {}
        for stem in _WITH_MEETING:
            for path in (self.folder / f"{stem}{suffix}" for suffix in SUFFIXES):
                raw = path.is_file() and with_new_names(path, "meeting", names, path.name)
                if raw:
                    found[path.name] = raw
        return found

    def _logbooks(self) -> dict[str, bytes]:
        """Logbooks, and the list of those that this tool made."""
        names, known = {plain(self.old): self.new}, listed(self.folder)
        found, marks = {}, {}
        for path in logbook_files(self.folder):
            name = path.relative_to(self.folder).as_posix()
            raw = with_new_names(path, "meeting", names, name)
            before = known.get(name.removeprefix(f"{FOLDER}/"))
            if raw:
                found[self._moved(name)] = raw
            if before:
                own = before == mark(path.read_bytes())  # else a person's, and stays so
                after = self._moved(name).removeprefix(f"{FOLDER}/")
                marks[after] = mark(raw) if raw and own else before
        if found or marks != known:
            found[f"{FOLDER}/{LIST}"] = list_of(marks)
        return found

    def _imports(self) -> dict[str, bytes]:
        text = with_other_names(self.folder, self._options)
        return {FILE: text.encode()} if text is not None else {}

    def _options(self, file: FileOptions) -> FileOptions:
        return replace(
            file,
            source=self._moved(file.source),
            meeting=self.new if plain(file.meeting) == plain(self.old) else file.meeting,
            replaces=[self._moved(source) for source in file.replaces],
        )

    def _stored(self) -> Iterator[tuple[str, Writer]]:
        """The meeting's files of the store, and the records of others that speak of them."""
        for record in self.records:
            new = replace(record, files=[self._file(file) for file in record.files])
            if record.meeting != self.old:
                if new.files != record.files:
                    yield f"{RECORDS}/{file_stem(record.meeting)}.json", record_writer(new)
                continue
            self.done["store/"] = None
            sizes: dict[str, dict[str, Any]] = {name: {} for name in TABLES}
            stem = file_stem(self.new)
            for name, table in TABLES.items():
                rows = self._rows(self.store.read(name, [self.old]))
                make = table_writer(table, None, set(), rows, sizes[name])
                yield f"{name}/{stem}.parquet", make
            yield (
                f"{RECORDS}/{stem}.json",
                record_writer(replace(new, meeting=self.new, tables=sizes)),
            )

    def _rows(self, rows: pd.DataFrame) -> pd.DataFrame:
        moved = {source: self._moved(source) for source in rows["source"].unique()}
        return rows.assign(meeting=self.new, source=rows["source"].map(moved))

    def _file(self, file: ImportRecord) -> ImportRecord:
        gave_way = [
            [self.new if meeting == self.old else meeting, self._moved(source)]
            for meeting, source in file.gave_way
        ]
        return replace(file, source=self._moved(file.source), gave_way=gave_way)

    def _moved(self, name: str) -> str:
        """A path of the team folder as it is after the folders have their new names."""
        for old, new in self.paths.items():
            if PurePosixPath(old) in PurePosixPath(name).parents:
                return f"{new}/{name.removeprefix(f'{old}/')}"
        return name
