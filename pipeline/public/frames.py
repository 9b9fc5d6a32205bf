"""Frames in memory → the input of the models: checked whole, copied, never changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.errors import CallError, Problem, UserError
from pipeline.public.columns import DAY, MOMENT, Columns, as_day, as_moment, as_text
from pipeline.read.status import lap_status
from pipeline.runs.order import hours
from pipeline.tables.records import SeasonData
from pipeline.tables.schema import LAP_STATUSES, SESSION_KINDS
from pipeline.team.config import Config, check_config
from pipeline.team.factors import Factor, number_text
from pipeline.team.tables import GRIPS

if TYPE_CHECKING:
    Array = np.ndarray[Any, Any]

NEEDED = ("meeting", "date", "session", "session_kind", "driver", "team", "run_no")
OPTIONAL = ("class", "heat", "start", "surface", "grip", "excluded")
LAPS_NEEDED = ("run", "lap", "lap_s")
# A start may lie so many hours after midnight of its run's date: a meeting may end after midnight.
LATEST_HOUR = 36.0


def season_data(
    runs: pd.DataFrame, laps: pd.DataFrame, raw: Mapping[str, Any]
) -> tuple[SeasonData, list[str]]:
    """The frames as the models take them, and what is to be said about them.

    runs, laps: see `pipeline.analyse`. raw: `team`, `factor` and `claim` as in team.toml. Raises
    UserError with every fault of the frames, the factors and the claims at once.
    """
    for name, frame in (("runs", runs), ("laps", laps)):
        if not isinstance(frame, pd.DataFrame):
            raise CallError(f"{name} is a {type(frame).__name__}; expected a pandas DataFrame")
    config = check_config(dict(raw))
    problems = config.problems
    names = [factor.name for factor in config.factors]
    ran = Columns("runs", runs, problems)
    ran.require([*NEEDED, *names], {*NEEDED, *OPTIONAL, *names})
    lapped = Columns("laps", laps, problems)
    lapped.require(LAPS_NEEDED, {*LAPS_NEEDED, "status"})
    for table in (ran, lapped):
        if not len(table):
            problems.append(Problem("no row", "at least one", table.name))
    columns = _run_columns(ran, config)
    found = _Laps.of(lapped, len(runs))
    if problems or config.team is None:
        count = f"{len(problems)} fault{'s' * (len(problems) != 1)}"
        raise UserError(f"what was handed in has {count}:", problems)
    frame = _with_hours(columns, found)
    data = SeasonData(
        frame, found.frame(), tuple(config.factors), tuple(config.claims),
        config.team.race_seconds, config.team.worthwhile_s,
    )  # fmt: skip
    return data, _not_used(ran, {*NEEDED, *OPTIONAL, *names})


def _not_used(ran: Columns, known: set[str]) -> list[str]:
    unused = [repr(str(name)) for name in ran.frame.columns if name not in known]
    return [f"runs: column {', '.join(unused)} is not used"] if unused else []


def _run_columns(ran: Columns, config: Config) -> dict[str, Array]:
    """Every column but the hours, (R,) each; `start` as moments."""
    out = {name: ran.text(name, needed=True) for name in ("meeting", "session", "driver")}
    out |= {name: _filled(ran.text(name)) for name in ("class", "heat")}
    out["date"] = ran.each("date", as_day, DAY, needed=True)
    out["session_kind"] = ran.word("session_kind", SESSION_KINDS, needed=True)
    out["team"] = ran.flags("team")
    out["run_no"] = ran.whole("run_no", 1)
    out["start"] = ran.each("start", as_moment, MOMENT)
    out["surface"] = ran.each("surface", _surface, "text")
    out["grip"] = ran.word("grip", GRIPS)
    out["excluded"] = ran.text("excluded")
    for factor in config.factors:
        out[factor.name] = _where(out["team"], _settings(ran, factor))
    _check_together(ran, out)
    return out


def _filled(texts: Array) -> Array:
    return np.where(pd.isna(texts), "", texts)


def _where(flags: Array, cells: Array) -> Array:
    """The cells where a flag is up, None elsewhere."""
    out = np.full(len(cells), None, dtype=object)
    out[flags] = cells[flags]
    return out


def _surface(cell: Any) -> str | None:
    text = as_text(cell)
    return text.casefold() if text else None


def _settings(ran: Columns, factor: Factor) -> Array:
    def read(cell: Any) -> str | None:
        whole = as_text(cell)
        text = number_text(cell) if whole is None and isinstance(cell, float) else whole
        return None if text is None else factor.read(text)

    return ran.each(factor.name, read, factor.expected())


def _check_together(ran: Columns, columns: Mapping[str, Array]) -> None:
    """What only several columns show: one class, a team, each run's number once, starts."""
    classes = list(dict.fromkeys(columns["class"]))
    if len(classes) > 1:
        listed = ", ".join(repr(name) for name in classes)
        ran.fault(f"the classes {listed}", "the runs of one class", "class")
    if len(ran) and ran.has("team") and not columns["team"].any():
        ran.fault("False in every row", "True in the runs of the team's drivers", "team")
    if ran.has("run_no"):
        keys = pd.DataFrame({name: columns[name] for name in ("meeting", "driver", "run_no")})
        again = keys.notna().all(axis=1) & keys.duplicated()
        ran.rows(again.to_numpy(), "each number once within driver and meeting", "run_no")
    hour = _hours_of(columns["start"], columns["date"])
    with np.errstate(invalid="ignore"):
        wrong = (hour < 0) | (hour >= LATEST_HOUR)
    ran.rows(wrong, "a time on the day that stands in date", "start")


def _hours_of(start: Array, date: Array) -> Array:
    """(R,) hours from midnight of the day to the start, NaN where either is missing."""
    known = ~pd.isna(start) & ~pd.isna(date)
    out = np.full(len(start), np.nan)
    moments = start[known].astype("datetime64[us]")
    out[known] = (moments - date[known].astype("datetime64[us]")) / np.timedelta64(1, "h")
    return out


@dataclass(frozen=True)
class _Laps:
    """Laps sorted by run and lap, (L,) each; status: codes of LAP_STATUSES."""

    run: Array
    lap: Array
    lap_s: Array
    status: Array

    @staticmethod
    def of(lapped: Columns, runs: int) -> _Laps:
        run = lapped.whole("run", 0, max(runs - 1, 0))
        lap = lapped.whole("lap", 1)
        lap_s = lapped.numbers("lap_s", lambda v: v > 0, "seconds above 0")
        order = np.lexsort((lap, run))
        run, lap, lap_s = run[order], lap[order], lap_s[order]
        again = np.zeros(len(run), dtype=bool)
        again[order[1:]] = (run[1:] == run[:-1]) & (lap[1:] == lap[:-1])
        lapped.rows(again, "each lap of a run once", "lap")
        if "status" in lapped.frame:
            word = lapped.word("status", LAP_STATUSES, needed=True)[order]
            status = pd.Categorical(word, categories=LAP_STATUSES).codes
        else:
            status = _found_statuses(run, lap_s)
        return _Laps(run, lap, lap_s, status)

    def frame(self) -> pd.DataFrame:
        status = pd.Categorical.from_codes(self.status, pd.Index(LAP_STATUSES))
        run, lap = self.run.astype(np.intp), self.lap.astype(np.int64)
        return pd.DataFrame({"run": run, "lap": lap, "lap_s": self.lap_s, "status": status})


def _found_statuses(run: Array, lap_s: Array) -> Array:
    """Codes by the rules of the driver's own run, see read.status; zeros where laps are faulty."""
    if np.isnan(run).any() or np.isnan(lap_s).any():
        return np.zeros(len(run), dtype=np.int8)
    opens = np.ones(len(run), dtype=bool)
    opens[1:] = run[1:] != run[:-1]
    return lap_status(run.astype(np.intp), lap_s, opens)


def _with_hours(columns: dict[str, Array], laps: _Laps) -> pd.DataFrame:
    """The runs with their hours: at the middle of the run, or by the order of the sessions."""
    hour, known = hours(_sessions(columns))
    seconds = np.bincount(laps.run.astype(np.intp), laps.lap_s, len(hour))
    fine = columns["start"].astype("datetime64[us]") + np.timedelta64(500, "ms")
    moments = fine.astype("datetime64[s]").astype(str).astype(object)
    text = {name: columns[name] for name in columns if name not in ("team", "run_no")}
    text["start"] = _where(known, moments)
    frame = pd.DataFrame(text, dtype="str")
    frame["team"], frame["run_no"] = columns["team"], columns["run_no"].astype(np.int64)
    frame["hour"] = hour + np.where(known, seconds, 0.0) / 7200
    frame["hour_known"] = known
    return frame


def _sessions(columns: Mapping[str, Array]) -> pd.DataFrame:
    """What `runs.order.hours` takes; without a clock the drivers' run numbers tell the order.

    A session's place is the highest number that a run has in it: whoever missed an earlier
    session has a lower one.
    """
    names = ["meeting", "date", "class", "session", "session_kind"]
    frame = pd.DataFrame({name: columns[name] for name in names})
    frame["first_s"] = _hours_of(columns["start"], columns["date"]) * 3600
    frame["start_s"] = np.nan
    if frame["first_s"].notna().all():
        return frame
    frame["order"] = columns["run_no"]
    frame["order"] = frame.groupby(names[:4], sort=False)["order"].transform("max")
    return frame.assign(source="", listed=np.nan)
