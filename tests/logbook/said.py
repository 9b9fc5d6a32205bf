"""The command, called as a person does: what it printed, its status; and a folder's content."""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass
from pathlib import Path

from pipeline.cli import main


@dataclass(frozen=True)
class Said:
    """What a command printed, and its exit status."""

    status: int
    out: str
    err: str


def run(*arguments: object) -> Said:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main([str(argument) for argument in arguments])
        except SystemExit as stop:
            return Said(int(stop.code or 0), out.getvalue(), err.getvalue())
    raise AssertionError("main always exits")


def tree(folder: Path, times: bool = False) -> dict[str, object]:
    """Every file and folder below, with its content, or also its time of change."""
    found: dict[str, object] = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.name == ".lock":
            continue
        found[name] = path.read_bytes() if path.is_file() else None
        if times:
            found[name] = (found[name], path.stat().st_mtime_ns)
    return found
