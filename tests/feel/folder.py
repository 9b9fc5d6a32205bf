"""A team folder whose drivers say how it felt: four meetings, six cars, three of them the team's.

The wing is tied by the clock and felt better; the strut is slower and felt better.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import pipeline

MEETINGS = 4
ROUNDS = 8
TOML = """\
[team]
name = "Small team"

[[factor]]
name = "wing"
label = "Wing"
kind = "category"
levels = ["low", "high"]

[[factor]]
name = "strut"
label = "Strut"
kind = "category"
levels = ["off", "on"]
"""
FEELS = """
[[feel]]
name = "rear"
label = "Rear grip"
worse = "loose"
better = "planted"

[[feel]]
name = "nose"
label = "Steering"
worse = "dull"
better = "sharp"
"""
TEAM = ("Ada Ash", "Ben Birk", "Cy Coy")


def team_folder(folder: Path, feels: str = FEELS) -> Path:
    """The folder with its exports; `nose` was asked of Ada alone, at the first meeting."""
    rng = np.random.default_rng(11)
    rows, log, felt = [], ["meeting,driver,run,wing,strut"], ["meeting,driver,run,rear,nose"]
    for m in range(MEETINGS):
        for turn in range(ROUNDS):
            for d in range(6):
                own = d < len(TEAM)
                high, on = (turn + d + m) % 2, (turn // 2 + d) % 2
                run_luck = 0.02 * rng.normal()
                at = datetime(2026, 5, 2 + 7 * m, 10 + turn, 5 * (d % 2))
                name = TEAM[d] if own else f"Car {d}"
                for lap in range(1, 13):
                    seconds = 15 + 0.04 * rng.normal() + run_luck + own * 0.12 * on + 0.1 * d
                    at += timedelta(seconds=seconds)
                    rows.append((m, f"round {turn + 1}", name, lap, f"{seconds:.3f}",
                                 f"{at:%H:%M:%S.%f}"))  # fmt: skip
                if own:
                    score = np.clip(round(1.2 * high + 1.4 * on - 1 + 0.5 * rng.normal()), -2, 2)
                    nose = rng.integers(-2, 3) if d == 0 and m == 0 else ""
                    log.append(f"m{m},{name},{turn + 1},{['low', 'high'][high]},"
                               f"{['off', 'on'][on]}")  # fmt: skip
                    felt.append(f"m{m},{name},{turn + 1},{int(score)},{nose}")
    (folder / "exports").mkdir(parents=True)
    (folder / "team.toml").write_text(TOML + feels)
    (folder / "setups.csv").write_text("\n".join(log))
    if feels:
        (folder / "feel.csv").write_text("\n".join(felt))
    drivers = [f"{name},{100 + d},yes" for d, name in enumerate(TEAM)]
    (folder / "drivers.csv").write_text("\n".join(["driver,transponder,team", *drivers]))
    meetings = [f"m{m},2026-05-{2 + 7 * m:02},Field,carpet,high" for m in range(MEETINGS)]
    (folder / "meetings.csv").write_text("\n".join(["meeting,date,venue,surface,grip", *meetings]))
    names = ["m", "Session", "Driver", "Lap", "Lap time", "Time of day"]
    for m, part in pd.DataFrame(rows, columns=names).groupby("m"):
        part.drop(columns="m").to_csv(folder / "exports" / f"m{m}.csv", index=False)
    return folder


def imported(folder: Path) -> Any:
    """The team with all meetings in its store."""
    team = pipeline.open_team(folder)
    for m in range(MEETINGS):
        team.import_exports(folder / "exports" / f"m{m}.csv", f"m{m}")
    return team
