"""A season for the benchmarks: 12 meetings, 60 drivers, 8 runs each, 24 to 25 laps a run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

DRIVERS, RUNS = 60, 8
SETUP_COLUMNS = 14


@dataclass(frozen=True)
class Season:
    """Laps (L,) and runs (R,). columns: (R, p) fixed columns of the runs, sparse, the last of them
    the setup's; hour, meeting: (R,)."""

    run: Codes
    lap: Array
    seconds: Array
    driver: Codes
    entry: Codes
    meeting: Codes
    hour: Array
    columns: sparse.csr_array


def make(meetings: int = 12, seed: int = 5) -> Season:
    """The season; 64 run-level columns at 12 meetings, 66 with the two of the lap in the run."""
    rng = np.random.default_rng(seed)
    meeting, driver, turn = (
        axis.ravel() for axis in np.indices((meetings, DRIVERS, RUNS), dtype=np.intp)
    )
    R = len(meeting)
    hour = 9 + turn + rng.uniform(0, 0.9, R)
    columns = _columns(meeting, turn, hour, rng)
    entry = meeting * DRIVERS + driver
    n = np.where(rng.random(R) < 0.265, 25, 24)
    run = np.repeat(np.arange(R), n)
    lap = np.arange(len(run)) - np.repeat(np.cumsum(n) - n, n) + 2.0
    luck = rng.normal(0, 0.5, DRIVERS)[driver] + rng.normal(0, 0.1, meetings * DRIVERS)[entry]
    level = 15 + columns @ (0.1 * rng.normal(size=columns.shape[1])) + luck
    seconds = (level + rng.normal(0, 0.08, R))[run] + rng.normal(0, 0.22, len(run))
    seconds += 0.2 * np.exp(-(lap - 2) / 3)
    return Season(run, lap, seconds, driver, entry, meeting, hour, columns)


def _columns(
    meeting: Codes, turn: Codes, hour: Array, rng: np.random.Generator
) -> sparse.csr_array:
    """Means and cubic trends of each meeting, session kinds, setup."""
    R = len(meeting)
    own = sparse.csr_array((np.ones(R), (np.arange(R), meeting)))
    scaled = (hour - 13) / 4
    trends = [sparse.diags_array(scaled**power) @ own for power in (1, 2, 3)]
    kinds = np.column_stack([(turn >= 3) & (turn < 6), turn >= 6]).astype(float)
    team = rng.random(R) < 0.2
    setup = (rng.random((R, SETUP_COLUMNS)) < 0.4) * team[:, None]
    columns = [own, *trends, sparse.csr_array(kinds), sparse.csr_array(setup.astype(float))]
    return sparse.csr_array(sparse.hstack(columns, format="csr"))
