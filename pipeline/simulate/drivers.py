"""Drivers: how fast, how repeatable, how safe, and how much they depend on their car."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.simulate.calendar import MAIN_CLASS
from pipeline.simulate.names import full_names

TEAM_RANKS = (0.05, 0.55)  # a team's drivers are in the faster half of a field


@dataclass(frozen=True)
class Driver:
    """skill: share of a lap slower than the best; lap_sd: s, with the kit's car at grip 1;
    crash_rate: crashes a lap; feel: dependence on the car; learning: s a lap that the first run
    on a new layout costs; transponders by class."""

    name: str
    transponders: dict[str, str]
    team: bool
    skill: float
    lap_sd: float
    crash_rate: float
    feel: float
    learning: float

    @property
    def classes(self) -> tuple[str, ...]:
        return tuple(self.transponders)


def make_field(
    count: int, team: int, rng: np.random.Generator, taken: tuple[str, ...] = ()
) -> list[Driver]:
    """`count` drivers of the main class, the first `team` of them the team's.

    Lap SD goes from about 0.11 s at the front to 0.33 s at the back; slower drivers crash more.
    """
    ranks = np.concatenate(
        [np.linspace(*TEAM_RANKS, team), rng.permutation(np.linspace(0.0, 1.0, count - team))]
    )
    names = full_names(count, rng, taken)
    numbers = rng.choice(np.arange(1_000_000, 9_999_999), count, replace=False)
    return [
        _driver(name, str(number), rank, place < team, rng)
        for place, (name, number, rank) in enumerate(zip(names, numbers, ranks, strict=True))
    ]


def _driver(
    name: str, transponder: str, rank: float, team: bool, rng: np.random.Generator
) -> Driver:
    return Driver(
        name=name,
        transponders={MAIN_CLASS: transponder},
        team=team,
        skill=0.005 + 0.075 * rank**1.3 + rng.normal(0.0, 0.003),
        lap_sd=0.11 * 3.0**rank * np.exp(rng.normal(0.0, 0.10)),
        crash_rate=0.012 * 3.5**rank * np.exp(rng.normal(0.0, 0.15)),
        feel=0.75 + 0.5 * rank,
        learning=0.10 + 0.25 * rank,
    )
