"""Files that the tool leaves behind: a set appears whole or not at all, and replaces its own alone.

What the tool made is known by a list beside it (`.backtoback.json`: name, size, SHA-256), pages
also by their generator line. All else is a person's: a file of that name, one that was changed
since, a link.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import re
import secrets
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.errors import UserError, system_words
from pipeline.tables.moment import counting

LIST = ".backtoback.json"
_FORMAT = 1
_HEAD = 4_000  # bytes of a page in which its generator line stands
_GENERATOR = re.compile(rb'<meta name="generator" content="backtoback\b')
_SHOWN = 5
Listed = dict[str, list[dict[str, Any]]]


def write_files(
    folder: Path, files: Mapping[str, bytes], *, force: bool = False, listed: bool = True
) -> list[Path]:
    """Write files, by their paths below `folder`, as one set; their whole paths.

    force: a person's files may be replaced. listed: the files are put on the tool's list. Raises
    UserError, with nothing changed, where a file of a person's is in the way, the folder leads out
    of the team folder, or the system refuses.
    """
    parents = sorted({folder, *((folder / name).parent for name in files)})
    for parent in parents:
        _refuse_link_out(parent)
    made: list[Path] = []
    staged: dict[Path, Path] = {}
    try:
        _make_folders(parents, made)
        own = _read_list(folder)
        if not force:
            _refuse_others(folder, [LIST, *files] if listed else files, own)
        content = {LIST: _new_list(folder, files, own), **files} if listed else files
        for name, raw in content.items():
            staged[folder / name] = _beside(folder / name)
            _write(staged[folder / name], raw, folder / name)
        with counting(folder):
            _swap(staged)
    except BaseException as error:
        _clear(staged.values(), made)
        if isinstance(error, OSError):
            raise UserError(f"{system_words(error)}; nothing was written") from None
        raise
    return [folder / name for name in files]


def _refuse_link_out(folder: Path) -> None:
    """Below a team folder, no link leads the writing out of it."""
    path = Path(os.path.abspath(folder))  # noqa: PTH100 (resolve() would follow links)
    team = next((p for p in path.parents if (p / "team.toml").is_file()), None)
    if team is not None and not path.resolve().is_relative_to(team.resolve()):
        raise UserError(
            f"'{folder}' leads out of the team folder by a link; nothing was written. Remove the "
            "link, or name the place itself with --out"
        )


def _clear(staged: Iterable[Path], made: Sequence[Path]) -> None:
    """Leave no trace of a set that was not written."""
    with contextlib.suppress(OSError):
        for path in staged:
            path.unlink(missing_ok=True)
        for folder in reversed(made):
            folder.rmdir()


def _make_folders(folders: Iterable[Path], made: list[Path]) -> None:
    """Make what is not there and add it to `made`, the outer first."""
    for folder in folders:
        above = [path for path in (folder, *folder.parents) if not path.exists()]
        for path in reversed(above):
            path.mkdir()
            made.append(path)


def _read_list(folder: Path) -> Listed:
    """The tool's files by name, each with the sizes and hashes that it may have."""
    try:
        raw = json.loads((folder / LIST).read_bytes())
        found: Listed = {LIST: []}
        for each in raw["files"]:
            found.setdefault(str(each["name"]), []).append(each)
        return found
    except (OSError, ValueError, TypeError, KeyError):
        return {}


def _new_list(folder: Path, files: Mapping[str, bytes], own: Listed) -> bytes:
    """The list for both the files as they are and as they will be.

    It goes into place first: if the power fails before the others, all are still on it.
    """
    entries = [_entry(name, raw) for name, raw in files.items()]
    entries += [
        {**each, "name": name}
        for name, several in own.items()
        for each in several
        if _is_same(folder / name, each)
    ]
    different = {json.dumps(each, sort_keys=True): each for each in entries}
    ordered = [different[key] for key in sorted(different)]
    return (json.dumps({"format": _FORMAT, "files": ordered}, indent=1) + "\n").encode()


def _entry(name: str, raw: bytes) -> dict[str, Any]:
    return {"name": name, "bytes": len(raw), "sha256": hashlib.sha256(raw).hexdigest()}


def _is_same(path: Path, entry: Mapping[str, Any]) -> bool:
    try:
        if path.is_symlink() or path.stat().st_size != entry["bytes"]:
            return False
        return hashlib.sha256(path.read_bytes()).hexdigest() == entry["sha256"]
    except (OSError, KeyError):
        return False


def _refuse_others(folder: Path, files: Iterable[str], own: Listed) -> None:
    there = [name for name in files if os.path.lexists(folder / name)]
    others = [name for name in there if not _is_own(folder / name, own.get(name))]
    if others:
        named = ", ".join(f"'{folder / name}'" for name in others[:_SHOWN])
        more = f" and {len(others) - _SHOWN} more" if len(others) > _SHOWN else ""
        raise UserError(
            f"{named}{more}: not made by backtoback, or changed since; nothing was written. Give "
            "another folder, or replace with --force"
        )


def _is_own(path: Path, entries: list[dict[str, Any]] | None) -> bool:
    """A file on the list as it was made; a page that is on no list by its generator line."""
    if path.name == LIST:
        return entries is not None and not path.is_symlink()
    if entries is not None:
        return any(_is_same(path, each) for each in entries)
    if path.is_symlink() or path.suffix != ".html" or not path.is_file():
        return False
    with path.open("rb") as file:
        return _GENERATOR.search(file.read(_HEAD)) is not None


def _beside(path: Path) -> Path:
    """A new name in the same folder."""
    return path.with_name(f".{path.name[:40]}.{secrets.token_hex(4)}")


def _write(path: Path, raw: bytes, meant: Path) -> None:
    """A new file, with the rights that the user's mask leaves, on the disk.

    Raises OSError that names the file that is meant.
    """
    try:
        with path.open("xb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        error.filename = str(meant)
        raise


def _swap(staged: Mapping[Path, Path]) -> None:
    """Move all into place; if one cannot be, those before it go back."""
    kept: dict[Path, Path | None] = {}
    try:
        for path, beside in staged.items():
            kept[path] = _keep(path)
            beside.replace(path)
    except BaseException:
        for path, old in kept.items():
            if old is not None:
                old.replace(path)
                old.unlink(missing_ok=True)  # two names of one file are not moved over each other
            elif not staged[path].exists():
                path.unlink(missing_ok=True)
        raise
    for old in kept.values():
        if old is not None:
            old.unlink(missing_ok=True)


def _keep(path: Path) -> Path | None:
    """The file that is there, under a second name; None where there is none."""
    if not os.path.lexists(path):
        return None
    if path.is_dir() and not path.is_symlink():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    old = _beside(path)
    try:
        os.link(path, old, follow_symlinks=False)
    except (OSError, NotImplementedError):  # not every disk has second names
        path.replace(old)
    return old
