"""Team folders with a store of any size, written straight into it, for the benchmarks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.read import ReadOptions
from pipeline.store.batches import recorded
from pipeline.store.parquet import Batch, ImportRecord, open_store
from pipeline.tables.schema import SESSIONS, SET_ASIDE

LEVELS = ("soft", "middle", "stiff")
KINDS = ("practice", "practice", "practice", "qualifying", "qualifying", "qualifying", "final")
SURFACES, GRIPS = ("carpet", "asphalt"), ("low", "medium", "high")
RUN_SD, LAP_SD = 0.1, 0.22  # s


@dataclass(frozen=True)
class Size:
    """A season: `drivers` at each meeting, a fifth of them the team's; 24 or 25 laps a run."""

    meetings: int = 12
    drivers: int = 60
    runs: int = 8
    factors: int = 7
    laps: int = 25
    pool: int = 0

    @property
    def names(self) -> int:
        """How many drivers there are in all."""
        return max(self.pool, self.drivers)

    @property
    def team(self) -> int:
        return max(self.drivers // 5, 1)


def write_team(folder: Path, size: Size, seed: int = 7) -> Path:
    """The team folder: config, tables, setup log and store."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    (folder / "team.toml").write_text(_config(size.factors), encoding="utf-8")
    team = pd.DataFrame({"driver": [_driver(d) for d in range(size.team)]})
    team["transponder"] = [str(100_000 + d) for d in range(size.team)]
    team.assign(team="yes", **{"from": "", "until": ""}).to_csv(folder / "drivers.csv", index=False)
    _meetings(size).to_csv(folder / "meetings.csv", index=False)
    _log(size, rng).to_csv(folder / "setups.csv", index=False)
    store, pace = open_store(folder), rng.normal(16, 0.5, size.names)
    for meeting in range(size.meetings):
        store.put(_meeting(meeting), _batch(meeting, size, pace, rng))
    return folder


def _driver(number: int) -> str:
    return f"Driver {number:04d}"


def _meeting(number: int) -> str:
    return f"m{number:05d}"


def _config(factors: int) -> str:
    head = '[team]\nname = "Benchmark"\nrace_seconds = 300\nworthwhile_s = 0.03\n'
    levels = ", ".join(f'"{level}"' for level in LEVELS)
    return head + "".join(
        f'\n[[factor]]\nname = "part_{f}"\nlabel = "Part {f}"\nkind = "ordered"\n'
        f'levels = [{levels}]\nreference = "middle"\n'
        for f in range(factors)
    )


def _day(meeting: int) -> date:
    return date(2000, 1, 1) + timedelta(days=2 * meeting)


def _meetings(size: Size) -> pd.DataFrame:
    rows = [
        (_meeting(m), _day(m).isoformat(), "Hall", SURFACES[m % 2], GRIPS[m % 3], "UTC", "")
        for m in range(size.meetings)
    ]
    columns = ["meeting", "date", "venue", "surface", "grip", "timezone", "layout"]
    return pd.DataFrame(rows, columns=columns)


def _log(size: Size, rng: np.random.Generator) -> pd.DataFrame:
    """A sheet: a row a run of the team; each part is changed in about a third of the runs."""
    meeting, driver, run = (
        axis.ravel() for axis in np.indices((size.meetings, size.team, size.runs))
    )
    log = pd.DataFrame({
        "meeting": [_meeting(m) for m in meeting], "driver": [_driver(d) for d in driver],
        "run": run + 1,
    })  # fmt: skip
    for f in range(size.factors):
        log[f"part_{f}"] = rng.choice(LEVELS, len(log), p=[0.2, 0.6, 0.2])
    return log


def _batch(meeting: int, size: Size, pace: np.ndarray, rng: np.random.Generator) -> Batch:
    own = np.arange(size.drivers)
    if size.pool > size.drivers:  # the team, and others out of the pool
        others = rng.choice(np.arange(size.team, size.pool), size.drivers - size.team, False)
        own = np.append(np.arange(size.team), others)
    laps = _laps(meeting, own, size, pace, rng)
    names = [f"Run {turn + 1}" for turn in range(size.runs)]
    source = f"exports/{_meeting(meeting)}.csv"
    midnight = pd.Timestamp(_day(meeting), tz="UTC")
    sessions = SESSIONS.conform({
        "meeting": _meeting(meeting), "session": names,
        "session_kind": [KINDS[turn % len(KINDS)] for turn in range(size.runs)],
        "class": "", "heat": "", "date": _day(meeting).isoformat(),
        "start": [midnight + pd.Timedelta(hours=8 + turn) for turn in range(size.runs)],
        "order": range(size.runs), "source": source,
    })  # fmt: skip
    people = [[str(100_000 + d), _driver(d)] for d in own]
    options = recorded(ReadOptions(_meeting(meeting)))
    count = len(laps)
    record = ImportRecord(
        source, f"{meeting:064d}", 0, options, count, count, 0, count, names, people, {}
    )  # fmt: skip
    return Batch([record], laps, SET_ASIDE.empty(), sessions)


def _laps(
    meeting: int, own: np.ndarray, size: Size, pace: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    turn, car = (axis.ravel() for axis in np.indices((size.runs, len(own))))
    n = size.laps + (rng.random(len(turn)) < 0.265) + 0
    run = np.repeat(np.arange(len(turn)), n)
    lap = np.arange(len(run)) - np.repeat(np.cumsum(n) - n, n) + 1
    hour = 8 + turn + 0.1 * (car % 6)
    level = pace[own[car]] + 0.5 * np.exp(-(hour - 8) / 3) + rng.normal(0, RUN_SD, len(turn))
    seconds = level[run] + rng.normal(0, LAP_SD, len(run)) + 0.2 * np.exp(-(lap - 2) / 3)
    status = np.where(lap == 1, 1, np.where(rng.random(len(run)) < 0.02, 2, 0))
    seconds = np.round(seconds + np.where(status > 0, 3.0, 0.0), 3)
    total = np.cumsum(seconds)
    elapsed = total - np.repeat(total[np.cumsum(n) - 1] - np.bincount(run, seconds), n)
    at = np.datetime64(_day(meeting), "ms") + (1000 * (3600 * hour[run] + elapsed)).astype("m8[ms]")
    return pd.DataFrame({
        "meeting": _text([_meeting(meeting)], np.zeros(len(run), int)),
        "session": _text([f"Run {t + 1}" for t in range(size.runs)], turn[run]),
        "session_kind": _text(KINDS, turn[run] % len(KINDS)),
        "class": _text([""], np.zeros(len(run), int)), "heat": _text([""], np.zeros(len(run), int)),
        "driver": _text([_driver(d) for d in own], car[run]),
        "transponder": _text([str(100_000 + d) for d in own], car[run]),
        "team": (own < size.team)[car[run]], "lap": lap, "lap_s": seconds,
        "at": pd.DatetimeIndex(at, tz="UTC"), "elapsed_s": elapsed,
        "status": _text(["clean", "first", "incident"], status),
        "source": _text([f"exports/{_meeting(meeting)}.csv"], np.zeros(len(run), int)),
        "source_line": np.arange(len(run)) + 2,
        "name_as_given": _text([_driver(d) for d in own], car[run]),
    })  # fmt: skip


def _text(values: list[str] | tuple[str, ...], codes: np.ndarray) -> pd.Series:
    return pd.Series(pd.array(values, dtype="str").take(codes))
