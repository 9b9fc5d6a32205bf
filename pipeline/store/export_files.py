"""Which files an import is about: the paths given, folders opened, each with its name and hash."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import CallError, UserError, system_words

EXPORT_SUFFIXES = (".csv", ".txt", ".tsv", ".xlsx", ".xls", ".ods")
OWN_TABLES = ("drivers", "meetings", "sessions", "setups")
_OWN_FOLDERS = ("store", "reports")


@dataclass(frozen=True)
class ExportFile:
    """A file to import. source: its name in the store, relative to the team folder if inside."""

    path: Path
    source: str
    named: bool


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
            found.setdefault(_real(path), ExportFile(path, source_name(team_folder, path), True))
            continue
        for file in _below(path):
            source = source_name(team_folder, file)
            why = _not_an_export(team_folder, file) or _leads_out(path, file)
            if why:
                skipped.append(Skipped(source, why))
            else:
                found.setdefault(_real(file), ExportFile(file, source, False))
    if not found:
        raise UserError(_none(paths, skipped))
    return sorted(found.values(), key=lambda file: file.source), skipped


def source_name(team_folder: Path, path: Path) -> str:
    """Relative to the team folder where it is inside, else as given; with forward slashes."""
    absolute = Path(os.path.abspath(path))  # noqa: PTH100 (resolve() would follow links)
    for folder in (Path(os.path.abspath(team_folder)), team_folder.resolve()):  # noqa: PTH100
        if absolute.is_relative_to(folder):
            return _printable(absolute.relative_to(folder).as_posix())
    return _printable(path.as_posix())


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


def _below(folder: Path) -> Iterator[Path]:
    """Files below a folder in order; links to folders are not followed."""
    for root, folders, files in os.walk(folder, followlinks=False):
        folders.sort()
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in sorted(files):
            yield Path(root) / name


def _not_an_export(team_folder: Path, file: Path) -> str:
    """Why a file in a folder is left alone, '' for an export."""
    inside = source_name(team_folder, file).split("/")
    if file.name.startswith((".", "~$")):
        return "a hidden or temporary file"
    if not file.is_file():
        return "not a plain file"
    if len(inside) == 1 and file.stem in OWN_TABLES:
        return "a table of the team folder"
    if len(inside) > 1 and inside[0] in _OWN_FOLDERS and file.is_relative_to(team_folder):
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
