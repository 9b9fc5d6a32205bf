"""A season of meetings, run once or many times at once with the same chance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.simulate.calendar import Heat, Meeting, Session
from pipeline.simulate.car import PROPERTIES, STANDARD, Array, SetupFactor, build
from pipeline.simulate.drivers import Driver
from pipeline.simulate.heat import Flags, Grid, HeatDraws, HeatLaps, most_laps, run_heat

Settings = Mapping[int, Mapping[str, str]]  # run of the team -> factor -> value

FORM_SD = 0.08  # s a lap, of a driver at a meeting
RIVAL_CAR_SD = np.array([0.30, 0.20, 0.004, 0.002, 0.15, 0.0])
RIVAL_TWEAK_SD = RIVAL_CAR_SD * 0.3
RIVAL_SET_RUNS = 6

# Streams of chance, kept apart by their first number.
FORM, RIVALS, HEATS = 1, 2, 3


@dataclass(frozen=True)
class Run:
    """One car in one heat: places in World.meetings, its sessions and their heats."""

    meeting: int
    session: int
    heat: int
    driver: int
    run_no: int


@dataclass(frozen=True)
class World:
    """All that is fixed before the season starts; `seed` fixes its chance."""

    meetings: tuple[Meeting, ...]
    drivers: tuple[Driver, ...]
    factors: Mapping[str, SetupFactor]
    seed: int = 1
    traffic: bool = True

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """Every run of the season in order of time; run_no counts per class and meeting."""
        runs, count = [], dict[tuple[int, str, int], int]()
        for m, meeting in enumerate(self.meetings):
            for s, session in enumerate(meeting.sessions):
                for h, heat in enumerate(session.heats):
                    for driver in heat.drivers:
                        key = (m, session.racing_class, driver)
                        count[key] = count.get(key, 0) + 1
                        runs.append(Run(m, s, h, driver, count[key]))
        return tuple(runs)

    @cached_property
    def team_runs(self) -> tuple[int, ...]:
        """Numbers in `runs` of the team's runs."""
        return tuple(r for r, run in enumerate(self.runs) if self.drivers[run.driver].team)

    def session(self, run: Run) -> Session:
        return self.meetings[run.meeting].sessions[run.session]

    def heat(self, run: Run) -> Heat:
        return self.session(run).heats[run.heat]


@dataclass(frozen=True)
class WorldLaps:
    """What happened. start_s: first passing in seconds of the day (draws, runs); lap_s, lost_s,
    crashed: (draws, runs, laps), lap_s NaN where no lap was finished."""

    start_s: Array
    lap_s: Array
    lost_s: Array
    crashed: Flags

    def part(self, rows: slice) -> WorldLaps:
        """Some of the draws."""
        return WorldLaps(
            self.start_s[rows], self.lap_s[rows], self.lost_s[rows], self.crashed[rows]
        )

    @property
    def clean(self) -> Flags:
        """Laps that nothing disturbed: not the first, no crash, no time lost in traffic."""
        clean = ~np.isnan(self.lap_s) & ~self.crashed & (self.lost_s < 0.02)
        clean[..., 0] = False
        return clean


def run(world: World, settings: Settings, draws: int = 1) -> WorldLaps:
    """Run the season `draws` times at once, each with its own chance.

    settings: for each run of the team the value of each factor. The chance depends on the
    world's seed and the number of draws only, so two calls differ by the settings alone.
    """
    return run_many(world, [settings], draws)[0]


def run_many(world: World, several: Sequence[Settings], draws: int = 1) -> list[WorldLaps]:
    """The same season for each of several settings, all with the same chance.

    The same as `run` for each, but side by side in the same arrays, which takes little longer
    than one.
    """
    cars = np.array([_cars(world, settings) for settings in several])
    most = max(most_laps(meeting.venue) for meeting in world.meetings)
    shape = (len(several) * draws, len(world.runs), most)
    out = WorldLaps(
        np.zeros(shape[:2]), np.full(shape, np.nan), np.zeros(shape), np.zeros(shape, dtype=bool)
    )
    first = 0
    for m in range(len(world.meetings)):
        first = _run_meeting(world, m, cars, draws, out, first)
    return [out.part(slice(n * draws, (n + 1) * draws)) for n in range(len(several))]


def _run_meeting(world: World, m: int, cars: Array, draws: int, out: WorldLaps, first: int) -> int:
    """Fill in the meeting's runs, which start at `first`; returns where the next one's start.

    cars: (settings, runs, properties).
    """
    meeting = world.meetings[m]
    rng = np.random.default_rng([world.seed, FORM, m])
    form = rng.normal(0.0, FORM_SD, (draws, len(world.drivers)))
    rubber, day = np.full(len(cars) * draws, meeting.venue.laid_before), 0
    for s, session in enumerate(meeting.sessions):
        if session.day != day:
            rubber, day = rubber * meeting.venue.overnight, session.day
        for h, heat in enumerate(session.heats):
            rows = slice(first, first + len(heat.drivers))
            rng = np.random.default_rng([world.seed, HEATS, m, s, h])
            laps = _run_one(world, rows, cars[:, rows], form, rubber, rng)
            _store(out, rows, heat, laps)
            rubber, first = laps.rubber, rows.stop
    return first


def _run_one(
    world: World, rows: slice, cars: Array, form: Array, rubber: Array, rng: np.random.Generator
) -> HeatLaps:
    """One heat; cars: (settings, cars, properties), form: (draws, drivers)."""
    runs, copies, draws = world.runs[rows], len(cars), len(form)
    session, heat = world.session(runs[0]), world.heat(runs[0])
    meeting = world.meetings[runs[0].meeting]
    drivers = [world.drivers[run.driver] for run in runs]
    learning = [
        driver.learning * np.exp(-(run.run_no - 1) / 1.5)
        for driver, run in zip(drivers, runs, strict=True)
    ]
    offset = form[:, [run.driver for run in runs]] + np.array(learning)
    grid = Grid(
        car=np.repeat(cars, draws, axis=0),
        skill=np.array([driver.skill for driver in drivers]),
        lap_sd=np.array([driver.lap_sd for driver in drivers]),
        crash_rate=np.array([driver.crash_rate for driver in drivers]),
        feel=np.array([driver.feel for driver in drivers]),
        offset_s=np.concatenate([offset] * copies),
        kind=session.kind,
    )
    chance = HeatDraws.make(rng, draws, len(runs), most_laps(meeting.venue)).repeated(copies)
    weather = meeting.weather[session.day]
    return run_heat(meeting.venue, weather, heat.start, rubber, grid, chance, traffic=world.traffic)


def _store(out: WorldLaps, rows: slice, heat: Heat, laps: HeatLaps) -> None:
    out.start_s[:, rows] = heat.start * 3600.0 + laps.start_s
    width = laps.lap_s.shape[2]
    out.lap_s[:, rows, :width] = laps.lap_s
    out.lost_s[:, rows, :width] = laps.lost_s
    out.crashed[:, rows, :width] = laps.crashed


def _cars(world: World, settings: Settings) -> Array:
    """Each run's car: (runs, properties)."""
    cars = _rival_cars(world)
    for r in world.team_runs:
        cars[r] = build(world.factors, settings[r])
    return cars


def _rival_cars(world: World) -> Array:
    """Rivals' cars: nobody knows their setups; they change from meeting to meeting and a little
    from run to run."""
    cars = np.empty((len(world.runs), len(PROPERTIES)))
    rng = np.random.default_rng([world.seed, RIVALS])
    shape = (len(world.meetings), len(world.drivers), len(PROPERTIES))
    base = STANDARD + RIVAL_CAR_SD * rng.standard_normal(shape)
    tweaks = RIVAL_TWEAK_SD * rng.standard_normal(cars.shape)
    for r, one in enumerate(world.runs):
        cars[r] = base[one.meeting, one.driver] + tweaks[r]
        cars[r, 5] = (one.run_no + one.driver) % RIVAL_SET_RUNS
    return cars


def with_level(
    world: World, settings: Settings, factor: str, values: Sequence[str]
) -> dict[int, dict[str, str]]:
    """The same settings with the factor at `values`, one for each of the team's runs."""
    return {
        r: {**settings[r], factor: value} for r, value in zip(world.team_runs, values, strict=True)
    }
