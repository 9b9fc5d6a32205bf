"""Building blocks of a season: venues, who is there, and a season of chosen size."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.simulate.calendar import MAIN_CLASS, DayPlan, Meeting, timetable
from pipeline.simulate.drivers import Driver, make_field
from pipeline.simulate.exports import Style
from pipeline.simulate.folder import Season, write_season
from pipeline.simulate.parts import CATALOGUE
from pipeline.simulate.track import Venue, Weather
from pipeline.simulate.trials import settings_of, usual_trials
from pipeline.simulate.words import session_names
from pipeline.simulate.world import World

PEOPLE, PLACES, PLANS = 21, 22, 23  # streams of chance, after those of world and folder
USUAL_DAY = "ppqqqqff"
KNOWN_EVERY = 3  # every third rival is one whom the team lists

# Name, surface, grip, best lap (s), grip green and rubbered, roughness (mm).
PLACES_KNOWN = (
    ("Alderhalle", "carpet", "medium", 14.6, 0.95, 1.06, 4.6),
    ("Eskerhall", "carpet", "high", 13.2, 1.07, 1.20, 4.4),
    ("Slatebend", "asphalt", "low", 17.9, 0.82, 0.91, 5.1),
    ("Halvenbro", "carpet", "low", 15.8, 0.79, 0.91, 4.6),
    ("Heronfold", "asphalt", "medium", 16.7, 0.99, 1.08, 5.0),
    ("Drumlinhall", "carpet", "high", 14.1, 1.09, 1.19, 4.5),
    ("Sorrelring", "asphalt", "low", 19.2, 0.83, 0.92, 5.2),
    ("Tarnhalle", "carpet", "medium", 15.1, 0.93, 1.04, 4.5),
)

# One after the other, so that every season has all layouts and several dialects.
STYLES = (
    Style("laps", "session", "en"),
    Style("passings", "session", "de", delimiter="\t", names=False, ending="txt", newline="\r\n"),
    Style("grid", "heat", "fr", "utf-16", delimiter=";", decimal=","),
    Style("laps", "day", "de", "cp1252", ";", ",", surname_first=True, newline="\r\n", broken=3),
    Style("grid", "heat", "en", "utf-8-sig", delimiter="\t", minutes=True, ending="txt"),
    Style("laps", "session", "es", "utf-8", ";", ",", minutes=True, clock="tone", broken=3),
)


@dataclass(frozen=True)
class TeamSpec:
    """How large a season to make; `together` are factors that are only changed at once. Venues come
    one after the other, or are drawn at random each time.

    Raises ValueError where no season can be made of it.
    """

    meetings: int = 6
    drivers: int = 36
    team_drivers: int = 5
    factors: tuple[str, ...] = tuple(CATALOGUE)
    together: tuple[str, ...] = ("front_spring", "front_oil")
    log: str = "changes"
    team: str = "Team Example"
    day: str = USUAL_DAY
    drawn_venues: bool = False

    def __post_init__(self) -> None:
        if self.meetings < 1:
            raise ValueError("a season needs at least one meeting")
        if not 1 <= self.team_drivers <= self.drivers:
            raise ValueError("the team needs at least one driver, and no more than there are")
        unknown = {*self.factors, *self.together} - set(CATALOGUE)
        if unknown:
            raise ValueError(f"no such factor: {', '.join(sorted(unknown))}")


def venue(place: int, rubber_passings: float = 2400.0) -> tuple[Venue, str]:
    """The venue in that place of PLACES_KNOWN, and its grip in a word."""
    name, surface, grip, lap_s, green, rubbered, rough = PLACES_KNOWN[place % len(PLACES_KNOWN)]
    overnight = 0.8 if surface == "carpet" else 0.4
    made = Venue(
        name,
        surface,
        lap_s,
        roughness_mm=rough,
        green=green,
        rubbered=rubbered,
        rubber_passings=rubber_passings,
        overnight=overnight,
    )
    return made, grip


def make_meeting(
    name: str,
    place: int,
    dates: Sequence[str],
    days: Sequence[DayPlan],
    weather: Sequence[Weather],
    entries: Mapping[str, list[int]],
    drivers: Sequence[Driver],
    rng: np.random.Generator,
    passings_a_day: float = 2400.0,
) -> Meeting:
    """A meeting with its timetable; rubber settles over about one such day of passings."""
    where, grip = venue(place, passings_a_day)
    skill = np.array([driver.skill for driver in drivers])
    sessions = timetable(days, dict(entries), skill, rng)
    return Meeting(name, where, grip, tuple(dates), tuple(weather), sessions)


def attending(drivers: Sequence[Driver], rng: np.random.Generator, share: float = 0.9) -> list[int]:
    """The team and about this share of the others who race in the main class."""
    there = rng.uniform(size=len(drivers)) < share
    return [
        d
        for d, driver in enumerate(drivers)
        if MAIN_CLASS in driver.transponders and (driver.team or there[d])
    ]


def make_world(spec: TeamSpec, seed: int) -> World:
    """A season's world of chosen size; every draw comes from the seed."""
    people = np.random.default_rng([seed, PEOPLE])
    drivers = make_field(spec.drivers, spec.team_drivers, people)
    rng = np.random.default_rng([seed, PLACES])
    first = int(rng.integers(len(PLACES_KNOWN)))
    places = list(range(first, first + spec.meetings))
    if spec.drawn_venues:
        places = [int(place) for place in rng.integers(len(PLACES_KNOWN), size=spec.meetings)]
    meetings = [_meeting(spec, m, place, drivers, rng) for m, place in enumerate(places)]
    factors = {name: CATALOGUE[name] for name in spec.factors}
    return World(tuple(meetings), tuple(drivers), factors, seed)


def _meeting(
    spec: TeamSpec, m: int, place: int, drivers: Sequence[Driver], rng: np.random.Generator
) -> Meeting:
    date = datetime.date(2025, 9, 6) + datetime.timedelta(weeks=3 * m)
    plan = DayPlan(session_names(STYLES[m % len(STYLES)].language, spec.day))
    weather = Weather(air=float(rng.uniform(14.0, 27.0)), sun=float(rng.uniform(0.3, 1.0)))
    entries = {MAIN_CLASS: attending(drivers, rng)}
    name = f"round-{m + 1}"
    return make_meeting(name, place, [date.isoformat()], [plan], [weather], entries, drivers, rng)


def make_season(spec: TeamSpec, seed: int) -> Season:
    """A whole season: the world, what the team tried, and how it was written down."""
    world = make_world(spec, seed)
    rng = np.random.default_rng([seed, PLANS])
    settings = settings_of(world, usual_trials(world, rng, spec.together))
    styles = tuple(STYLES[m % len(STYLES)] for m in range(spec.meetings))
    shares = frozenset(d.name for d in world.drivers if d.team and rng.uniform() < 0.6)
    claims = tuple(claim for claim in CLAIMS if claim["factor"] in world.factors)
    known = frozenset(d.name for d in world.drivers[spec.team_drivers :: KNOWN_EVERY])
    season = Season(
        spec.team, world, settings, styles, claims, shares=shares, known=known, log=spec.log
    )
    return replace(season, styles=tuple(_misspelt(season, m, rng) for m in range(spec.meetings)))


def _misspelt(season: Season, meeting: int, rng: np.random.Generator) -> Style:
    """The meeting's style with the name of a rival whom the team knows spelt otherwise."""
    style, rivals = season.styles[meeting], sorted(season.known)
    if not rivals or not style.names:
        return style
    name = str(rng.choice(rivals))
    return replace(style, spelling={name: misspell(name)})


def misspell(name: str) -> str:
    """The name with two neighbouring letters of the surname swapped."""
    at = len(name) - 3
    return name[:at] + name[at + 1] + name[at] + name[at + 2 :]


def write_team_folder(out: Path, spec: TeamSpec, seed: int) -> list[Path]:
    """Write a complete team folder of chosen size; returns its files."""
    return write_season(make_season(spec, seed), out)


CLAIMS: tuple[Mapping[str, str], ...] = (
    {
        "text": "A thicker rear bar is more consistent in high grip",
        "factor": "rear_bar",
        "from": "1.3",
        "to": "1.4",
        "outcome": "spread",
        "expect": "lower",
        "grip": "high",
    },
    {
        "text": "Without the brace the car is faster in low grip",
        "factor": "centre_brace",
        "from": "fitted",
        "to": "removed",
        "outcome": "pace",
        "expect": "lower",
        "grip": "low",
    },
    {
        "text": "Alloy screws make the car faster",
        "factor": "screws",
        "from": "steel",
        "to": "alloy",
        "outcome": "pace",
        "expect": "lower",
    },
    {
        "text": "Less rear toe-in is faster over a lap",
        "factor": "rear_toe",
        "from": "3.0",
        "to": "2.5",
        "outcome": "pace",
        "expect": "lower",
    },
    {
        "text": "More wing is faster",
        "factor": "wing",
        "from": "low",
        "to": "high",
        "outcome": "pace",
        "expect": "lower",
    },
)
