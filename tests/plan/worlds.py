"""Simulated test days: smooth grip of unknown size, drivers, run-to-run luck, laps."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.plan.request import Components
from pipeline.tables.records import SeasonData
from pipeline.team.factors import Factor

FIRST_HOUR, BETWEEN_RUNS, LAP_S = 9.5, 0.75, 15.0
GAIN_S = (-0.2, 1.0)


def smooth_grip(days: int, runs: int, chance: np.random.Generator) -> np.ndarray:
    """(days, runs) grip in s a lap: its gain over the day drawn from nothing to a second.

    Three shapes in equal parts: fast at first and flattening; to and fro with the sun; a straight
    line with a slow wave of unknown length.
    """
    u = np.linspace(0, 1, runs)
    gain = chance.uniform(*GAIN_S, days)[:, None]
    rate = chance.uniform(0.5, 4, days)[:, None]
    turn = chance.uniform(0.3, 0.9, days)[:, None]
    wave = 0.1 * np.sin(np.pi * u * chance.uniform(0.5, 2, days)[:, None] + 2 * np.pi * turn)
    shapes = [
        -gain * (1 - np.exp(-rate * u)) / (1 - np.exp(-rate)),
        gain * ((u - turn) ** 2 / np.maximum(turn, 1 - turn) ** 2),
        -gain * u + wave,
    ]
    return np.choose(chance.integers(3, size=days)[:, None], shapes)


def run_means(
    order: np.ndarray, grip: np.ndarray, components: Components, chance: np.random.Generator
) -> np.ndarray:
    """(days, drivers * runs) mean clean laps less the setting's effect, driver by driver."""
    drivers, runs = order.shape
    driver = chance.normal(0, 0.3, (len(grip), drivers, 1))
    luck = chance.normal(0, np.sqrt(components.run_variance), (len(grip), drivers, runs))
    return (grip[:, None, :] + driver + luck).reshape(len(grip), drivers * runs)


def season_of_one_day(
    order: np.ndarray,
    grip: np.ndarray,
    components: Components,
    chance: np.random.Generator,
) -> SeasonData:
    """A day as the season's analysis takes it, with all its laps.

    order: (drivers, runs) numbers of levels; grip: (runs,) s a lap. Every lap is clean.
    """
    drivers, runs = order.shape
    laps = int(components.clean_laps)
    means = run_means(order, grip[None], Components(0, components.run_sd_s, 0, 1), chance)[0]
    lap_s = LAP_S + means[:, None] + chance.normal(0, components.lap_sd_s, (len(means), laps))
    run = np.tile(np.arange(runs), drivers)
    names = tuple("ABCDE"[: order.max() + 1])
    levels = np.array(names)[order.reshape(-1)]
    frame = pd.DataFrame(
        {
            "meeting": "test-day",
            "date": "2026-03-14",
            "class": "",
            "session": [f"Run {number + 1}" for number in run],
            "session_kind": "test",
            "heat": "",
            "driver": [f"Driver {number}" for number in np.repeat(np.arange(drivers), runs)],
            "team": True,
            "run_no": run + 1,
            "hour": FIRST_HOUR + BETWEEN_RUNS * run,
            "hour_known": True,
            "start": None,
            "surface": "carpet",
            "grip": None,
            "excluded": None,
            "bar": levels,
        }
    )
    table = pd.DataFrame(
        {
            "run": np.repeat(np.arange(len(means)), laps),
            "lap": np.tile(np.arange(2, laps + 2), len(means)),
            "lap_s": lap_s.reshape(-1),
            "status": "clean",
        }
    )
    factor = Factor("bar", "Bar", "category", names, "A")
    return SeasonData(frame, table, (factor,))
