"""Results kept in the store for the next command: safe to delete, checked before they are read."""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from pathlib import Path

from pipeline.errors import UserError
from pipeline.tables.moment import recording
from pipeline.tables.outputs import write_files

FOLDER = Path("store", "results")
MOST_FILES = 24
MOST_BYTES = 200_000_000
_SUFFIX = ".kept"
_DIGEST = 64  # letters of SHA-256 in hex, before the content
_STALE_S = 3600.0  # a file half written for so long belongs to a command that was killed


def kept(team: Path, name: str) -> bytes | None:
    """What was kept under this name; None where nothing was, or where it was damaged since."""
    path = team / FOLDER / (name + _SUFFIX)
    try:
        raw = path.read_bytes()
    except OSError:
        return None
    content = raw[_DIGEST:]
    if hashlib.sha256(content).hexdigest().encode() != raw[:_DIGEST]:
        return None
    with contextlib.suppress(OSError):
        os.utime(path)  # the last used is the last to be removed
    return content


def keep(team: Path, name: str, content: bytes) -> None:
    """Keep it, whole or not at all, and remove what is too much by now. Where the store cannot be
    written nothing is kept."""
    raw = hashlib.sha256(content).hexdigest().encode() + content
    # Nothing that counts: after Ctrl-C nobody has to be told that it stands.
    with contextlib.suppress(UserError, OSError), recording():
        write_files(team / FOLDER, {name + _SUFFIX: raw}, force=True, listed=False)
        _tidy(team / FOLDER, time.time())


def _tidy(folder: Path, now: float) -> None:
    """Remove the longest unused, as other commands may at the same time."""
    found = [(path, path.stat()) for path in folder.iterdir() if _SUFFIX in path.name]
    whole = [(path, stat) for path, stat in found if path.suffix == _SUFFIX]
    half = [(path, stat) for path, stat in found if path.suffix != _SUFFIX]
    gone = [path for path, stat in half if now - stat.st_mtime > _STALE_S]
    size = 0
    for place, (path, stat) in enumerate(sorted(whole, key=lambda one: -one[1].st_mtime)):
        size += stat.st_size
        if place and (place >= MOST_FILES or size > MOST_BYTES):
            gone.append(path)
    for path in gone:
        path.unlink(missing_ok=True)
