"""A world's laps as the table that the models take, without files between.

Status and traffic come from the reader's own rules, so that the analysis sees the laps as it
would after an import: it is not told which ones the world disturbed.
"""

import numpy as np
import pandas as pd

from pipeline.read.status import NAMES, lap_status, run_centres
from pipeline.read.traffic import in_traffic
from pipeline.simulate.timing import Timed, timed
from pipeline.simulate.world import Settings, World, run
from pipeline.tables.records import SeasonData
from pipeline.team.factors import Factor

CLEAN = 0


def season_data(world: World, settings: Settings, racing_class: str = "touring") -> SeasonData:
    """One class's season as it comes out of the timing, faults and all."""
    timing = timed(run(world, settings), np.random.default_rng([world.seed, 12]))
    numbers = [
        r
        for r, one in enumerate(world.runs)
        if world.session(one).racing_class == racing_class and len(timing.passings[r]) > 1
    ]
    factors = tuple(
        Factor(f.name, f.label, f.kind, tuple(f.levels), f.reference, f.unit)
        for f in world.factors.values()
    )
    return SeasonData(
        _runs(world, settings, timing, numbers), _laps(world, timing, numbers), factors
    )


def _runs(world: World, settings: Settings, timing: Timed, numbers: list[int]) -> pd.DataFrame:
    rows = [_run_row(world, settings, timing, r) for r in numbers]
    frame = pd.DataFrame(rows)
    text = [name for name in frame if name not in ("team", "run_no", "hour", "hour_known")]
    return frame.astype(dict.fromkeys(text, "str"))


def _run_row(world: World, settings: Settings, timing: Timed, r: int) -> dict[str, object]:
    one = world.runs[r]
    meeting, session, heat = world.meetings[one.meeting], world.session(one), world.heat(one)
    passings, driver = timing.passings[r], world.drivers[one.driver]
    blank = dict.fromkeys(world.factors)
    return {
        "meeting": meeting.name,
        "date": meeting.dates[session.day],
        "class": session.racing_class,
        "session": session.name,
        "session_kind": session.kind,
        "heat": heat.name,
        "driver": driver.name,
        "team": driver.team,
        "run_no": one.run_no,
        "hour": (passings[0] + passings[-1]) / 7200.0,
        "hour_known": True,
        "start": f"{meeting.dates[session.day]}T12:00:00",
        "surface": meeting.venue.surface,
        "grip": meeting.grip,
        "excluded": None,
    } | (blank | dict(settings[r]) if driver.team else blank)


def _laps(world: World, timing: Timed, numbers: list[int]) -> pd.DataFrame:
    count = [len(timing.passings[r]) - 1 for r in numbers]
    row = np.repeat(np.arange(len(numbers)), count)
    lap = np.concatenate([np.arange(1, n + 1) for n in count])
    begin = np.concatenate([timing.passings[r][:-1] for r in numbers])
    end = np.concatenate([timing.passings[r][1:] for r in numbers])
    status = lap_status(row, end - begin, lap == 1)
    centre = run_centres(row, end - begin, lap > 1).centre
    places = [world.runs[r] for r in numbers]
    days = [1000 * one.meeting + world.session(one).day for one in places]
    session = [100 * day + one.session for day, one in zip(days, places, strict=True)]
    codes = np.unique(session, return_inverse=True)[1]
    held = in_traffic(codes, row, *(np.round(t * 1e6).astype(int) for t in (begin, end)), centre)
    names = np.where(held & (status == CLEAN), "traffic", NAMES[status])
    return pd.DataFrame({"run": row, "lap": lap, "lap_s": end - begin, "status": names})
