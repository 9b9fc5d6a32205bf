"""Real laps of any series as the runs and laps that `pipeline.analyse` takes.

The table has the columns `NEEDED`, a row a lap: numbers of meeting and driver; stint, from 1 within
a driver's meeting (between two of them the car stopped); lap, of the meeting; start_s, seconds
after the meeting's first start; lap_s; and, where they are known, tyre, tyre_laps, flag (green,
yellow, slow, stopped) and pit (in, out, both: the lap includes a stop). Flags are used to see what
the tool finds by itself, and never handed to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

NEEDED = ("meeting", "driver", "stint", "lap", "start_s", "lap_s")
OPTIONAL = {"tyre": "", "tyre_laps": np.nan, "flag": "", "pit": ""}
# A lap that the timing lost shows as a hole between two laps; its own last digits do not.
HOLE_S = 0.5
FIRST_DAY = "2025-04-05"
NOON_H = 12


@dataclass(frozen=True, eq=False)
class Races:
    """runs: meeting, date, session, session_kind, driver, run_no, start, tyre, laps; one row each.

    laps: run (row of `runs`), lap (from 1 within the run), lap_s, flag.
    """

    runs: pd.DataFrame
    laps: pd.DataFrame

    @property
    def meetings(self) -> list[str]:
        return list(dict.fromkeys(self.runs["meeting"]))

    def only(self, meetings: list[str]) -> Races:
        """These meetings alone."""
        keep = self.runs["meeting"].isin(meetings).to_numpy()
        number = np.cumsum(keep) - 1
        laps = self.laps[keep[self.laps["run"].to_numpy()]]
        laps = laps.assign(run=number[laps["run"].to_numpy()])
        return Races(self.runs[keep].reset_index(drop=True), laps.reset_index(drop=True))


def read_races(path: Path) -> Races:
    """The table at `path` (parquet or CSV). Raises ValueError for what is missing in it."""
    table = pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)
    return races_of(table)


def races_of(table: pd.DataFrame) -> Races:
    """Stints as runs; the lap into the pits ends a run before its line and is left out.

    A run that lost a lap is two: after the hole it counts anew, as times and lap numbers do.
    """
    missing = [name for name in NEEDED if name not in table]
    if missing:
        raise ValueError(f"the table has no column {', '.join(missing)}")
    table = table.assign(**{n: v for n, v in OPTIONAL.items() if n not in table})
    table = table.sort_values(["meeting", "driver", "lap"], kind="stable")
    table = table[~table["pit"].isin(["in", "both"])].reset_index(drop=True)
    own = ["meeting", "driver", "stint"]
    end = table["start_s"] + table["lap_s"]
    opens = (table[own] != table[own].shift()).any(axis=1)
    opens |= (table["start_s"] - end.shift()).abs() > HOLE_S
    run = (opens.cumsum() - 1).to_numpy()
    laps = table[["lap_s", "flag"]].assign(run=run, lap=table.groupby(run).cumcount() + 1)
    return Races(_runs(table[opens].reset_index(drop=True), run), laps)


def _runs(first: pd.DataFrame, run: np.ndarray) -> pd.DataFrame:
    """One row a run, from its first lap."""
    number = first.groupby(["meeting", "driver"]).cumcount() + 1
    day = pd.Timestamp(FIRST_DAY) + pd.to_timedelta(14 * (first["meeting"] - 1), unit="D")
    start = day + pd.to_timedelta(NOON_H * 3_600 + first["start_s"], unit="s").dt.round("ms")
    return pd.DataFrame(
        {
            "meeting": [f"meeting-{m:02d}" for m in first["meeting"]],
            "date": day.dt.strftime("%Y-%m-%d"),
            "session": [f"Stint {n}" for n in number],
            "session_kind": "final",
            "driver": [f"Driver {d:02d}" for d in first["driver"]],
            "run_no": number,
            "start": start,
            "tyre": first["tyre"],
            "laps": np.bincount(run),
        }
    )
