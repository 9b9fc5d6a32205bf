"""Meetings, their days, sessions and heats, and who runs in which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.simulate.track import Venue, Weather

RUN_SECONDS = 300.0
MAIN_CLASS = "touring"
SLOT_HOURS = 8.0 / 60.0  # a heat and the time until the next one
LUNCH_FROM, LUNCH_HOURS = 12.0, 1.0


@dataclass(frozen=True)
class Heat:
    """Cars on the track together: start in hours of the day, drivers by number."""

    name: str
    start: float
    drivers: tuple[int, ...]


@dataclass(frozen=True)
class Session:
    name: str
    kind: str
    racing_class: str
    day: int
    heats: tuple[Heat, ...]


@dataclass(frozen=True)
class Meeting:
    """dates: one ISO date a day, with the weather of each; sessions in order of time."""

    name: str
    venue: Venue
    grip: str
    dates: tuple[str, ...]
    weather: tuple[Weather, ...]
    sessions: tuple[Session, ...] = ()
    timezone: str = "Europe/Zurich"
    layout: str = ""


@dataclass(frozen=True)
class DayPlan:
    """What is run on a day: (name, kind) in order; first_start in hours."""

    sessions: tuple[tuple[str, str], ...]
    first_start: float = 9.0
    classes: tuple[str, ...] = field(default=(MAIN_CLASS,))


def timetable(
    plans: Sequence[DayPlan],
    entries: dict[str, list[int]],
    speed: np.ndarray,
    rng: np.random.Generator,
    heat_size: int = 10,
) -> tuple[Session, ...]:
    """Sessions of a meeting: entries[class] are the drivers there, `speed` ranks them.

    Practice is drawn by lot; qualifying and finals go by speed, as seeding does.
    """
    sessions: list[Session] = []
    for day, plan in enumerate(plans):
        clock = plan.first_start
        for name, kind in plan.sessions:
            for racing_class in plan.classes:
                full = name if racing_class == MAIN_CLASS else f"{racing_class.title()} {name}"
                order = _order(entries[racing_class], kind, speed, rng)
                heats, clock = _heats(order, clock, heat_size)
                sessions.append(Session(full, kind, racing_class, day, heats))
            clock += SLOT_HOURS
    return tuple(sessions)


def _order(
    drivers: list[int], kind: str, speed: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    shuffled = rng.permutation(drivers)
    if kind in ("practice", "test"):
        return shuffled
    form = speed[shuffled] + rng.normal(0.0, 0.004, len(shuffled))
    return shuffled[np.argsort(form)]


def _heats(order: np.ndarray, clock: float, heat_size: int) -> tuple[tuple[Heat, ...], float]:
    """Slowest heat first, as evenly filled as they go; no heat starts over lunch."""
    heats = []
    parts = np.array_split(order, -(-len(order) // heat_size))
    for number, part in enumerate(reversed(parts), start=1):
        if LUNCH_FROM <= clock < LUNCH_FROM + LUNCH_HOURS:
            clock = LUNCH_FROM + LUNCH_HOURS
        seconds = round(clock * 3600.0)
        heats.append(Heat(str(number), seconds / 3600.0, tuple(int(d) for d in part)))
        clock += SLOT_HOURS
    return tuple(heats), clock
