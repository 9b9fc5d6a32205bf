"""Heats with random laps, and the exports that tell of them in one way or another."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from pathlib import Path

NAMES = ("Ann Arbor", "Bo Burg", "Cy Coe", "Di Dell", "Ed Eck", "Flo Fenn", "Gus Gray", "Hal Hue")
NUMBERS = {name: str(101 + place) for place, name in enumerate(NAMES)}


@dataclass(frozen=True)
class Heat:
    """A heat as it was: laps of each driver in seconds, start in seconds since midnight."""

    name: str
    start: float
    cars: dict[str, list[float]] = field(default_factory=dict)
    racing_class: str = ""

    def until(self, moment: float) -> Heat:
        """What an export of that moment has of it."""
        cars = {
            name: [lap for lap, at in zip(laps, accumulate(laps), strict=True)
                   if self.start + at <= moment]
            for name, laps in self.cars.items()
        }  # fmt: skip
        return replace(self, cars={name: laps for name, laps in cars.items() if laps})

    def without(self, *drivers: str) -> Heat:
        return replace(self, cars={n: laps for n, laps in self.cars.items() if n not in drivers})


def heat(
    draw: random.Random,
    name: str,
    start: float,
    drivers: Iterable[str] = NAMES[:4],
    laps: tuple[int, int] = (12, 18),
) -> Heat:
    """A heat of laps of about 16 s, to the thousandth."""
    cars = {}
    for driver in drivers:
        pace = draw.uniform(15.2, 17.5)
        count = draw.randint(*laps)
        cars[driver] = [round(draw.gauss(pace, 0.2), 3) for _ in range(count)]
        cars[driver][0] = round(cars[driver][0] + draw.uniform(0.5, 2), 3)
    return Heat(name, start, cars)


def day(draw: random.Random, heats: int, drivers: Sequence[str] = NAMES[:5]) -> list[Heat]:
    """Heats of a day, half an hour apart; each driver is in most of them."""
    names = [f"Practice {n + 1}" if n < 2 else f"Qualifying {n - 1}" for n in range(heats)]
    return [
        heat(draw, name, 9 * 3600 + 1800 * n, draw.sample(drivers, draw.randint(3, len(drivers))))
        for n, name in enumerate(names)
    ]


def clock(seconds: float) -> str:
    micros = round(seconds * 1000)
    hours, rest = divmod(micros, 3_600_000)
    return f"{hours:02}:{rest // 60_000 % 60:02}:{rest / 1000 % 60:06.3f}"


def laps_export(heats: Sequence[Heat], digits: int = 3, times: bool = True) -> str:
    """A row a lap with a column of sessions; the time of day if asked for."""
    head = "Session;Class;Driver;Transponder;Lap;Lap time"
    lines = [head + (";Time of day" if times else "")]
    for each in heats:
        for name, laps in each.cars.items():
            ends = accumulate(laps, initial=each.start)
            next(ends)
            for lap, (seconds, at) in enumerate(zip(laps, ends, strict=True), 1):
                cells = [each.name, each.racing_class, name, NUMBERS[name], str(lap)]
                cells += [f"{seconds:.{digits}f}", *([clock(at)] if times else [])]
                lines.append(";".join(cells))
    return "\n".join(lines) + "\n"


def passings_export(heats: Sequence[Heat]) -> str:
    """A row a crossing, of numbers alone; the first of each car is the start."""
    rows = []
    for each in heats:
        for name, laps in each.cars.items():
            rows += [(at, NUMBERS[name]) for at in accumulate(laps, initial=each.start)]
    lines = [f"{clock(at)}\t{number}" for at, number in sorted(rows)]
    return "\n".join(["Time of day\tTransponder", *lines]) + "\n"


def grid_export(each: Heat, digits: int = 3) -> str:
    """A column a car under a title, without any time of day."""
    names = list(each.cars)
    lines = [each.name, ",".join(["Lap", *names])]
    for lap in range(max(map(len, each.cars.values()))):
        cells = [
            f"{each.cars[n][lap]:.{digits}f}" if lap < len(each.cars[n]) else "" for n in names
        ]
        lines.append(",".join([str(lap + 1), *cells]))
    return "\n".join(lines) + "\n"


FORMATS: dict[str, Callable[[Heat], str]] = {
    "laps": lambda h: laps_export([h]),
    "laps without times": lambda h: laps_export([h], times=False),
    "laps in hundredths": lambda h: laps_export([h], digits=2),
    "passings": lambda h: passings_export([h]),
    "grid": grid_export,
    "grid in hundredths": lambda h: grid_export(h, digits=2),
}


def write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path
