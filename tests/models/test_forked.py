"""Jobs in processes of their own: the same results, the same objects, faults raised here."""

from __future__ import annotations

import os
import sys
import threading
import time
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import UserError
from pipeline.models.forked import can_fork, forked
from pipeline.models.season import estimate
from pipeline.models.stages import Watch
from tests.models.small_season import season

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are split on Linux")


def test_results_come_back_with_the_objects_that_both_hold() -> None:
    held = object()
    shared = [{"a": 1}, [held]]
    jobs = {str(n): partial(lambda n: (n, shared[1], np.arange(n)), n) for n in range(7)}
    done = forked(jobs, 2, shared)
    assert set(done) == set(jobs)
    for name, (result, seconds) in done.items():
        assert result[0] == int(name) == len(result[2]) and result[1] is shared[1]
        assert seconds >= 0


def test_many_megabytes_come_through() -> None:
    numbers = np.random.default_rng(1).normal(size=3_000_000)
    done = forked({"a": lambda: numbers * 2, "b": lambda: numbers * 3}, 2, [])
    np.testing.assert_array_equal(done["b"][0], numbers * 3)


def test_a_fault_of_a_job_is_raised_here_and_no_process_stays() -> None:
    def fails() -> None:
        raise UserError("no run can be used")

    before, began = _children(), time.monotonic()
    with pytest.raises(UserError, match="no run can be used"):
        forked({"a": fails, "b": partial(time.sleep, 60)}, 2, [])
    assert time.monotonic() - began < 30
    assert _children() <= before


def test_a_job_whose_process_dies_is_done_here() -> None:
    here = os.getpid()

    def dies() -> str:
        if os.getpid() != here:
            os.kill(os.getpid(), 9)
        return "done here"

    def cannot_be_handed_over() -> Any:
        return lambda: 1

    done = forked({"a": dies, "b": cannot_be_handed_over}, 2, [])
    assert done["a"][0] == "done here" and done["b"][0]() == 1


def test_with_other_threads_about_nothing_is_split() -> None:
    stop = threading.Event()
    other = threading.Thread(target=stop.wait)
    other.start()
    try:
        assert not can_fork()
    finally:
        stop.set()
        other.join()


def test_a_season_is_the_same_in_processes() -> None:
    data = season(meetings=2, cars=10)
    alone, split = estimate(data), estimate(data, watch=Watch(None, workers=2))
    pd.testing.assert_frame_equal(alone.effects_table(), split.effects_table(), check_exact=True)
    assert {id(e.standing) for e in split.effects} == {id(s) for s in split.standings}
    pd.testing.assert_frame_equal(alone.claims_table(), split.claims_table(), check_exact=True)


def _children() -> set[int]:
    """Processes that this one has started and that have not been waited for."""
    threads = Path("/proc/self/task").iterdir()
    return {int(pid) for one in threads for pid in (one / "children").read_text().split()}
