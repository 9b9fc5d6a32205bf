"""Seasons of a small team drawn at random: laps of a field on days whose grip moves, a few
two-level settings whose effects differ from meeting to meeting and from season to season.

Shares no code with the package but the record that a season is handed over in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.tables.records import SeasonData
from pipeline.team.factors import Factor

RIVALS, ROUNDS, LAPS = 6, 8, 10
RUN_SD, LAP_SD, DRIVER_SD = 0.08, 0.20, 0.30


@dataclass(frozen=True)
class Kind:
    """cars: of the team. factors: how many settings are tried at once. between_meetings, before: SD
    of an effect between the meetings of this season, and of earlier ones, s. between_seasons: the
    same between seasons. earlier: seasons before, of six meetings each."""

    cars: int = 4
    factors: int = 1
    between_meetings: float = 0.0
    before: float | None = None
    between_seasons: float = 0.02
    earlier: int = 0
    meetings: int = 6


@dataclass(frozen=True)
class World:
    """seasons: oldest first, the present one last. truth: (factors,) its effects, s a lap."""

    seasons: tuple[SeasonData, ...]
    truth: np.ndarray


def world(kind: Kind, rng: np.random.Generator) -> World:
    usual = rng.normal(0, 0.08, kind.factors)
    seasons, effects = [], usual
    for number in range(kind.earlier + 1):
        is_present = number == kind.earlier
        effects = usual + rng.normal(0, kind.between_seasons, kind.factors)
        sd = kind.between_meetings if is_present or kind.before is None else kind.before
        meetings = kind.meetings if is_present else 6
        at = effects + rng.normal(0, sd, (meetings, kind.factors))
        seasons.append(_season(f"{2020 + number}", at, kind.cars, rng))
    return World(tuple(seasons), effects)


def _season(year: str, at: np.ndarray, cars: int, rng: np.random.Generator) -> SeasonData:
    """at: (meetings, factors) effects."""
    meetings, factors = at.shape
    drivers = cars + RIVALS
    shape = meetings, drivers, ROUNDS
    meeting, driver, turn = (each.ravel() for each in np.indices(shape))
    team = driver < cars
    on = _orders(meetings, drivers, factors, rng).reshape(-1, factors)
    hour = 9 + 0.75 * turn + 0.02 * driver
    gain = rng.uniform(-0.8, 0.1, meetings)[meeting] * (hour - 9) / 6
    bend = rng.normal(0, 0.1, meetings)[meeting] * np.sin((hour - 9) / 2)
    own = rng.normal(0, DRIVER_SD, drivers)[driver]
    own += rng.normal(0, 0.05, (meetings, drivers))[meeting, driver]
    mean = 15 + gain + bend + own + rng.normal(0, RUN_SD, len(team))
    mean += np.where(team, (on * at[meeting]).sum(axis=1), rng.normal(0, 0.03, len(team)))
    lap_s = mean[:, None] + rng.normal(0, LAP_SD, (len(team), LAPS))
    return SeasonData(
        runs=_runs(year, meeting, driver, turn, team, hour, on),
        laps=pd.DataFrame({
            "run": np.repeat(np.arange(len(team)), LAPS),
            "lap": np.tile(np.arange(2, LAPS + 2), len(team)),
            "lap_s": lap_s.ravel(), "status": "clean",
        }),
        factors=tuple(_factor(number) for number in range(factors)),
    )  # fmt: skip


def _orders(meetings: int, drivers: int, factors: int, rng: np.random.Generator) -> np.ndarray:
    """Half of each driver's runs at a meeting with each setting, in random order."""
    half = np.arange(ROUNDS) % 2
    draws = rng.random((meetings, drivers, factors, ROUNDS)).argsort(axis=-1)
    return np.moveaxis(half[draws], 2, 3).astype(float)


def _runs(
    year: str, meeting: np.ndarray, driver: np.ndarray, turn: np.ndarray, team: np.ndarray,
    hour: np.ndarray, on: np.ndarray,
) -> pd.DataFrame:  # fmt: skip
    days = np.array(
        [f"{year}-{2 + m % 10:02d}-{1 + m // 10:02d}" for m in range(meeting.max() + 1)]
    )
    rounds = np.array([f"round {n + 1}" for n in range(ROUNDS)])
    settings = {
        f"part{f}": pd.Series(np.where(team, np.where(on[:, f] > 0, "b", "a"), None), dtype="str")
        for f in range(on.shape[1])
    }
    names = np.array([f"driver {n}" for n in range(driver.max() + 1)])
    return pd.DataFrame({
        "meeting": days[meeting], "date": days[meeting], "class": "", "session": rounds[turn],
        "session_kind": "test", "heat": "", "driver": names[driver], "team": team,
        "run_no": turn + 1, "hour": hour, "hour_known": True, "start": "", "surface": "carpet",
        "grip": "high", "excluded": pd.Series([None] * len(team), dtype="str"), **settings,
    })  # fmt: skip


def _factor(number: int) -> Factor:
    name = f"part{number}"
    return Factor(name, name, "category", ("a", "b"), "a")
