"""The demo team: one invented season, the same bytes every time.

`python -m pipeline.simulate.demo [OUT]` writes it (default: data_demo).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.simulate.calendar import MAIN_CLASS, DayPlan, Meeting
from pipeline.simulate.drivers import Driver, make_field
from pipeline.simulate.exports import Style
from pipeline.simulate.folder import Season, write_season
from pipeline.simulate.parts import CATALOGUE
from pipeline.simulate.season import CLAIMS, attending, make_meeting, misspell
from pipeline.simulate.track import Weather
from pipeline.simulate.trials import Trial, settings_of
from pipeline.simulate.words import session_names
from pipeline.simulate.world import World

SEED = 20
FIELD, TEAM = 37, 5
SECOND_CLASS = "formula"
SECOND_CLASS_FIELD = 9


def _without(
    levels: Mapping[str, Mapping[str, float]], level: str
) -> Mapping[str, Mapping[str, float]]:
    return {name: change for name, change in levels.items() if name != level}


# Name, place in season.PLACES_KNOWN, dates, sessions of each day, language, weather, classes.
CALENDAR = (
    ("autumn-opener", 0, ("2025-10-04",), ("ppqqqqff",), "en", Weather(), 1),
    ("harbour-cup", 1, ("2025-11-15", "2025-11-16"), ("ppqqq", "pqfff"), "de", Weather(), 2),
    ("winter-round", 5, ("2026-01-10",), ("ppqqqqff",), "en", Weather(), 1),
    ("fresh-carpet", 3, ("2026-02-21",), ("ppqqqfff",), "en", Weather(), 1),
    (
        "spring-asphalt",
        2,
        ("2026-04-18",),
        ("ppqqqqff",),
        "fr",
        Weather(17.0, 0.8, ((13.2, 13.9),)),
        1,
    ),
    ("may-test", 6, ("2026-05-09",), ("tttttttt",), "en", Weather(21.0, 0.9), 1),
    ("valley-final", 4, ("2026-06-13",), ("ppqqqfff",), "es", Weather(24.0, 1.0), 2),
)

STYLES = (
    Style("laps", "session", "en", broken=3),
    Style("laps", "day", "de", "cp1252", ";", ",", surname_first=True, newline="\r\n", broken=3),
    Style("passings", "session", "en", delimiter="\t", ending="txt"),
    Style("grid", "heat", "en", "utf-8-sig", delimiter="\t", minutes=True, ending="txt"),
    Style("grid", "heat", "fr", "utf-16", delimiter=";", decimal=",", newline="\r\n"),
    Style("passings", "session", "en", delimiter=",", names=False),
    Style("laps", "session", "es", "utf-8", ";", ",", minutes=True, clock="tone", broken=3),
)

# Driver, then what is tried at each meeting of CALENDAR: factor=b-level, pattern over the runs.
# Some of it is done well; some after lunch only, as it is done everywhere.
TRIALS = {
    0: (
        "body=wedge abbaabba, centre_brace=removed aabbaabb, screws=alloy abababab",
        "centre_brace=removed abababab, rear_toe=2.5 aabbaabbaa",
        "wing=high abababab, screws=alloy abbaabba",
        "rear_bar=1.2 abababab, body=wedge aabbaabb, screws=alloy abbaabba",
        "rear_toe=2.5 abababab, rear_bar=1.4 abbaabba",
        "centre_brace=removed abbaabba, wing=high babababa",
        "body=wedge b, rear_toe=2.5 abababab, ride_height=5.4 aaaabbbb",
    ),
    1: (
        "rear_toe=2.5 abababab, screws=alloy aabbaabb",
        "body=wedge abbaabbaab, rear_bar=1.4 abababab",
        "centre_brace=removed abbaabba, rear_bar=1.4 babababa",
        "front_spring+front_oil=soft+350 abababab, centre_brace=removed aabbaabb",
        "body=wedge abababab, wing=high abbaabba, screws=alloy aabbaabb",
        "rear_toe=2.5 aabbaabb, screws=alloy abababab",
        "body=wedge babababa, centre_brace=removed abbaabba",
    ),
    2: (
        "rear_bar=1.2 abababab, wing=high bbaabbaa",
        "front_spring+front_oil=soft+350 abababab, screws=alloy abbaabbaab",
        "rear_toe=2.5 abbaabba, centre_brace=removed abababab, screws=alloy aabbaabb",
        "centre_brace=removed abababab, rear_toe=2.5 abbaabba",
        "rear_bar=1.2 aabbaabb, screws=alloy babababa",
        "body=wedge abbaabba, rear_bar=1.2 abababab, screws=alloy bbaabbaa",
        "rear_bar=1.4 abababab, wing=high aabbaabb",
    ),
    3: (
        "ride_height=5.4 aaaaabbb, centre_brace=removed abababab",
        "rear_bar=1.2 aabbaabbaa, wing=high babababa",
        "rear_bar=1.4 abababab, front_spring+front_oil=soft+350 abbaabba, screws=alloy aabbaabb",
        "body=wedge abababab, screws=alloy aabbaabb",
        "centre_brace=removed abababab, rear_toe=2.5 aaaabbbb",
        "front_spring+front_oil=soft+350 abababab, rear_toe=2.5 babababa",
        "rear_toe=2.5 abbaabba, body=wedge abababab, screws=alloy aabbaabb",
    ),
    4: (
        "body=wedge abababab, rear_toe=2.5 aabbaabb, screws=alloy abbaabba",
        "centre_brace=removed babababa, rear_toe=2.5 aabbaabbaa",
        "body=wedge babababa, rear_bar=1.4 aaaabbbb",
        "wing=high abababab, rear_bar=1.2 abbaabba, screws=alloy aabbaabb",
        "centre_brace=removed aabbaabb, body=wedge abababab",
        "screws=alloy abbaabba, rear_bar=1.2 aabbaabb",
        "centre_brace=removed abababab, screws=alloy bbaabbaa",
    ),
}

UNTRIED = {"front_spring": "hard", "front_oil": "450"}
FACTORS = {
    name: replace(factor, levels=_without(factor.levels, UNTRIED.get(name, "")))
    for name, factor in CATALOGUE.items()
}

KNOWN = 12  # rivals whom the team lists, the lender and the one spelt otherwise among them
LENDER = TEAM + 7  # stays at home once and lends a team driver the transponder
RAIN = "rain from the first heat on"


def demo_season() -> Season:
    """The demo's world, the team's trials and everything that is written about them."""
    drivers = _drivers()
    rng = np.random.default_rng([SEED, 1])
    meetings = tuple(_meeting(row, drivers, rng) for row in CALENDAR)
    world = World(meetings, tuple(drivers), FACTORS, SEED)
    settings = settings_of(world, trials(), {3: 5, 4: 4})
    names = [driver.name for driver in drivers]
    return Season(
        team="Team Quarter Turn",
        world=world,
        settings=settings,
        styles=_styles(drivers),
        claims=CLAIMS,
        excluded={("spring-asphalt", meetings[4].sessions[5].name): RAIN},
        shares=frozenset({names[0], names[1], names[3]}),
        known=frozenset(names[TEAM : TEAM + KNOWN]),
        numbers=_loan(drivers),
    )


def _drivers() -> list[Driver]:
    """The field; the team's second driver also races the second class, with a number of its own."""
    rng = np.random.default_rng([SEED, 0])
    drivers = make_field(FIELD, TEAM, rng)
    numbers = rng.choice(np.arange(1_000_000, 9_999_999), SECOND_CLASS_FIELD, replace=False)
    others = make_field(SECOND_CLASS_FIELD, 0, rng, tuple(d.name for d in drivers))
    both = {**drivers[1].transponders, SECOND_CLASS: str(numbers[0])}
    drivers[1] = replace(drivers[1], transponders=both)
    drivers += [
        replace(driver, transponders={SECOND_CLASS: str(number)})
        for driver, number in zip(others[1:], numbers[1:], strict=True)
    ]
    return drivers


def _meeting(row: tuple, drivers: list[Driver], rng: np.random.Generator) -> Meeting:
    name, place, dates, days, language, weather, classes = row
    entries = {MAIN_CLASS: attending(drivers, rng, 0.45 if "test" in name else 0.92)}
    raced = (MAIN_CLASS, SECOND_CLASS)[:classes]
    if classes == 2:
        entries[SECOND_CLASS] = [d for d, one in enumerate(drivers) if SECOND_CLASS in one.classes]
    if name == "winter-round":
        entries[MAIN_CLASS].remove(LENDER)
    plans, count = [], dict[str, int]()
    for kinds in days:
        named = session_names(language, kinds, count)
        for _, kind in named:
            count[kind] = count.get(kind, 1) + 1
        plans.append(DayPlan(named, classes=raced))
    weathers = [weather] * len(dates)
    return make_meeting(name, place, dates, plans, weathers, entries, drivers, rng)


def trials() -> Iterator[Trial]:
    for driver, meetings in TRIALS.items():
        for meeting, text in enumerate(meetings):
            for one in text.split(", "):
                change, pattern = one.split(" ")
                names, levels = change.split("=")
                pairs = zip(names.split("+"), levels.split("+"), strict=True)
                tried = {name: (CATALOGUE[name].reference, level) for name, level in pairs}
                yield Trial(meeting, driver, tried, pattern)


def _styles(drivers: list[Driver]) -> tuple[Style, ...]:
    """The clubs' styles; names spelt otherwise, and a number that was lent for a meeting."""
    styles = list(STYLES)
    styles[0] = replace(styles[0], spelling={drivers[2].name: misspell(drivers[2].name)})
    styles[4] = replace(styles[4], spelling={drivers[9].name: misspell(drivers[9].name)})
    lent = drivers[LENDER].transponders[MAIN_CLASS]
    styles[2] = replace(styles[2], numbers={drivers[4].name: lent})
    return tuple(styles)


def _loan(drivers: list[Driver]) -> tuple[tuple[str, str, str, str, str], ...]:
    """Who drove with which number when: for one day a team driver had the lender's."""
    own, lent = (drivers[d].transponders[MAIN_CLASS] for d in (4, LENDER))
    name, lender = drivers[4].name, drivers[LENDER].name
    return (
        (name, own, "yes", "", "2026-01-09"),
        (name, lent, "yes", "2026-01-10", "2026-01-10"),
        (name, own, "yes", "2026-01-11", ""),
        (lender, lent, "no", "", "2026-01-09"),
        (lender, lent, "no", "2026-01-11", ""),
    )


def main() -> None:
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else Path("data_demo")
    files = write_season(demo_season(), out)
    size = sum(path.stat().st_size for path in files)
    print(f"{len(files)} files, {size / 1e6:.2f} MB in {out}")


if __name__ == "__main__":
    main()
