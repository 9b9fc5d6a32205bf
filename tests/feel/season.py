"""A drawn world as the package takes it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from pipeline.public.frames import season_data
from pipeline.tables.outcomes import felt_outcome
from pipeline.tables.records import SeasonData
from tests.feel.world import FEEL, LEVELS, World

PART = {"name": "part", "kind": "category", "levels": list(LEVELS), "reference": LEVELS[0]}
OTHER = {"name": "other", "kind": "category", "levels": list(LEVELS[:2])}
OUTCOME = felt_outcome(FEEL, "Grip felt", "loose", "planted")


def season(world: World) -> SeasonData:
    """The season with its feel, as the team folder would give it."""
    runs = world.runs
    team = runs["driver"].to_numpy() >= 0
    levels = np.array(LEVELS, object)
    frame = pd.DataFrame({
        "meeting": [f"meeting {m}" for m in runs["meeting"]],
        "date": [f"2026-05-{1 + m:02}" for m in runs["meeting"]],
        "session": [f"round {n}" for n in runs["run_no"]],
        "session_kind": "test",
        "driver": [f"driver {d}" for d in runs["driver"]],
        "team": team,
        "run_no": runs["run_no"],
        "start": [
            pd.Timestamp(2026, 5, 1 + m) + pd.Timedelta(hours=h)
            for m, h in zip(runs["meeting"], runs["hour"], strict=True)
        ],
        "part": np.where(team, levels[runs["part"]], None),
        "other": np.where(team, levels[runs["other"]], None),
    })  # fmt: skip
    laps = world.laps.assign(status=np.where(world.laps["lap"] == 1, "first", "clean"))
    raw = {"team": {"name": "Drawn"}, "factor": [PART, OTHER], "claim": [], "property": []}
    data, _ = season_data(frame, laps, raw)
    scored = data.runs.assign(**{FEEL: runs["score"].to_numpy()})
    return replace(data, runs=scored, feels=(OUTCOME,))
