"""One heat: the cars lap together for five minutes, in each other's way."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.calendar import RUN_SECONDS
from pipeline.simulate.car import Array, corner_time, cornering_grip, twitchiness
from pipeline.simulate.track import Venue, Weather, lay_rubber, track_grip

Flags = NDArray[np.bool_]

CORNERS = 6
COME_IN, COME_IN_LAPS = 0.014, 1.6  # share of grip missing on cold tyres, laps to warm
FADE, FADE_PER_ROTATION = 0.00050, 0.00050  # share of grip lost a lap
BEST_TYRE_AGE, TYRE_COST, OLD_TYRE_FADE = 1.5, 0.0035, 0.00006
VOLTAGE_SAG = 0.010  # share of straight-line speed lost over the run
ERROR_COST = 0.35  # time lost by a squared deviation, against the deviation itself
SLIP_POWER = 0.55  # slips grow with this power of the car's twitchiness
MARSHAL_SECONDS = (3.0, 10.0)
RETIRE_SHARE = 0.03  # of crashes
FOLLOW_SECONDS = 0.25
PASS_EASE = 0.25  # pace difference (s/lap) at which two of three get by
PASS_SECONDS = (0.04, 0.30)


@dataclass(frozen=True)
class Grid:
    """The cars of a heat, in order of start: all (cars,) but car (draws, cars, properties) and
    offset_s (draws, cars)."""

    car: Array
    skill: Array
    lap_sd: Array
    crash_rate: Array
    feel: Array
    offset_s: Array
    kind: str


@dataclass(frozen=True)
class HeatDraws:
    """All chance of a heat, drawn before it: (draws, cars) and (draws, cars, laps, ...).

    What the drivers fit to their cars changes nothing here: that is what makes the same heat
    comparable with and without an option.
    """

    luck_s: Array
    battery: Array
    start: Array
    corners: Array
    slips: Array
    marshal: Array
    retires: Array
    passes: Array

    @classmethod
    def make(cls, rng: np.random.Generator, draws: int, cars: int, laps: int) -> HeatDraws:
        each = (draws, cars, laps)
        return cls(
            luck_s=rng.normal(0.0, 0.06, (draws, cars)),
            battery=rng.normal(1.0, 0.25, (draws, cars)),
            start=rng.uniform(size=(draws, cars)),
            corners=rng.standard_normal((*each, CORNERS)),
            slips=rng.exponential(size=each),
            marshal=rng.uniform(*MARSHAL_SECONDS, each),
            retires=rng.uniform(size=each),
            passes=rng.uniform(size=each),
        )

    def repeated(self, copies: int) -> HeatDraws:
        """The same chance several times over, one copy after the other."""
        if copies == 1:
            return self
        return HeatDraws(
            **{one.name: np.concatenate([getattr(self, one.name)] * copies) for one in fields(self)}
        )


@dataclass(frozen=True)
class HeatLaps:
    """start_s: first passing, s after the tone (draws, cars); lap_s, lost_s (in traffic),
    crashed: (draws, cars, laps), lap_s NaN where no lap was finished; rubber: (draws,) after."""

    start_s: Array
    lap_s: Array
    lost_s: Array
    crashed: Flags
    rubber: Array


def most_laps(venue: Venue) -> int:
    """No car does more laps than this in a run."""
    return int(RUN_SECONDS / (0.85 * venue.base_lap_s)) + 2


def run_heat(
    venue: Venue,
    weather: Weather,
    hour: float,
    rubber: Array,
    grid: Grid,
    draws: HeatDraws,
    traffic: bool = True,
) -> HeatLaps:
    """Run a heat from `hour`; rubber: (draws,) before it."""
    shape = draws.slips.shape
    start = _start_times(grid.kind, draws.start)
    clock, racing = start.copy(), np.ones(shape[:2], dtype=bool)
    lap_s, lost_s = np.full(shape, np.nan), np.zeros(shape)
    crashed = np.zeros(shape, dtype=bool)
    for lap in range(shape[2]):
        hours = hour + clock.mean(axis=1) / 3600.0
        grip = track_grip(venue, rubber, weather, hours)[:, None]
        free = free_laps(venue, grid, draws, grip, lap)
        crash = racing & _crashes(grid, draws, grip, lap)
        if traffic:
            lost_s[..., lap] = _time_lost(clock, free, racing & ~crash, draws.passes[..., lap])
        time = free + lost_s[..., lap] + np.where(crash, draws.marshal[..., lap], 0.0)
        finished = racing & ~(crash & (draws.retires[..., lap] < RETIRE_SHARE))
        lap_s[..., lap] = np.where(finished, time, np.nan)
        crashed[..., lap] = crash & finished
        clock = clock + np.where(finished, time, 0.0)
        rubber = lay_rubber(venue, rubber, finished.sum(axis=1))
        racing = finished & (clock < RUN_SECONDS)
    return HeatLaps(start, lap_s, lost_s, crashed, rubber)


def _start_times(kind: str, chance: Array) -> Array:
    """Seconds from the tone to the first passing: a free start, a staggered one, a grid."""
    if kind in ("practice", "test"):
        return 2.0 + 18.0 * chance
    gap = 0.4 if kind == "final" else 1.0
    places = np.arange(chance.shape[1])
    return 1.2 + gap * places + 0.3 * chance


def free_laps(venue: Venue, grid: Grid, draws: HeatDraws, grip: Array, lap: int) -> Array:
    """Lap times with nobody in the way and no crash: (draws, cars); grip (draws, 1)."""
    grip_now = cornering_grip(grid.car, grip, venue.roughness_mm) * _tyres(grid.car, lap)
    corners = venue.corner_share * corner_time(grid.car) / np.sqrt(grip_now)
    done = lap * venue.base_lap_s / RUN_SECONDS
    sag = VOLTAGE_SAG * draws.battery * done
    straights = (1.0 - venue.corner_share) * (1.0 + grid.car[..., 3] + sag)
    lap_s = venue.base_lap_s * (1.0 + grid.skill) * (corners + straights)
    wildness = grid.lap_sd * twitchiness(grid.car, grip, grid.feel)
    return lap_s + grid.offset_s + draws.luck_s + wildness * _deviation(draws.corners[:, :, lap])


def _tyres(car: Array, lap: int) -> Array:
    """Share of grip that the tyres give in this lap of the run."""
    rotation, age = car[..., 1], car[..., 5]
    cold = COME_IN * np.exp(-lap / COME_IN_LAPS)
    fade = lap * (FADE + FADE_PER_ROTATION * rotation + OLD_TYRE_FADE * age)
    return 1.0 - cold - fade - TYRE_COST * np.abs(age - BEST_TYRE_AGE) ** 1.5


def _deviation(corners: Array) -> Array:
    """Deviations in the corners (draws, cars, corners) as time, in lap SDs.

    Early or late evens out; a deviation to either side also costs time.
    """
    even = corners.sum(axis=-1) / np.sqrt(CORNERS)
    lost = (corners**2).sum(axis=-1) / np.sqrt(2.0 * CORNERS)
    return np.sqrt(1.0 - ERROR_COST**2) * even + ERROR_COST * lost


def _crashes(grid: Grid, draws: HeatDraws, grip: Array, lap: int) -> Flags:
    """A slip past the driver's reserve is a crash; a twitchy car makes slips larger."""
    reserve = -np.log(grid.crash_rate)
    slip = draws.slips[..., lap] * twitchiness(grid.car, grip, grid.feel) ** SLIP_POWER
    return np.asarray(slip > reserve)


def _time_lost(clock: Array, free: Array, racing: Flags, chance: Array) -> Array:
    """Seconds lost behind slower cars in this lap: (draws, cars).

    A car that is caught before the lap is over holds the follower up, or lets it by at a small
    cost: the larger the difference in pace, the sooner.
    """
    mine, theirs = free[:, :, None], free[:, None, :]
    since = clock[:, :, None] - clock[:, None, :]
    next_crossing = clock[:, None, :] + np.ceil(since / theirs) * theirs
    held = next_crossing + FOLLOW_SECONDS - (clock[:, :, None] + mine)
    quicker = theirs - mine
    caught = (held > 0.0) & (quicker > 0.0) & (held <= quicker + FOLLOW_SECONDS)
    caught &= racing[:, :, None] & racing[:, None, :]
    passed = chance[:, :, None] < 1.0 - np.exp(-quicker / PASS_EASE)
    low, high = PASS_SECONDS
    cost = np.minimum(held, low + (high - low) * chance[:, :, None])
    return np.where(caught, np.where(passed, cost, held), 0.0).max(axis=2)
