"""The moment from which a change counts: Ctrl-C waits for it, and what stands after it is known."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import Any

_STANDING: ContextVar[list[str] | None] = ContextVar("standing", default=None)


@contextmanager
def recording() -> Iterator[list[str]]:
    """The places that were changed for good inside this block, in order."""
    places: list[str] = []
    token = _STANDING.set(places)
    try:
        yield places
    finally:
        _STANDING.reset(token)


@contextmanager
def counting(place: Path) -> Iterator[None]:
    """The few moments in which a change of `place` is made good; Ctrl-C counts after them."""
    with _uninterrupted():
        yield
        places = _STANDING.get()
        if places is not None and str(place) not in places:
            places.append(str(place))


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Ctrl-C inside the block is raised at its end. Other threads than the first get none."""
    before = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or before is None:
        yield
        return
    caught: list[Any] = []
    signal.signal(signal.SIGINT, lambda *args: caught.append(args))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if caught and callable(before):
        before(*caught[0])
