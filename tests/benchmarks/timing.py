"""Time functions fairly: in turn, the median of several."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def medians(functions: Sequence[Callable[[], object]], repeats: int = 5) -> list[float]:
    """Median wall time of each, s; they take turns, after one round that does not count."""
    times: list[list[float]] = [[] for _ in functions]
    for turn in range(repeats + 1):
        for function, own in zip(functions, times, strict=True):
            started = time.perf_counter()
            function()
            if turn:
                own.append(time.perf_counter() - started)
    return [sorted(own)[len(own) // 2] for own in times]


def threads() -> str:
    """How many threads the linear algebra was given."""
    return next((os.environ[name] for name in THREADS if name in os.environ), "as many as it likes")
