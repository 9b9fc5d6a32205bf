"""A season's arrays as the tables that the models take."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.tables.records import SeasonData
from pipeline.team.folder import Factor
from tests.calibration.seasons import (
    BASE_LAP_S,
    RACE_SECONDS,
    WORTHWHILE_S,
    Plan,
    Season,
    level_name,
    session_kinds,
)

FIRST_DAY = np.datetime64("2025-03-01")


def season_data(season: Season) -> SeasonData:
    """The season as the input of every model."""
    factors = tuple(_factor(name, levels) for name, levels in season.kind.factors)
    return SeasonData(
        _runs(season),
        _laps(season),
        factors,
        claims=(),
        race_seconds=RACE_SECONDS,
        worthwhile_s=WORTHWHILE_S,
    )


def _factor(name: str, levels: int) -> Factor:
    names = tuple(level_name(level) for level in range(levels))
    return Factor(name=name, label=name, kind="category", levels=names, reference=names[0])


def _runs(season: Season) -> pd.DataFrame:
    plan, kind = season.plan, season.kind
    middle = plan.hour + season.laps.driven.sum(axis=1) * BASE_LAP_S / 7200
    day = FIRST_DAY + np.timedelta64(14, "D") * plan.meeting
    start = day.astype("datetime64[s]") + np.round(plan.hour * 3600).astype("timedelta64[s]")
    columns: dict[str, Any] = {
        "meeting": _text("meeting", plan.meeting + 1),
        "date": day.astype(str),
        "class": "",
        "session": _text("round", plan.turn + 1),
        "session_kind": session_kinds(kind, plan),
        "heat": _text("heat", plan.heat + 1),
        "driver": _text("driver", plan.driver + 1),
        "team": plan.driver < kind.team,
        "run_no": _run_numbers(plan),
        "hour": middle,
        "hour_known": True,
        "start": start.astype(str),
        "surface": "asphalt" if kind.grip == "sun" else "carpet",
        "grip": None,
        "excluded": None,
    }
    for column, (factor, levels) in enumerate(kind.factors):
        names = np.array([level_name(level) for level in range(levels)] + [None], dtype=object)
        columns[factor] = names[plan.settings[:, column]]
    frame = pd.DataFrame(columns)
    text = [name for name in frame if name not in ("team", "run_no", "hour", "hour_known")]
    return frame.astype(dict.fromkeys(text, "str"))


def _text(word: str, numbers: NDArray[np.int64]) -> NDArray[np.object_]:
    names = np.array([f"{word} {n:02d}" for n in range(numbers.max() + 1)], dtype=object)
    return names[numbers]


def _run_numbers(plan: Plan) -> NDArray[np.int64]:
    """From 1 within driver and meeting; the plan's rows are in that order."""
    stay = plan.meeting * (plan.driver.max() + 1) + plan.driver
    first = np.r_[True, stay[1:] != stay[:-1]]
    begins = np.flatnonzero(first)
    return np.arange(len(stay)) - begins[np.cumsum(first) - 1] + 1


def _laps(season: Season) -> pd.DataFrame:
    laps = season.laps
    run, column = np.nonzero(laps.driven)
    code = np.where(column == 0, 1, np.where(laps.incident[run, column], 2, 0))
    status = np.array(["clean", "first", "incident"])[code]
    return pd.DataFrame(
        {
            "run": run,
            "lap": column + 1,
            "lap_s": laps.seconds[run, column],
            "status": status,
        }
    )
