"""The process of a command: Ctrl-C, and words to readers that may leave before the end."""

from __future__ import annotations

import io
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any


@contextmanager
def interruptible() -> Iterator[None]:
    """Ctrl-C is raised inside the block; before and after it, it ends the process without a word,
    where pipeline.__main__ has it so. A library that is interrupted while it loads may raise an
    error of its own: that is Ctrl-C too.
    """
    before = signal.getsignal(signal.SIGINT)
    if before is not signal.SIG_DFL:
        yield
        return
    pressed: list[Any] = []

    def interrupt(*args: Any) -> None:
        pressed.append(args)
        raise KeyboardInterrupt

    try:
        signal.signal(signal.SIGINT, interrupt)
        yield
    except Exception as error:
        if pressed:
            raise KeyboardInterrupt from error
        raise
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def outliving() -> Iterator[None]:
    """Let the work go on when who reads the output has left, as `head` does after some lines.

    What would be written after that goes nowhere. Streams that are no plain files (a console of
    another kind, a test's) are left alone.
    """
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = (_outliving(stream) for stream in before)
    try:
        yield
        sys.stdout.flush()
    finally:
        sys.stdout, sys.stderr = before


def _outliving(stream: Any) -> Any:
    if stream is None:  # closed from the start; the next file opened would take its place
        return Path(os.devnull).open("w", encoding="utf-8")
    buffer = getattr(stream, "buffer", None)  # is the file itself where Python does not buffer
    if type(getattr(buffer, "raw", buffer)) is not io.FileIO:
        return stream
    stream.flush()
    lasting: Any = io.BufferedWriter(_Outliving(stream.fileno(), "wb", closefd=False))
    # A terminal without a sign for a letter is no reason to stop.
    errors = "replace" if stream.errors == "strict" else stream.errors
    return io.TextIOWrapper(lasting, stream.encoding, errors, line_buffering=True)


class _Outliving(io.FileIO):
    """A file whose readers may leave."""

    def write(self, data: Any) -> int:
        try:
            return super().write(data) or 0
        except OSError as error:
            # What is still held back would fail once more when the stream is closed.
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.fileno())
            os.close(nowhere)
            if isinstance(error, BrokenPipeError):
                return len(data)
            raise
