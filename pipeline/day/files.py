"""What can be seen of a file while others write to it."""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.errors import UserError
from pipeline.store.export_files import sha256_of

Mark = tuple[int, int]


def mark_of(path: Path) -> Mark | None:
    """Size and time of change; None where there is no such file."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def hash_of(path: Path) -> str:
    """Hash of a file's bytes; '?' for one that cannot be read now."""
    try:
        return sha256_of(path)
    except UserError:
        return "?"


def looks_cut(path: Path) -> bool:
    """Whether a table's last line ends early: no line break, and fewer cells than before."""
    try:
        with path.open("rb") as file:
            file.seek(max(path.stat().st_size - 4096, 0))
            tail = file.read()
    except OSError:
        return True
    lines = tail.rstrip(b"\0").splitlines()
    if path.suffix.lower() not in (".csv", ".txt", ".tsv") or len(lines) < 2:
        return not lines
    whole = tail.rstrip(b"\0").endswith((b"\n", b"\r"))
    return not whole and _cells(lines[-1]) < _cells(lines[-2])


def _cells(line: bytes) -> int:
    return max(line.count(sign) for sign in (b",", b";", b"\t", b"|"))


def is_logbook(path: Path) -> bool:
    """Whether a file is what a logbook hands on: its header names meeting, driver and run."""
    if path.suffix.lower() != ".csv":
        return False
    try:
        with path.open("rb") as file:
            first = file.readline(10_000).decode("utf-8-sig", "replace")
    except OSError:
        return False
    cells = [cell.strip('" \r\n').casefold() for cell in re.split(r"[,;\t|]", first)]
    return cells[:3] == ["meeting", "driver", "run"]
