"""Stages of an analysis: named as they begin, timed, and run side by side where independent."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

from pipeline.models.forked import can_fork, forked

Progress = Callable[[str], None]


class Watch:
    """Times the stages and says which one runs. workers: how many jobs may run at a time."""

    def __init__(self, progress: Progress | None, workers: int = 1) -> None:
        self.progress = progress
        self.workers = workers
        self.seconds: dict[str, float] = {}

    def __call__(self, stage: str, work: Callable[[], Any]) -> Any:
        if self.progress is not None:
            self.progress(stage)
        started = time.perf_counter()
        done = work()
        self.seconds[stage] = time.perf_counter() - started
        return done

    def side_by_side(
        self, jobs: Mapping[str, Callable[[], Any]], shared: Sequence[Any] = (), stage: str = "fits"
    ) -> dict[str, Any]:
        """What independent jobs give; their seconds are of processor time.

        shared: objects that the results refer to.
        """
        if self.progress is not None:
            self.progress(stage)
        if self.workers > 1 and len(jobs) > 1 and can_fork():
            done = forked(jobs, self.workers, shared, partial(self.progress or _silent, stage))
            self.seconds |= {name: seconds for name, (_, seconds) in done.items()}
            return {name: done[name][0] for name in jobs}
        if self.workers == 1:
            return {name: self._timed(name, job) for name, job in jobs.items()}
        with ThreadPoolExecutor(max(min(self.workers, len(jobs)), 1)) as pool:
            running = {name: pool.submit(self._timed, name, job) for name, job in jobs.items()}
            return {name: job.result() for name, job in running.items()}

    def _timed(self, name: str, job: Callable[[], Any]) -> Any:
        started = time.thread_time()
        done = job()
        self.seconds[name] = time.thread_time() - started
        return done


def _silent(stage: str) -> None:
    pass
