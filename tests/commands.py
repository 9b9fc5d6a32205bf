"""A command run in this process, with what it printed and its exit status."""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass

from pipeline.cli import main


@dataclass(frozen=True)
class Said:
    """What a command printed, and its exit status."""

    status: int
    out: str
    err: str


def run(*arguments: object) -> Said:
    """`backtoback` with these arguments."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main([str(argument) for argument in arguments])
        except SystemExit as stop:
            return Said(int(stop.code or 0), out.getvalue(), err.getvalue())
    raise AssertionError("main always exits")
