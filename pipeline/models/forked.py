"""Independent jobs in processes of their own, each of which begins with all that this one holds.

Threads wait for each other between the calls of the linear algebra; processes do not.
"""

from __future__ import annotations

import io
import os
import pickle
import selectors
import signal
import sys
import threading
import time
import warnings
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any, BinaryIO

CHUNK = 1 << 20


def can_fork() -> bool:
    """Where a process can be split safely: on Linux, from its only thread."""
    first = threading.current_thread() is threading.main_thread()
    return sys.platform == "linux" and first and threading.active_count() == 1


def forked(
    jobs: Mapping[str, Callable[[], Any]],
    workers: int,
    shared: Sequence[Any],
    one_more: Callable[[], Any] = bool,
) -> dict[str, tuple[Any, float]]:
    """What the jobs give, with the processor seconds of each. An exception of theirs is raised.

    shared: objects that results refer to; a result holds the very same ones. A job whose process
    dies, or whose result cannot be handed over, is done here. one_more: called as each is done.
    """
    waiting, running = list(jobs), dict[BinaryIO, tuple[str, int, bytearray]]()
    done: dict[str, tuple[Any, float]] = {}
    with selectors.DefaultSelector() as ready:
        try:
            while waiting or running:
                while waiting and len(running) < workers:
                    name = waiting.pop(0)
                    pipe, process = _begun(jobs[name], shared)
                    running[pipe] = (name, process, bytearray())
                    ready.register(pipe, selectors.EVENT_READ)
                for key, _ in ready.select():
                    pipe = key.fileobj  # type: ignore[assignment]
                    if part := os.read(pipe.fileno(), CHUNK):
                        running[pipe][2].extend(part)
                        continue
                    ready.unregister(pipe)
                    name, process, raw = running.pop(pipe)
                    _ended(pipe, process)
                    done[name] = _taken(bytes(raw), jobs[name], shared)
                    one_more()
        finally:
            for pipe, (_, process, _) in running.items():
                with suppress(ProcessLookupError):
                    os.kill(process, signal.SIGKILL)
                _ended(pipe, process)
    return done


def _begun(job: Callable[[], Any], shared: Sequence[Any]) -> tuple[BinaryIO, int]:
    """A process that does the job: the pipe that its result comes through, and its number."""
    source, target = os.pipe()
    # Ctrl-C must not get through between the two: the copy would end the command a second time.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    with warnings.catch_warnings():
        # Later Pythons warn of the threads of libraries, which none of this waits for.
        warnings.simplefilter("ignore", DeprecationWarning)
        process = os.fork()
    if process == 0:
        _work(job, shared, target)
    os.close(target)
    signal.pthread_sigmask(signal.SIG_SETMASK, before)
    return os.fdopen(source, "rb", buffering=0), process


def _work(job: Callable[[], Any], shared: Sequence[Any], target: int) -> None:
    """Do the job, hand its result over and end, whatever happens: this is a copy of the process."""
    try:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that asked says when to stop
        started = time.process_time()
        try:
            outcome: tuple[Any, Exception | None] = job(), None
        except Exception as error:
            outcome = None, error
        raw = _written((*outcome, time.process_time() - started), shared)
        with os.fdopen(target, "wb") as pipe:
            pipe.write(raw)
    finally:
        os._exit(0)


def _ended(pipe: BinaryIO, process: int) -> None:
    pipe.close()
    with suppress(ChildProcessError):
        os.waitpid(process, 0)


def _taken(raw: bytes, job: Callable[[], Any], shared: Sequence[Any]) -> tuple[Any, float]:
    try:
        result, error, seconds = _Reader(io.BytesIO(raw), shared).load()
    except (EOFError, pickle.UnpicklingError):
        started = time.process_time()
        return job(), time.process_time() - started
    if error is not None:
        raise error
    return result, seconds


def _written(value: Any, shared: Sequence[Any]) -> bytes:
    target = io.BytesIO()
    _Writer(target, shared).dump(value)
    return target.getvalue()


class _Writer(pickle.Pickler):
    """Shared objects by their number: both processes hold them at the same place."""

    def __init__(self, target: BinaryIO, shared: Sequence[Any]) -> None:
        super().__init__(target, pickle.HIGHEST_PROTOCOL)
        self.places = {id(one): place for place, one in enumerate(shared)}

    def persistent_id(self, value: Any) -> int | None:
        return self.places.get(id(value))


class _Reader(pickle.Unpickler):
    def __init__(self, source: BinaryIO, shared: Sequence[Any]) -> None:
        super().__init__(source)
        self.shared = shared

    def persistent_load(self, place: int) -> Any:
        return self.shared[place]
