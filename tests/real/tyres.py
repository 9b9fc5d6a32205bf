"""Tyres as a setup change whose answer everybody knows: soft is faster than medium than hard."""

from __future__ import annotations

import numpy as np
import pandas as pd

import pipeline
from tests.real.draws import RACE_S, WORTHWHILE_S
from tests.real.races import Races

COMPOUNDS = ("hard", "medium", "soft")
FACTOR = {"name": "tyre", "kind": "category", "levels": list(COMPOUNDS), "reference": "medium"}
# Laps of a stint, as thirds of what there is; named by the words of a condition that the tool has.
LENGTHS = ("low", "medium", "high")


def with_lengths(races: Races) -> pd.DataFrame:
    """The runs with their length (short, middle, long: a third each) in the column `grip`, which is
    a condition of the analysis and is otherwise unknown here."""
    third = pd.qcut(races.runs["laps"], 3, labels=list(LENGTHS)).astype(str)
    return races.runs.assign(grip=third)


def effects(races: Races, drivers: list[str] | None = None) -> pd.DataFrame:
    """`effects` of pace; drivers: the team (default: everybody)."""
    runs = with_lengths(races)
    team = runs["driver"].isin(drivers) if drivers else True
    runs = runs.assign(team=team, tyre=runs["tyre"].where(runs["tyre"] != ""))
    columns = ["meeting", "date", "session", "session_kind", "driver", "team", "run_no", "start"]
    found = pipeline.analyse(
        runs[[*columns, "grip", "tyre"]], races.laps[["run", "lap", "lap_s"]], [FACTOR],
        outcomes=["pace"], conditions=["grip"], race_seconds=RACE_S, worthwhile_s=WORTHWHILE_S,
        by_driver=False,
    )  # fmt: skip
    return found.effects


def study(races: Races, seed: int, teams: int = 3) -> pd.DataFrame:
    """Pace of hard and soft against medium: everybody as the team, and teams of four by lot.

    Columns: team, level, condition, estimate, ci_low, ci_high, verdict, n_runs.
    """
    chance = np.random.default_rng([seed, 4])
    everybody = sorted(set(races.runs["driver"]))
    parts = [effects(races).assign(team="all drivers")]
    for number in range(1, teams + 1):
        four = [str(name) for name in chance.choice(everybody, 4, replace=False)]
        parts.append(effects(races, four).assign(team=f"four drivers, {number}"))
    columns = ["team", "level", "condition", "estimate", "ci_low", "ci_high", "verdict", "n_runs"]
    return pd.concat(parts, ignore_index=True)[columns]
