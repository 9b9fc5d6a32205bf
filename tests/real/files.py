"""The same meetings as a team folder with exports in every layout and order, by the commands alone.

A meeting is one export of laps or of passings, with the session (the driver's stint) in a column;
as grid a file a session. A grid knows no time of day: in memory the starts are then left out too.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

import pipeline
from tests.real.draws import FACTOR, OUTCOMES, RACE_S, WORTHWHILE_S, Draw

ROOT = Path(__file__).parents[2]
Sort = Callable[[pd.DataFrame], pd.DataFrame]
ORDERS: dict[str, Sort] = {
    "end": lambda rows: rows.sort_values(["end", "driver"]),
    "start": lambda rows: rows.sort_values(["begin", "driver"]),
    "position": lambda rows: rows.sort_values(["session", "lap", "end"]),
    "car": lambda rows: rows.sort_values(["driver", "end"]),
    "lot": lambda rows: rows.sample(frac=1, random_state=np.random.default_rng(1)),
}
KEYS = ["meeting", "session", "driver", "lap"]
LABEL = FACTOR["name"]


@dataclass(frozen=True)
class Written:
    """A team folder with all its exports imported."""

    folder: Path

    def laps(self) -> pd.DataFrame:
        """The store's laps, by meeting, session, driver and lap."""
        laps = pd.read_parquet(self.folder / "store" / "laps")
        return laps.sort_values(KEYS, ignore_index=True)

    def season(self) -> Path:
        """Where `season` put its results."""
        out = self.folder / "results"
        backtoback(self.folder, "season", "--out", out)
        return out


def backtoback(folder: Path, *arguments: object) -> str:
    """The command as a user gives it; its stdout. Raises RuntimeError where it fails."""
    command = [sys.executable, "-m", "pipeline", "--team", str(folder), *map(str, arguments)]
    done = subprocess.run(
        command, capture_output=True, text=True, encoding="utf-8", check=False, cwd=ROOT,
        env=os.environ | {"PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    if done.returncode:
        raise RuntimeError(done.stderr)
    return done.stdout


def write(world: Draw, folder: Path, layout: str, order: str = "end") -> Written:
    """The world as a team folder; its exports in this layout, their rows in this order."""
    folder.mkdir(parents=True)
    _write_tables(world, folder)
    rows = lap_rows(world)
    for meeting, laps in rows.groupby("meeting"):
        place = folder / "exports" / str(meeting)
        place.mkdir(parents=True)
        WRITERS[layout](laps, place, ORDERS[order])
        backtoback(folder, "import", place, "--meeting", meeting)
    return Written(folder)


def lap_rows(world: Draw) -> pd.DataFrame:
    """A row a lap with its run's columns, and begin and end (timestamps)."""
    laps = world.laps.reset_index(drop=True)
    ends = pd.to_timedelta(laps.groupby("run")["lap_s"].cumsum(), unit="s").dt.round("ms")
    runs = world.runs.iloc[laps["run"]].reset_index(drop=True)
    took = pd.to_timedelta(laps["lap_s"], unit="s").dt.round("ms")
    end = runs["start"] + ends
    return runs.assign(lap=laps["lap"], lap_s=laps["lap_s"], begin=end - took, end=end)


def _write_tables(world: Draw, folder: Path) -> None:
    levels = ", ".join(f'"{level}"' for level in FACTOR["levels"])
    (folder / "team.toml").write_text(
        f'[team]\nname = "Real laps"\nrace_seconds = {RACE_S}\nworthwhile_s = {WORTHWHILE_S}\n\n'
        f'[[factor]]\nname = "{LABEL}"\nlabel = "{LABEL}"\nkind = "{FACTOR["kind"]}"\n'
        f'levels = [{levels}]\nreference = "{FACTOR["reference"]}"\n'
    )
    team = sorted(set(world.runs.loc[world.runs["team"], "driver"]))
    people = [f"{name},{transponder(name)},yes,," for name in team]
    _write_lines(folder / "drivers.csv", ["driver,transponder,team,from,until", *people])
    days = world.runs[["meeting", "date"]].drop_duplicates().to_numpy().tolist()
    meetings = [f"{name},{date},Circuit,,,UTC," for name, date in days]
    header = "meeting,date,venue,surface,grip,timezone,layout"
    _write_lines(folder / "meetings.csv", [header, *meetings])
    own = world.runs[world.runs["team"]][["meeting", "driver", "run_no", LABEL]]
    log = [",".join(map(str, row)) for row in own.to_numpy().tolist()]
    _write_lines(folder / "setups.csv", [f"meeting,driver,run,{LABEL}", *log])


def transponder(driver: str) -> str:
    return str(5_200_000 + 611 * int(driver.split()[1]))


def _write_lines(path: Path, lines: list[str]) -> None:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _write_laps(laps: pd.DataFrame, folder: Path, sort: Sort) -> None:
    lines = ["Session,Driver,Transponder,Lap,Lap time,Time of day"]
    for row in sort(laps).itertuples():
        number, at = transponder(row.driver), f"{row.end:%H:%M:%S.%f}"[:-3]
        lines.append(f"{row.session},{row.driver},{number},{row.lap},{row.lap_s:.3f},{at}")
    _write_lines(folder / "laps.csv", lines)


def _write_passings(laps: pd.DataFrame, folder: Path, sort: Sort) -> None:
    """The first lap of a run begins with a crossing of its own."""
    opening = laps[laps["lap"] == 1]
    crossed = pd.concat([laps, opening.assign(end=opening["begin"], lap=0)])
    lines = ["Session;Driver;Passing time"]
    for row in sort(crossed).itertuples():
        lines.append(f"{row.session};{row.driver};{f'{row.end:%H:%M:%S.%f}'[:-3]}")
    _write_lines(folder / "passings.csv", lines)


def _write_grid(laps: pd.DataFrame, folder: Path, sort: Sort) -> None:
    for session, rows in laps.groupby("session"):
        wide = rows.pivot_table(index="lap", columns="driver", values="lap_s")
        lines = [str(session), ",".join(["Lap", *wide.columns])]
        for lap, cells in wide.iterrows():
            lines.append(",".join([str(lap), *("" if np.isnan(s) else f"{s:.3f}" for s in cells)]))
        _write_lines(folder / f"{session}.csv", lines)


WRITERS: dict[str, Callable[[pd.DataFrame, Path, Sort], None]] = {
    "laps": _write_laps,
    "passings": _write_passings,
    "grid": _write_grid,
}


def in_memory(world: Draw, clock: bool = True) -> pd.DataFrame:
    """`effects` of the frames; clock: with the times of day."""
    runs = world.runs if clock else world.runs.drop(columns="start")
    found = pipeline.analyse(
        runs, world.laps[["run", "lap", "lap_s"]], [FACTOR], outcomes=list(OUTCOMES),
        race_seconds=RACE_S, worthwhile_s=WORTHWHILE_S,
    )  # fmt: skip
    return found.effects


def from_commands(written: Written) -> pd.DataFrame:
    """`effects` as `season` writes them."""
    return pd.read_parquet(written.season() / "effects.parquet")


def largest_difference(one: pd.DataFrame, other: pd.DataFrame) -> float:
    """Largest difference between two tables of effects, in standard errors. Raises ValueError
    where they have other rows, other words or other empty cells."""
    keys = ["outcome", "factor", "level", "condition", "n_runs", "n_drivers", "n_switches"]
    if one[[*keys, "verdict"]].values.tolist() != other[[*keys, "verdict"]].values.tolist():
        raise ValueError("the two tables have other rows or verdicts")
    numbers = ["estimate", "ci_low", "ci_high"]
    ratio = one["outcome"].isin(["spread", "mistakes"]).to_numpy()[:, None]
    a, b = (table[numbers].to_numpy(float) for table in (one, other))
    if (np.isnan(a) != np.isnan(b)).any():
        raise ValueError("the two tables have other empty cells")
    with np.errstate(invalid="ignore"):
        a, b = (np.where(ratio, np.log(values), values) for values in (a, b))
    return float(np.nanmax(np.abs(a - b) / one[["std_error"]].to_numpy(float)))
