"""A world as `pipeline.analyse` takes it: a row a run, a row a lap."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
from numpy.random import Generator

from tests.worlds.laps import STATUSES, Laps
from tests.worlds.parameters import GRIP_WORDS, Factor, Parameters
from tests.worlds.schedule import KINDS, OPENS, Flags, Integers, Schedule
from tests.worlds.settings import Settings

FIRST_DAY = date(2026, 1, 10)
DAYS_APART = 14
SURFACES = np.array(["carpet", "asphalt"], dtype=object)


def runs_frame(p: Parameters, s: Schedule, chosen: Settings, rng: Generator) -> pd.DataFrame:
    """In the order of `s`; factors as somebody wrote them down."""
    team = s.of_team(p.cars)
    kind = np.array(KINDS, dtype=object)[s.kind[s.round]]
    columns = {
        "meeting": _names("meeting", s.meeting),
        "date": _dates(p)[s.meeting],
        "class": np.full(len(team), "touring" if rng.random() < 0.5 else "", dtype=object),
        "session": _sessions(s)[s.round],
        "session_kind": kind,
        "heat": _names("", s.heat),
        "driver": np.where(team, _names("car", s.driver), _names("rival", s.driver - p.cars)),
        "team": team,
        "run_no": run_numbers(s),
        "start": _starts(p, s, rng),
        "surface": SURFACES[s.surface[s.meeting]],
        "grip": np.array(GRIP_WORDS, dtype=object)[s.round_word[s.meeting, s.round]],
    }
    for place, factor in enumerate(p.factors):
        columns[factor.name] = _logged(p, factor, chosen.level[:, place], team, rng)
    return pd.DataFrame(columns)


def _names(word: str, numbers: Integers) -> np.ndarray:
    """'car 3' for 2, made once a number."""
    last = int(numbers.max(initial=0)) + 1
    table = np.array([f"{word} {n + 1}".strip() for n in range(last)], dtype=object)
    return table[np.maximum(numbers, 0)]


def _dates(p: Parameters) -> np.ndarray:
    days = [FIRST_DAY + timedelta(days=DAYS_APART * n) for n in range(p.meetings)]
    return np.array([day.isoformat() for day in days], dtype=object)


def _sessions(s: Schedule) -> np.ndarray:
    """'qualifying 2': each kind counted by itself."""
    names = [f"{KINDS[kind]} {(s.kind[: n + 1] == kind).sum()}" for n, kind in enumerate(s.kind)]
    return np.array(names, dtype=object)


def run_numbers(s: Schedule) -> Integers:
    """From 1 within driver and meeting, in time."""
    order = np.lexsort((s.start, s.driver, s.meeting))
    entry = np.column_stack([s.meeting, s.driver])[order]
    new = np.append(True, (entry[1:] != entry[:-1]).any(axis=1))[: len(order)]
    place = np.arange(len(order))
    out = np.empty(len(order), dtype=np.int64)
    out[order] = place - np.maximum.accumulate(np.where(new, place, 0)) + 1
    return out


def _starts(p: Parameters, s: Schedule, rng: Generator) -> np.ndarray | pd.Series:
    """Local date and time: timestamps or ISO text, or none in the whole world."""
    if not p.known_starts:
        return np.full(len(s.start), None, dtype=object)
    day = np.datetime64(FIRST_DAY, "s") + (s.meeting * DAYS_APART).astype("timedelta64[D]")
    seconds = np.round((OPENS + s.start) * 3600).astype("timedelta64[s]")
    stamps = day + seconds
    return stamps if rng.random() < 0.5 else np.datetime_as_string(stamps).astype(object)


def _logged(
    p: Parameters, factor: Factor, level: Integers, team: Flags, rng: Generator
) -> np.ndarray:
    """The log of one factor: a few wrong, a few unknown, nothing of rivals."""
    wrong = rng.random(len(level)) < p.wrong
    other = (level + rng.integers(1, len(factor.levels), len(level))) % len(factor.levels)
    known = team & (rng.random(len(level)) >= p.unknown)
    written = np.where(wrong, other, level)
    if factor.kind == "number":
        return np.where(known, np.array(factor.levels, dtype=float)[written], np.nan)
    return np.array([*factor.levels, None], dtype=object)[np.where(known, written, -1)]


def laps_frame(p: Parameters, laps: Laps) -> pd.DataFrame:
    """Laps of the runs in their order, numbered as the timing counts them."""
    run, _ = np.nonzero(laps.there)
    number = np.cumsum(laps.there, axis=1)[laps.there]
    frame = {"run": run, "lap": number, "lap_s": laps.seconds[laps.there]}
    if p.status_column:
        frame["status"] = STATUSES.astype(object)[laps.status[laps.there]]
    return pd.DataFrame(frame)
