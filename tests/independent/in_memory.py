"""The independent season as the models take it, without files between."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from pipeline.tables.records import SeasonData
from pipeline.team.factors import Factor
from tests.independent import make_season as season
from tests.independent.exports import KINDS


def season_data(runs: Sequence[season.Run]) -> SeasonData:
    """Statuses as they were drawn: first, clean or incident."""
    table = pd.DataFrame([run_row(run) for run in runs])
    text = [name for name in table if table[name].dtype == object or name in season.LEVELS]
    laps = pd.DataFrame(
        [
            (number, lap, seconds, status(lap, clean))
            for number, run in enumerate(runs)
            for lap, (seconds, clean) in enumerate(zip(run.laps, run.clean, strict=True), 1)
        ],
        columns=["run", "lap", "lap_s", "status"],
    )
    factors = tuple(map(factor, KINDS))
    return SeasonData(table.astype(dict.fromkeys(text, "str")), laps, factors)


def run_row(run: season.Run) -> dict[str, object]:
    name, date, surface, grip, _ = season.MEETINGS[run.meeting]
    session = season.ROUNDS[run.round]
    hour = (run.start + season.HEAT_SECONDS / 2) / 3600
    return {
        "meeting": name,
        "date": date,
        "class": "",
        "session": session,
        "session_kind": session.split()[0].lower(),
        "heat": "ABC"[run.heat],
        "driver": season.DRIVERS[run.driver],
        "team": run.driver < len(season.TEAM),
        "run_no": run.round + 1,
        "hour": hour,
        "hour_known": True,
        "start": f"{date}T{int(hour):02}:{int(hour * 60) % 60:02}:00",
        "surface": surface,
        "grip": grip,
        "excluded": None,
        **{name: run.setting.get(name) for name in season.LEVELS},
    }


def status(lap: int, clean: bool) -> str:
    if lap == 1:
        return "first"
    return "clean" if clean else "incident"


def factor(name: str) -> Factor:
    label, kind, levels, reference = KINDS[name]
    names = tuple(part.strip(' "') for part in levels.split(",")) if levels else ()
    return Factor(name=name, label=label, kind=kind, levels=names, reference=reference)
