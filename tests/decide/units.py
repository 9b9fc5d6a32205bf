"""The same season with its numbers typed in another unit: what is said of it differently."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from tests.decide.record import Record, analysed, text
from tests.decide.season import Season
from tests.decide.world import World

UNITS = (1000.0, 0.001)
NUMBERS = {
    "choices": ("chance_best", "gain_s", "gain_low", "gain_high", "loss_s"),
    "switchovers": ("at", "low", "high"),
    "tests": ("worth_s", "chance_to_change"),
}
PLACES = ("best", "low", "high")  # of best_values, in the unit


def in_unit(world: World, data: Season, factor: float) -> Season:
    """The season with all numbers typed in another unit, to as many digits as they need."""
    numbers = [f.name for f in world.factors if f.is_number]
    runs = data.runs.assign(**{name: (data.runs[name] * factor).round(9) for name in numbers})
    described = [
        d | {"reference": round(d["reference"] * factor, 9)} if d["name"] in numbers else d
        for d in data.factors
    ]
    return Season(runs, data.laps, described, data.table)


def differences(world: World, data: Season, found: Any, factor: float) -> Record:
    """How many verdicts and pieces of advice differ, and by how much any number, at most."""
    other = analysed(in_unit(world, data, factor))
    away = [
        apart(getattr(found, table)[[*columns]], getattr(other, table)[[*columns]])
        for table, columns in NUMBERS.items()
    ]
    places = [table.best_values[[*PLACES]].astype(float) for table in (found, other)]
    away.append(apart(places[0], places[1] / factor))
    return {
        "factor": factor,
        "verdicts": unlike(found.effects["verdict"], other.effects["verdict"]),
        "advice": unlike(found.choices["advice"], other.choices["advice"]),
        "numbers": max(away),
    }


def unlike(first: pd.Series, second: pd.Series) -> int:
    """Rows that do not say the same; all where there are more of the one."""
    if len(first) != len(second):
        return max(len(first), len(second))
    return int((text(first).to_numpy() != text(second).to_numpy()).sum())


def apart(first: pd.DataFrame, second: pd.DataFrame) -> float:
    """The largest difference, relative where a number is above 1; infinite where one is missing."""
    if first.shape != second.shape:
        return np.inf
    one, two = first.to_numpy(float), second.to_numpy(float)
    if (np.isnan(one) != np.isnan(two)).any():
        return np.inf
    away = np.abs(one - two) / np.maximum(np.abs(one), 1)
    return float(np.nan_to_num(away).max(initial=0.0))
