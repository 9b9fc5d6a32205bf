"""Small worlds for the tests: one day, a dozen or two drivers."""

import numpy as np

from pipeline.simulate.calendar import MAIN_CLASS, DayPlan, Meeting, timetable
from pipeline.simulate.drivers import make_field
from pipeline.simulate.parts import CATALOGUE
from pipeline.simulate.track import Venue, Weather
from pipeline.simulate.words import session_names
from pipeline.simulate.world import World

GRIPS = {"low": (0.80, 0.93), "medium": (0.94, 1.07), "high": (1.08, 1.21)}


def day(
    grip: str = "medium",
    drivers: int = 20,
    team: int = 4,
    seed: int = 5,
    traffic: bool = True,
    sessions: str = "ppqqqqff",
    **venue: float | str,
) -> World:
    """One meeting of a day on carpet of this grip; `venue` overrides its properties."""
    green, rubbered = GRIPS[grip]
    place = {"green": green, "rubbered": rubbered, "rubber_passings": 60.0 * drivers} | venue
    where = Venue("Testhalle", place.pop("surface", "carpet"), 15.0, **place)
    rng = np.random.default_rng(seed)
    people = make_field(drivers, team, rng)
    entries = {MAIN_CLASS: list(range(drivers))}
    plan = DayPlan(session_names("en", sessions))
    skill = np.array([driver.skill for driver in people])
    meeting = Meeting(
        "day",
        where,
        grip,
        ("2026-03-07",),
        (Weather(),),
        timetable([plan], entries, skill, rng),
    )
    return World((meeting,), tuple(people), CATALOGUE, seed, traffic)


def kit(world: World) -> dict[int, dict[str, str]]:
    """Every run of the team with the kit's car."""
    return {r: {} for r in world.team_runs}


def all_at(world: World, **levels: str) -> dict[int, dict[str, str]]:
    """Every run of the team with these levels."""
    return {r: dict(levels) for r in world.team_runs}
