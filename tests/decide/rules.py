"""What others would fit: simple rules, each picking a value of every factor at each grip."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from tests.decide.season import Season
from tests.decide.world import Factor, World

GOOD = {"faster", "fewer"}
BAD = {"slower", "more"}
JUDGED = ("pace", "mistakes", "race")


def picks(world: World, data: Season, effects: pd.DataFrame, word: str) -> dict[str, list[int]]:
    """Rule -> place of the value it picks of each factor of the world."""
    table = team_runs(data)
    here = table[table["grip"] == word]
    rules: dict[str, Callable[[Factor], int]] = {
        "reference": lambda factor: factor.reference,
        "best laps": lambda factor: best_laps(here, factor),
        "t test on laps": lambda factor: t_test(data.laps, here, factor),
        "shown": lambda factor: shown(effects, factor, "all"),
        "shown by grip": lambda factor: shown(effects, factor, f"grip={word}"),
        "better by grip": lambda factor: better(effects, factor, f"grip={word}"),
    }
    return {name: [rule(factor) for factor in world.factors] for name, rule in rules.items()}


def team_runs(data: Season) -> pd.DataFrame:
    """The team's runs with their best lap against the driver's mean of best laps that day."""
    runs = data.runs.assign(best=data.laps.groupby("run")["lap_s"].min())
    team = runs[runs["team"]]
    day = team.groupby(["driver", "meeting"])["best"].transform("mean")
    return team.assign(best=team["best"] - day)


def best_laps(here: pd.DataFrame, factor: Factor) -> int:
    """The value with the best mean of best laps; the reference where none was run."""
    means = here.groupby(here[factor.name].astype(object))["best"].mean()
    return factor.values.index(means.idxmin()) if len(means) else factor.reference


def t_test(laps: pd.DataFrame, here: pd.DataFrame, factor: Factor) -> int:
    """Welch's test on laps without outliers, against the driver's mean of the day, at 5 %."""
    joined = laps[laps["lap"] > 1].merge(
        here[["driver", "meeting", factor.name]], left_on="run", right_index=True
    )
    day = joined.groupby(["driver", "meeting"])["lap_s"]
    joined["off"] = joined["lap_s"] - day.transform("median")
    clean = joined[joined["off"].abs() < 2]
    groups = dict(list(clean.groupby(clean[factor.name].astype(object))["off"]))
    reference = groups.pop(factor.values[factor.reference], None)
    if reference is None:
        return factor.reference
    tests = {
        value: stats.ttest_ind(off, reference, equal_var=False) for value, off in groups.items()
    }
    won = {v: t.statistic for v, t in tests.items() if t.pvalue < 0.05 and t.statistic < 0}
    return factor.values.index(min(won, key=won.__getitem__)) if won else factor.reference


def shown(effects: pd.DataFrame, factor: Factor, condition: str) -> int:
    """What the verdicts show to be better in something and worse in nothing.

    A number goes to the end of its range to which a step is shown to be better.
    """
    rows = effects[effects["condition"].eq(condition) & effects["factor"].eq(factor.name)]
    words = set(rows.loc[rows["outcome"].isin(JUDGED), "verdict"])
    gained = bool(words & GOOD) - bool(words & BAD)
    if factor.is_number:
        return {1: len(factor.values) - 1, 0: factor.reference, -1: 0}[gained]
    return 1 if gained == 1 else factor.reference


def better(effects: pd.DataFrame, factor: Factor, condition: str) -> int:
    """The better estimate over a race, shown or not."""
    rows = effects[effects["condition"].eq(condition) & effects["factor"].eq(factor.name)]
    estimate = rows.loc[rows["outcome"].eq("race"), "estimate"]
    if not len(estimate) or not np.isfinite(float(estimate.iloc[0])):
        return factor.reference
    faster = float(estimate.iloc[0]) < 0
    if factor.is_number:
        return len(factor.values) - 1 if faster else 0
    return int(faster)


def place_of(factor: Factor, level: Any) -> int:
    """Where a level of a result table stands among the values of the world."""
    return factor.values.index(float(level)) if factor.is_number else factor.values.index(level)
