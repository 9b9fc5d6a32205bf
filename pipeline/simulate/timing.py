"""What the timing makes of the laps: passings in milliseconds, missed, counted twice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.car import Array
from pipeline.simulate.world import WorldLaps

MISSED_SHARE = 0.003
DOUBLE_SHARE = 0.0015
DOUBLE_SECONDS = (0.3, 1.6)


@dataclass(frozen=True)
class Timed:
    """passings: of each run, seconds of the day in whole ms, the first one starts lap 1;
    missed, doubled: how many passings the loop missed and counted twice in it."""

    passings: tuple[Array, ...]
    missed: Array
    doubled: Array

    def laps(self, run: int) -> Array:
        return np.diff(self.passings[run])


def timed(laps: WorldLaps, rng: np.random.Generator | None, draw: int = 0) -> Timed:
    """The passings of one draw; without faults if rng is None."""
    passings, missed, doubled = [], [], []
    for start, lap_s in zip(laps.start_s[draw], laps.lap_s[draw], strict=True):
        exact = start + np.concatenate([[0.0], np.cumsum(lap_s[~np.isnan(lap_s)])])
        seen, twice = exact, np.empty(0)
        if rng is not None:
            seen, twice = _faults(exact, rng)
        passings.append(np.round(np.sort(np.concatenate([seen, twice])), 3))
        missed.append(len(exact) - len(seen))
        doubled.append(len(twice))
    return Timed(tuple(passings), np.array(missed), np.array(doubled))


def _faults(exact: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """The first and last passing of a run are always seen."""
    chance = rng.uniform(size=(2, len(exact)))
    chance[:, [0, -1]] = 1.0
    seen = exact[chance[0] >= MISSED_SHARE]
    twice = exact[chance[1] < DOUBLE_SHARE]
    return seen, twice + rng.uniform(*DOUBLE_SECONDS, len(twice))
