"""One world: the frames that `pipeline.analyse` takes, and the truth about them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.random import Generator

from tests.worlds.frames import laps_frame, runs_frame
from tests.worlds.laps import Laps, draw_laps, draw_noise
from tests.worlds.orders import planned_levels
from tests.worlds.parameters import Factor, Parameters
from tests.worlds.people import draw_people, draw_runs
from tests.worlds.schedule import schedule
from tests.worlds.settings import added, choose_adaptively, draw_effects, settings
from tests.worlds.truth import truth_frame


@dataclass(frozen=True)
class World:
    """`runs`, `laps`, `factors` as `pipeline.analyse` takes them; `truth` as `truth.COLUMNS`."""

    runs: pd.DataFrame
    laps: pd.DataFrame
    factors: list[dict[str, Any]]
    truth: pd.DataFrame
    parameters: Parameters

    @property
    def race_seconds(self) -> float:
        return self.parameters.race_seconds


def world(p: Parameters, rng: Generator) -> World:
    """Draw everything that `p` leaves to luck."""
    planned = schedule(p, rng)
    s = planned.take(rng.random(len(planned.driver)) >= p.missing)
    people = draw_people(p, rng)
    runs = draw_runs(p, s, people, rng)
    effects = draw_effects(p, rng)
    noise = draw_noise(p, s, rng)
    seen = runs.base + runs.lap_sd * noise.mean(axis=1)
    levels = choose_adaptively(p, s, effects, planned_levels(p, s, rng), seen, rng)
    chosen = settings(p, s, effects, levels)
    gained = added(s, effects, chosen)
    laps = draw_laps(p, s, people, runs, gained, noise, rng)
    frame = runs_frame(p, s, chosen, rng)
    steps = np.array([_steps(factor, frame) for factor in p.factors])
    truth = truth_frame(p, s, effects, chosen, runs, steps)
    frame, laps = _any_order(p, frame, laps, rng)
    return World(frame, laps_frame(p, laps), [f.as_dict() for f in p.factors], truth, p)


def _steps(factor: Factor, runs: pd.DataFrame) -> float:
    """Of the mechanism's steps in one of the table's, which it finds where none is given: the
    smallest difference between two values that each stand in two runs."""
    if factor.kind != "number" or factor.step_given:
        return 1.0
    counts = runs[factor.name].value_counts()
    values = np.sort(counts.index[counts >= 2].to_numpy(dtype=float))
    if len(values) < 2:
        return 1.0
    return float(np.round(np.diff(values).min() / factor.step))


def _any_order(
    p: Parameters, frame: pd.DataFrame, laps: Laps, rng: Generator
) -> tuple[pd.DataFrame, Laps]:
    """Rows of runs in any order; where no starts are known they stay in time."""
    if not p.known_starts:
        return frame, laps
    rows = rng.permutation(len(frame))
    shuffled = {name: getattr(laps, name)[rows] for name in ("seconds", "status", "there")}
    return frame.iloc[rows].reset_index(drop=True), replace(laps, **shuffled)
