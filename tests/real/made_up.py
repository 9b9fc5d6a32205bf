"""A small table of made-up laps with the columns of a real one."""

from __future__ import annotations

import numpy as np
import pandas as pd

TYRES = ("hard", "medium", "soft")
WORTH = {"hard": 0.8, "medium": 0.0, "soft": -0.8}
HELD_S = 25.0


def table(
    seed: int = 1, meetings: int = 3, cars: int = 8, stints: int = 3, laps: int = 10
) -> pd.DataFrame:
    """Cars that stop for tyres at about the same times and have an accident in 3 % of their laps;
    once the whole field is held for a lap.

    Driver 1 is the fastest. Tyres are worth 0.8 s a lap each.
    """
    chance = np.random.default_rng(seed)
    rows: list[dict[str, object]] = []
    for meeting in range(1, meetings + 1):
        for driver in range(1, cars + 1):
            clock = 0.4 * driver
            total = stints * laps
            stops = [laps * k + int(chance.integers(-2, 3)) for k in range(1, stints)]
            stint, tyre, luck = 1, str(chance.choice(TYRES)), chance.normal(0, 0.3)
            for lap in range(1, total + 1):
                after = lap - 1 in stops
                if after:
                    stint, tyre, luck = stint + 1, str(chance.choice(TYRES)), chance.normal(0, 0.3)
                seconds = 78 + 0.7 * driver + WORTH[tyre] + luck + chance.normal(0, 0.4)
                seconds += 6.0 * (lap == 1) + 12.0 * (after or lap in stops)
                held = lap == laps // 2 + 1
                seconds += HELD_S * held + 9.0 * (chance.random() < 0.03)
                rows.append({
                    "meeting": meeting, "driver": driver, "stint": stint, "lap": lap,
                    "start_s": round(clock, 3), "lap_s": round(seconds, 3), "tyre": tyre,
                    "tyre_laps": 1.0, "flag": "slow" if held else "green",
                    "pit": "in" if lap in stops else "out" if after else "",
                })  # fmt: skip
                clock += round(seconds, 3)
    return pd.DataFrame(rows)
