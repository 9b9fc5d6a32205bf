"""Heats that are stopped or slowed for everybody; what the rule for neutralised laps finds.

`python -m tests.read.simulated_stops` prints the table of `pipeline.read.neutralised`. Time
stands still, or runs slower, for all cars from one moment to another: a car's lap is longer by what
it spent in it. Accidents are the cars' own and coincide by chance alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipeline.read.neutralised import slow_for_all
from pipeline.read.status import run_centres

USUAL, LAPS = 16.0, 20
Stop = tuple[float, float, float]  # from, seconds, speed left (0: all stand)


@dataclass(frozen=True)
class World:
    """cars a heat, share of laps with an accident (3 to 10 s), spread of the cars' start, s; stops
    as (from, seconds, speed)."""

    cars: int = 10
    crash: float = 0.02
    start: float = 3.0
    stops: tuple[Stop, ...] = field(default_factory=tuple)


@dataclass(frozen=True)
class Heat:
    """run, begin, end, lost (n,): seconds, lost to the stops; opens (n,) bool."""

    run: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    lost: np.ndarray

    @property
    def opens(self) -> np.ndarray:
        return np.append(True, np.diff(self.run) != 0)


def drive(world: World, chance: np.random.Generator) -> Heat:
    """One heat; the first lap is a sixth longer."""
    cars = world.cars
    free = USUAL + 0.4 * chance.standard_normal((cars, 1))
    free = free + chance.uniform(0.1, 0.5, (cars, 1)) * chance.standard_normal((cars, LAPS))
    free[:, 0] += USUAL / 6
    crashed = chance.random((cars, LAPS)) < world.crash
    free = free + crashed * chance.uniform(3, 10, (cars, LAPS))
    starts = chance.uniform(0, world.start, cars)
    # Driven seconds at each crossing, then the clock at which so many could be driven.
    driven = starts[:, None] + np.cumsum(np.hstack([np.zeros((cars, 1)), free]), axis=1)
    clock = _clock(driven, world.stops)
    run = np.repeat(np.arange(cars), LAPS)
    took = np.diff(clock, axis=1)
    return Heat(run, clock[:, :-1].ravel(), clock[:, 1:].ravel(), (took - free).ravel())


def _clock(driven: np.ndarray, stops: tuple[Stop, ...]) -> np.ndarray:
    """The time at which so many seconds were driven at full speed."""
    times, progress = [0.0], [0.0]
    for begin, seconds, speed in stops:
        progress += [progress[-1] + begin - times[-1]]
        times += [begin]
        progress += [progress[-1] + max(seconds * speed, 1e-9)]
        times += [begin + seconds]
    times += [times[-1] + 1e5]
    progress += [progress[-1] + 1e5]
    return np.interp(driven, progress, times)


def called(heat: Heat) -> np.ndarray:
    """(n,) bool: what the rule says of each lap."""
    centre = run_centres(heat.run, heat.end - heat.begin, ~heat.opens).centre
    begin, end = ((1e6 * (x + 60)).astype(np.int64) for x in (heat.begin, heat.end))
    cars = np.arange(len(centre))
    return slow_for_all(np.zeros(len(centre), int), cars, heat.run, begin, end, centre)


def rates(world: World, heats: int, seed: int) -> dict[str, float]:
    """Shares, first laps left out. held: laps that lost more than 7 % to a stop. found: of these.
    false: of the laps that lost nothing. lost_s: mean loss of the laps not found, s."""
    chance = np.random.default_rng(seed)
    flagged, lost = [], []
    for _ in range(heats):
        heat = drive(world, chance)
        flagged.append(called(heat)[~heat.opens])
        lost.append(heat.lost[~heat.opens])
    flag, loss = np.concatenate(flagged), np.concatenate(lost)
    held, free = loss > 0.07 * USUAL, loss < 1e-6
    return {
        "held": float(held.mean()),
        "found": float(flag[held].mean()) if held.any() else float("nan"),
        "false": float(flag[free].mean()),
        "lost_s": float(loss[~flag].mean()),
    }


WORLDS = {
    "no stop": World(),
    "no stop, 5 cars, accidents in 10 % of laps": World(5, crash=0.1),
    "no stop, 8 cars, accidents in 15 %": World(8, crash=0.15),
    "no stop, starts over 20 s": World(start=20.0),
    "all stand for 20 s": World(stops=((120.0, 20.0, 0.0),)),
    "all stand for 60 s": World(stops=((120.0, 60.0, 0.0),)),
    "all stand for 60 s, 5 cars": World(5, stops=((120.0, 60.0, 0.0),)),
    "all stand for 60 s, accidents in 10 %": World(crash=0.1, stops=((120.0, 60.0, 0.0),)),
    "half speed for 60 s": World(stops=((120.0, 60.0, 0.5),)),
    "four fifths of the speed for 90 s": World(stops=((120.0, 90.0, 0.8),)),
    "stopped twice": World(stops=((60.0, 30.0, 0.0), (200.0, 30.0, 0.0))),
    "all stand for 60 s, 4 cars": World(4, stops=((120.0, 60.0, 0.0),)),
}


def main() -> None:
    print(f"{'heats':<44}{'held':>8}{'found':>8}{'false':>9}{'lost, s':>10}")
    for name, world in WORLDS.items():
        found = rates(world, 400, 7)
        print(
            f"{name:<44}{100 * found['held']:>7.1f}%{100 * found['found']:>7.1f}%"
            f"{100 * found['false']:>8.3f}%{found['lost_s']:>10.3f}"
        )


if __name__ == "__main__":
    main()
