"""The demo team: one invented season, the same bytes every time.

`python -m pipeline.simulate.demo [OUT]` writes it (default: data_demo).
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.simulate.calendar import MAIN_CLASS, DayPlan, Meeting
from pipeline.simulate.demo_year import CALENDAR, LOAN, SPELT_RIVAL, WET, Event, trials
from pipeline.simulate.drivers import Driver, make_field
from pipeline.simulate.exports import Style
from pipeline.simulate.felt import REAR_GRIP, STEERING
from pipeline.simulate.folder import Season, write_season
from pipeline.simulate.parts import CATALOGUE
from pipeline.simulate.season import CLAIMS, attending, make_meeting, misspell
from pipeline.simulate.trials import settings_of
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


UNTRIED = {"front_spring": "hard", "front_oil": "450"}
FACTORS = {
    name: replace(factor, levels=_without(factor.levels, UNTRIED.get(name, "")))
    for name, factor in CATALOGUE.items()
}

KNOWN = 12  # rivals whom the team lists, the lender and the one spelt otherwise among them
LENDER = TEAM + 7  # stays at home once and lends a team driver the transponder
BORROWER = 4
WET_SESSION = 5
RAIN = "rain from the first heat on"


def demo_season() -> Season:
    """The demo's world, the team's trials and everything that is written about them."""
    drivers = _drivers()
    rng = np.random.default_rng([SEED, 1])
    meetings = tuple(_meeting(event, drivers, rng) for event in CALENDAR)
    world = World(meetings, tuple(drivers), FACTORS, SEED)
    settings = settings_of(world, trials(), {3: 5, 4: 4})
    names = [driver.name for driver in drivers]
    return Season(
        team="Team Quarter Turn",
        world=world,
        settings=settings,
        styles=_styles(drivers),
        claims=CLAIMS,
        excluded={(meetings[WET].name, meetings[WET].sessions[WET_SESSION].name): RAIN},
        shares=frozenset({names[0], names[1], names[3]}),
        known=frozenset(names[TEAM : TEAM + KNOWN]),
        numbers=_loan(drivers),
        feels=(REAR_GRIP, STEERING),
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


def _meeting(event: Event, drivers: list[Driver], rng: np.random.Generator) -> Meeting:
    entries = {MAIN_CLASS: attending(drivers, rng, event.attendance)}
    if event.second_class:
        entries[SECOND_CLASS] = [d for d, one in enumerate(drivers) if SECOND_CLASS in one.classes]
    if event.lender_away:
        entries[MAIN_CLASS].remove(LENDER)
    plans, count = [], dict[str, int]()
    for _, kinds in event.days:
        named = session_names(event.style.language, kinds, count)
        for _, kind in named:
            count[kind] = count.get(kind, 1) + 1
        plans.append(DayPlan(named, classes=tuple(entries)))
    dates = [date for date, _ in event.days]
    weather = [event.weather] * len(dates)
    return make_meeting(event.name, event.place, dates, plans, weather, entries, drivers, rng)


def _styles(drivers: list[Driver]) -> tuple[Style, ...]:
    """The clubs' styles; names spelt otherwise, and a number that was lent for a meeting."""
    styles = [event.style for event in CALENDAR]
    for place, driver in ((0, drivers[2]), (SPELT_RIVAL, drivers[TEAM + 4])):
        styles[place] = replace(styles[place], spelling={driver.name: misspell(driver.name)})
    lent = drivers[LENDER].transponders[MAIN_CLASS]
    styles[LOAN] = replace(styles[LOAN], numbers={drivers[BORROWER].name: lent})
    return tuple(styles)


def _loan(drivers: list[Driver]) -> tuple[tuple[str, str, str, str, str], ...]:
    """Who drove with which number when: for one day a team driver had the lender's."""
    own, lent = (drivers[d].transponders[MAIN_CLASS] for d in (BORROWER, LENDER))
    name, lender = drivers[BORROWER].name, drivers[LENDER].name
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
