"""Which files an import is about: the paths given, folders opened, each with its name and hash."""

from __future__ import annotations

import hashlib
import itertools
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.errors import CallError, UserError, system_words

EXPORT_SUFFIXES = (".csv", ".txt", ".tsv", ".xlsx", ".xls", ".ods")
OWN_TABLES = ("drivers", "meetings", "sessions", "setups", "feel")
_OWN_FOLDERS = ("store", "reports", "logbooks")


@dataclass(frozen=True)
class ExportFile:
    """A file to import.

    source: its name in the store; relative to the team folder if inside, else the name alone,
    since a path may hold a person's. place: a mark of the folder of a file outside, by which two
    of one name are told apart; '' inside.
    """

    path: Path
    source: str
    named: bool
    place: str = ""


@dataclass(frozen=True)
class Skipped:
    """A file in a folder that is no export, and why."""

    source: str
    why: str


def find_exports(
    team_folder: Path, paths: Iterable[Path]
) -> tuple[list[ExportFile], list[Skipped]]:
    """Exports among `paths`, by name; a folder gives all exports in and below it.

    Raises CallError for a path that does not exist, UserError if there is no export at all.
    """
    found: dict[Path, ExportFile] = {}
    skipped: list[Skipped] = []
    paths = list(paths)
    for path in paths:
        if not path.exists():
            raise CallError(f"there is no file or folder '{path}'")
        if not path.is_dir():
            found.setdefault(_real(path), _export_file(team_folder, path, True))
            continue
        files, closed = _below(path)
        skipped += [Skipped(source_name(team_folder, place), why) for place, why in closed]
        for file in files:
            source = source_name(team_folder, file)
            why = _not_an_export(team_folder, file) or _leads_out(path, file)
            if why:
                skipped.append(Skipped(source, why))
            else:
                found.setdefault(_real(file), _export_file(team_folder, file, False))
    if not found:
        raise UserError(_none(paths, skipped))
    return sorted(found.values(), key=lambda file: (file.source, file.path)), skipped


def _export_file(team_folder: Path, path: Path, named: bool) -> ExportFile:
    place = "" if _inside(team_folder, path) else place_of(path.parent)
    return ExportFile(path, source_name(team_folder, path), named, place)


def source_name(team_folder: Path, path: Path) -> str:
    """Relative to the team folder where it is inside, with forward slashes; else the name alone."""
    return _printable(_inside(team_folder, path) or _absolute(path).name)


def place_of(folder: Path) -> str:
    """A mark of a folder that does not say where it is."""
    return hashlib.sha256(os.fsencode(_absolute(folder))).hexdigest()[:8]


def told_apart(files: Iterable[ExportFile], stored: Mapping[str, str]) -> Iterator[ExportFile]:
    """The files, numbered where one of another place has the name: 'q1 (2).csv'.

    stored: source → place of what the store has. A file that comes again from its place keeps its
    name, and so replaces what it brought.
    """
    taken = dict(stored)
    for file in files:
        names = (file.source if n == 1 else _numbered(file.source, n) for n in itertools.count(1))
        name = next(name for name in names if taken.get(name, file.place) == file.place)
        taken[name] = file.place
        yield replace(file, source=name)


def _numbered(name: str, number: int) -> str:
    plain = Path(name)
    return f"{plain.stem} ({number}){plain.suffix}"


def sources_outside(path: Path, stored: Mapping[str, str]) -> list[str]:
    """Sources of files from outside that a path means: itself, or all in and below a folder."""
    name = Path(_printable(path.name))
    numbered = re.compile(rf"{re.escape(name.stem)} \(\d+\){re.escape(name.suffix)}")
    here = [source for source, place in stored.items() if place == place_of(path.parent)]
    itself = [s for s in here if s == str(name)] or [s for s in here if numbered.fullmatch(s)]
    folders = [path, *(below for below in path.rglob("*") if below.is_dir())]
    places = {place_of(folder) for folder in folders}
    return itself or [source for source, place in stored.items() if place in places]


def _inside(team_folder: Path, path: Path) -> str:
    """The path relative to the team folder, '' outside."""
    absolute = _absolute(path)
    for folder in (_absolute(team_folder), team_folder.resolve()):
        if absolute.is_relative_to(folder):
            return absolute.relative_to(folder).as_posix()
    return ""


def _absolute(path: Path) -> Path:
    return Path(os.path.abspath(path))  # noqa: PTH100 (resolve() would follow links)


def sha256_of(path: Path) -> str:
    """Hash of the file's bytes. Raises UserError if it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise UserError(f"cannot be read: {system_words(error)}") from None


def _printable(text: str) -> str:
    """A file name as text that any file can hold: undecodable bytes become signs."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _real(path: Path) -> Path:
    return Path(os.path.realpath(path))


def _below(folder: Path) -> tuple[list[Path], list[tuple[Path, str]]]:
    """Files below a folder in order, and the folders that could not be read, with the reason.

    Links to folders are not followed.
    """
    found: list[Path] = []
    closed: list[tuple[Path, str]] = []

    def note(error: OSError) -> None:
        closed.append((Path(error.filename), f"a folder that cannot be read: {error.strerror}"))

    for root, folders, files in os.walk(folder, onerror=note, followlinks=False):
        folders.sort()
        folders[:] = [name for name in folders if not name.startswith(".")]
        found += [Path(root) / name for name in sorted(files)]
    return found, closed


def _not_an_export(team_folder: Path, file: Path) -> str:
    """Why a file in a folder is left alone, '' for an export."""
    inside = _inside(team_folder, file).split("/")
    if file.name.startswith((".", "~$")):
        return "a hidden or temporary file"
    if not file.is_file():
        return "not a plain file"
    if inside == [file.name] and file.stem in OWN_TABLES:
        return "a table of the team folder"
    if len(inside) > 1 and inside[0] in _OWN_FOLDERS:
        return f"in the tool's own folder {inside[0]}"
    if file.suffix.lower() not in EXPORT_SUFFIXES:
        return f"no export: its name ends in '{file.suffix}'" if file.suffix else "no export"
    return ""


def _leads_out(folder: Path, file: Path) -> str:
    inside = not file.is_symlink() or _real(file).is_relative_to(_real(folder))
    return "" if inside else "a link to a file elsewhere"


def _none(paths: list[Path], skipped: list[Skipped]) -> str:
    places = ", ".join(f"'{path}'" for path in paths)
    endings = ", ".join(EXPORT_SUFFIXES)
    text = f"no timing export in {places} (files that end in {endings}); nothing was changed"
    seen = "".join(f"\n  {file.source}: {file.why}" for file in skipped[:10])
    return text + seen
