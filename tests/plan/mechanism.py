"""A test day in the world of `pipeline.simulate`, after two meetings with the whole field."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.models.season import analyse
from pipeline.plan.planner import Plan, chance_of, plan_day
from pipeline.plan.request import DayRequest, PlanFactor, run_hours
from pipeline.plan.season import components_of
from pipeline.simulate.calendar import MAIN_CLASS, SLOT_HOURS, DayPlan, Meeting, timetable
from pipeline.simulate.drivers import make_field
from pipeline.simulate.parts import CATALOGUE
from pipeline.simulate.track import Venue, Weather
from pipeline.simulate.words import session_names
from pipeline.simulate.world import World, WorldLaps, run
from pipeline.tables.records import SeasonData
from pipeline.team.factors import Factor

FIELD, TEAM, MEETINGS, SEED = 20, 5, 2, 5
FACTOR = PlanFactor("rear_bar", ("1.3", "1.4"))
MINUTES = 60 * SLOT_HOURS


def make_world(drivers: int, runs: int) -> World:
    """Two meetings, then a day on which only `drivers` of the team run, `runs` times each."""
    rng = np.random.default_rng(SEED)
    people = make_field(FIELD, TEAM, rng)
    skill = np.array([driver.skill for driver in people])

    def meeting(name: str, there: int, sessions: str, date: str) -> Meeting:
        venue = Venue("Testhalle", "carpet", 15.0, green=0.94, rubbered=1.07,
                      rubber_passings=120.0 * there)  # fmt: skip
        entries = {MAIN_CLASS: list(range(there))}
        sessions_of_day = timetable([DayPlan(session_names("en", sessions))], entries, skill, rng)
        return Meeting(name, venue, "medium", (date,), (Weather(),), sessions_of_day)

    before = [
        meeting(f"round-{m + 1}", FIELD, "ppqqqqff", f"2026-0{m + 1}-07") for m in range(MEETINGS)
    ]
    day = meeting("test-day", drivers, "t" * runs, "2026-04-07")
    return World((*before, day), tuple(people), CATALOGUE, SEED)


def drive(world: World, plan: Plan, draws: int) -> WorldLaps:
    """The meetings at the reference, the test day as planned."""
    settings = {r: {FACTOR.name: level_of(world, plan, r)} for r in world.team_runs}
    return run(world, settings, draws)


def level_of(world: World, plan: Plan, r: int) -> str:
    one = world.runs[r]
    if one.meeting < MEETINGS:
        return FACTOR.reference
    return plan.setting(one.driver, one.run_no - 1)[FACTOR.name]


def season(world: World, plan: Plan, laps: WorldLaps, draw: int, meetings: int) -> SeasonData:
    """The first `meetings` of one draw as the models take them."""
    chosen = [r for r, one in enumerate(world.runs) if one.meeting < meetings]
    rows = [_run_row(world, plan, laps, draw, r) for r in chosen]
    parts = [_lap_rows(laps, draw, r, number) for number, r in enumerate(chosen)]
    runs = pd.DataFrame(rows).astype({FACTOR.name: "str"})
    factor = Factor(FACTOR.name, "Rear bar", "category", FACTOR.levels, FACTOR.reference)
    return SeasonData(runs, pd.concat(parts, ignore_index=True), (factor,))


def _run_row(world: World, plan: Plan, laps: WorldLaps, draw: int, r: int) -> dict[str, object]:
    one = world.runs[r]
    meeting, session, driver = (
        world.meetings[one.meeting], world.session(one), world.drivers[one.driver]
    )  # fmt: skip
    middle = laps.start_s[draw, r] + np.nansum(laps.lap_s[draw, r]) / 2
    return {
        "meeting": meeting.name,
        "date": meeting.dates[0],
        "class": "",
        "session": session.name,
        "session_kind": session.kind,
        "heat": world.heat(one).name,
        "driver": driver.name,
        "team": driver.team,
        "run_no": one.run_no,
        "hour": middle / 3600,
        "hour_known": True,
        "start": None,
        "surface": "carpet",
        "grip": None,
        "excluded": None,
        FACTOR.name: level_of(world, plan, r) if driver.team else None,
    }


def _lap_rows(laps: WorldLaps, draw: int, r: int, number: int) -> pd.DataFrame:
    lap = np.flatnonzero(~np.isnan(laps.lap_s[draw, r]))
    crashed, clean = laps.crashed[draw, r, lap], laps.clean[draw, r, lap]
    status = np.select([lap == 0, crashed, clean], ["first", "incident", "clean"], "traffic")
    return pd.DataFrame(
        {"run": number, "lap": lap + 1, "lap_s": laps.lap_s[draw, r, lap], "status": status}
    )


def predicted_and_reported(drivers: int, runs: int, draws: int) -> tuple[np.ndarray, np.ndarray]:
    """(draws,) half-widths, s a lap: the planner's from meetings before, the season's after."""
    asked = DayRequest((FACTOR,), tuple(map(str, range(drivers))), runs, minutes=MINUTES)
    plan = plan_day(asked, chance_of(1))
    world = make_world(drivers, runs)
    laps = drive(world, plan, draws)
    both = [_half_widths(world, plan, laps, draw) for draw in range(draws)]
    predicted, reported = np.array(both).T
    return predicted, reported


def _half_widths(world: World, plan: Plan, laps: WorldLaps, draw: int) -> tuple[float, float]:
    from pipeline.plan.orders import settings_of
    from pipeline.plan.planner import day_precision

    asked = plan.request
    past = season(world, plan, laps, draw, MEETINGS)
    result = analyse(past, outcomes=("pace",), conditions=(), by_driver=False)
    hours = np.array(run_hours(asked.runs, asked.minutes))
    components = components_of(past, result.components, hours)
    assert components is not None
    known = DayRequest(asked.factors, asked.drivers, asked.runs, components, minutes=asked.minutes)
    predicted = day_precision(known, settings_of(asked.factors), plan.levels[:, :, 0])
    full = season(world, plan, laps, draw, MEETINGS + 1)
    effects = analyse(full, outcomes=("pace",), conditions=(), by_driver=False).effects
    row = next(effects.itertuples())
    return float(predicted.half_widths[0]), (row.ci_high - row.ci_low) / 2
