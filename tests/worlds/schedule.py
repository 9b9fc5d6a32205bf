"""Who runs when: meetings, rounds, heats, and every driver's runs in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.worlds.parameters import GRIP_WORDS, Parameters

KINDS = ("practice", "qualifying", "final", "test")
PRACTICE, QUALIFYING, FINAL, TEST = range(4)
OPENS, HOURS, LUNCH = 9.0, 8.0, 4.0
GAP_H = 2 / 60  # between two heats

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Schedule:
    """The meetings' rounds and, a place a run, who ran where.

    `kind` (R,) of each round; `hour` (M, R) after opening; `laps`, `lap_s`, `word` and `surface`
    (M,); `round_word` (M, R). Of each run, in order of meeting, round and heat: meeting, driver
    (the cars first, then the rivals), round, heat, start (hours after opening), scheduled laps.
    """

    kind: Integers
    hour: Floats
    laps: Integers
    lap_s: Floats
    surface: Integers
    round_word: Integers
    meeting: Integers
    driver: Integers
    round: Integers
    heat: Integers
    start: Floats
    scheduled: Integers

    def of_team(self, cars: int) -> Flags:
        return self.driver < cars

    def take(self, rows: Integers | Flags) -> Schedule:
        """The same meetings with some of the runs."""
        names = ("meeting", "driver", "round", "heat", "start", "scheduled")
        return Schedule(**{**vars(self), **{name: getattr(self, name)[rows] for name in names}})


def schedule(p: Parameters, rng: Generator) -> Schedule:
    """All runs that were planned; those that were missed are taken out later."""
    heats = max(1, -(-(p.cars + p.rivals) // p.heat_size))
    lap_s = p.lap_s * np.exp(rng.normal(0, p.layout_sd, p.meetings))
    laps = np.clip(np.round(p.laps * p.lap_s / lap_s), 8, 44).astype(np.int64)
    hour = _hours(p, rng, heats)
    meeting, driver, round_, heat = _entries(p, rng, heats)
    start = hour[meeting, round_] + heat * _slot(p)
    order = np.lexsort((driver, start, meeting))
    return Schedule(
        kind=_kinds(p),
        hour=hour,
        laps=laps,
        lap_s=lap_s,
        surface=np.arange(p.meetings) % p.surfaces,
        round_word=_words(p, rng),
        meeting=meeting[order],
        driver=driver[order],
        round=round_[order],
        heat=heat[order],
        start=start[order],
        scheduled=laps[meeting[order]] - rng.integers(0, 2, len(order)),
    )


def _slot(p: Parameters) -> float:
    """Hours from one heat's start to the next one's."""
    return p.laps * p.lap_s / 3600 + GAP_H


def _hours(p: Parameters, rng: Generator, heats: int) -> Floats:
    interval = max(HOURS / p.runs, heats * _slot(p))
    late = rng.uniform(0, 0.1, (p.meetings, p.runs)) * interval
    return np.arange(p.runs) * interval + late


def _kinds(p: Parameters) -> Integers:
    """A third practice, a quarter finals, qualifying between."""
    if p.test_day:
        return np.full(p.runs, TEST)
    place = np.arange(p.runs) / p.runs
    return np.where(place < 0.33, PRACTICE, np.where(place < 0.74, QUALIFYING, FINAL))


def _words(p: Parameters, rng: Generator) -> Integers:
    """The grip word of every round: the meeting's, or each session's own."""
    if p.session_words:
        return rng.choice(len(GRIP_WORDS), (p.meetings, p.runs), p=p.grip_words)
    word = rng.choice(len(GRIP_WORDS), p.meetings, p=p.grip_words)
    if p.words_in_turn:
        word = np.resize(np.flatnonzero(p.grip_words), p.meetings)
    return np.repeat(word[:, None], p.runs, axis=1)


def _entries(p: Parameters, rng: Generator, heats: int) -> tuple[Integers, ...]:
    parts = [_meeting_entries(p, rng, heats, meeting) for meeting in range(p.meetings)]
    return tuple(np.concatenate(columns) for columns in zip(*parts, strict=True))


def _meeting_entries(p: Parameters, rng: Generator, heats: int, meeting: int) -> list[Integers]:
    cars = np.flatnonzero(rng.random(p.cars) < p.attendance)
    cars = cars if len(cars) else rng.integers(0, p.cars, 1)
    rivals = p.cars + rng.choice(p.pool, p.rivals, replace=False)
    drivers = np.concatenate([cars, rivals]).astype(np.int64)
    draws = [_heats(p, rng, heats, drivers) for _ in range(p.runs if p.heats_redrawn else 1)]
    heat = np.resize(np.array(draws), (p.runs, len(drivers)))
    round_ = np.repeat(np.arange(p.runs), len(drivers))
    return [np.full(heat.size, meeting), np.tile(drivers, p.runs), round_, heat.ravel()]


def _heats(p: Parameters, rng: Generator, heats: int, drivers: Integers) -> Integers:
    heat = rng.permutation(len(drivers)) % heats
    if p.team_together:
        heat = np.where(drivers < p.cars, rng.integers(heats), heat)
    return heat
