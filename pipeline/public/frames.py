"""Frames in memory → the input of the models: checked whole, copied, never changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from numbers import Real
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.errors import CallError, Problem, UserError
from pipeline.public.columns import (
    DAY,
    MOMENT,
    TEXT,
    Columns,
    as_day,
    as_text,
    holds_numbers,
)
from pipeline.public.laps import LapRows, read_laps
from pipeline.runs.neutralised import with_neutralised
from pipeline.runs.order import filled, places_by_number
from pipeline.tables.conditions import CONDITIONS, Condition
from pipeline.tables.records import SeasonData
from pipeline.tables.schema import SESSION_KINDS
from pipeline.team.config import check_config, is_own_name
from pipeline.team.factors import Factor, NumberCondition, number_text

if TYPE_CHECKING:
    Array = np.ndarray[Any, Any]

# Columns of `runs`, with what stands in them.
NEEDED = {
    "meeting": TEXT,
    "date": DAY,
    "session": TEXT,
    "session_kind": ", ".join(SESSION_KINDS),
    "driver": TEXT,
    "team": "True or False",
    "run_no": "whole numbers from 1",
}
OPTIONAL = {
    "class": TEXT,
    "heat": TEXT,
    "start": MOMENT,
    "excluded": TEXT,
}
# A start may lie so many hours after midnight of its run's date: a meeting may end after midnight.
LATEST_HOUR = 36.0


def season_data(
    runs: pd.DataFrame,
    laps: pd.DataFrame,
    raw: dict[str, Any],
    conditions: Sequence[Any] | None = None,
) -> tuple[SeasonData, list[str]]:
    """The frames as the models take them, and what is to be said about them.

    runs, laps: see `pipeline.analyse`. raw: `team`, `factor` and `claim` as in team.toml.
    conditions: columns of `runs` that are further conditions, among other names; None: all those
    that hold numbers. Raises UserError with every fault of the frames, the factors and the claims
    at once.
    """
    asked = _conditions(runs, raw["factor"], conditions)
    config = check_config(raw | {"condition": asked})
    problems, factors = config.problems, config.factors
    ran, lapped = _columns("runs", runs, problems), _columns("laps", laps, problems)
    columns = _run_columns(ran, factors)
    columns |= {one.name: _numbers(ran, one.name) for one in config.conditions}
    rows = read_laps(lapped, len(ran))
    if problems or config.team is None:
        count = f"{len(problems)} fault{'s' * (len(problems) != 1)}"
        raise UserError(f"what was handed in has {count}:", problems)
    frame, lap_frame = _with_hours(columns, rows), rows.frame(columns)
    frame["excluded"] = with_neutralised(frame["excluded"], lap_frame)
    data = SeasonData(
        frame, lap_frame, tuple(factors), tuple(config.claims),
        config.team.race_seconds, config.team.worthwhile_s,
        config.team.worth_changing_s, tuple(config.properties), conditions=tuple(config.conditions),
    )  # fmt: skip
    return data, [*_not_used(ran, [*factors, *config.conditions]), *rows.notes(columns)]


def as_driven(data: SeasonData) -> tuple[SeasonData, Array]:
    """The runs in the order in which they were driven, laps with them, and the place of each row
    that was given among them.

    Sums in another order differ in their last digits, and from there an iteration, a draw or a
    choice may go another way: the same rows in any order are to give the same tables.
    """
    keys = ["date", "meeting", "hour", "session", "driver", "run_no"]
    order = data.runs.sort_values(keys, kind="stable").index.to_numpy()
    place = np.empty(len(order), int)
    place[order] = np.arange(len(order))
    laps = data.laps.assign(run=place[data.laps["run"].to_numpy()])
    laps = laps.sort_values(["run", "lap"], kind="stable").reset_index(drop=True)
    return replace(data, runs=data.runs.loc[order].reset_index(drop=True), laps=laps), place


def further_columns(runs: Any, factors: Sequence[Any]) -> list[str]:
    """The columns of runs that are neither the tool's nor a factor: what may be conditions."""
    if not isinstance(runs, pd.DataFrame):
        return []
    taken = {
        *NEEDED,
        *OPTIONAL,
        *CONDITIONS,
        *(f.get("name") for f in factors if isinstance(f, Mapping)),
    }
    return [name for name in map(str, runs.columns) if name not in taken and is_own_name(name)]


def _conditions(
    runs: Any, factors: Sequence[Any], wanted: Sequence[Any] | None
) -> list[dict[str, str]]:
    """The further columns that are wanted (None: those that hold numbers), as `[[condition]]`."""
    names = further_columns(runs, factors)
    if wanted is None:
        return [{"name": name} for name in names if holds_numbers(runs[name])]
    return [{"name": name} for name in names if name in wanted]


def _numbers(ran: Columns, name: str) -> Array:
    """A condition's numbers, (R,); NaN where it is not known."""
    is_number = lambda cell: cell if isinstance(cell, Real) and not isinstance(cell, bool) else None  # noqa: E731
    return np.array(ran.each(name, is_number, "numbers, or nothing"), dtype=float)


def _columns(name: str, frame: pd.DataFrame, problems: list[Problem]) -> Columns:
    if not isinstance(frame, pd.DataFrame):
        raise CallError(f"{name} is a {type(frame).__name__}; expected a pandas DataFrame")
    if not len(frame):
        problems.append(Problem("no row", "at least one", name))
    return Columns(name, frame, problems)


def _not_used(ran: Columns, used: Sequence[Factor | NumberCondition]) -> list[str]:
    known = {*NEEDED, *OPTIONAL, *CONDITIONS, *(each.name for each in used)}
    unused = [repr(name) for name in ran.names if name not in known]
    return [f"runs: column {', '.join(unused)} is not used"] if unused else []


def _run_columns(ran: Columns, factors: Sequence[Factor]) -> dict[str, Array]:
    """Every column but the hours, (R,) each; `start` as moments, `clock` in hours of the day."""
    of_conditions = {c.name: c.expected for c in CONDITIONS.values()}
    ran.require(NEEDED | {f.name: f.expected() for f in factors}, OPTIONAL | of_conditions)
    out = {name: ran.text(name, needed=True) for name in ("meeting", "session", "driver")}
    out |= {name: _filled(ran.text(name)) for name in ("class", "heat")}
    out["date"] = ran.each("date", as_day, DAY, needed=True)
    out["session_kind"] = ran.word("session_kind", SESSION_KINDS, needed=True)
    out["team"] = ran.flags("team")
    out["run_no"] = ran.whole("run_no", 1)
    out["start"] = ran.moments("start")
    out["clock"] = (out["start"] - out["date"].astype("datetime64[us]")) / np.timedelta64(1, "h")
    out |= {c.name: _condition(ran, c) for c in CONDITIONS.values()}
    out["excluded"] = ran.text("excluded")
    out |= {factor.name: _where(out["team"], _settings(ran, factor)) for factor in factors}
    _check_together(ran, out)
    return out


def _filled(texts: Array) -> Array:
    return np.where(pd.isna(texts), "", texts)


def _where(flags: Array, cells: Array) -> Array:
    """The cells where a flag is up, None elsewhere."""
    out = np.full(len(cells), None, dtype=object)
    out[flags] = cells[flags]
    return out


def _condition(ran: Columns, condition: Condition) -> Array:
    def read(cell: Any) -> str | None:
        text = as_text(cell)
        return None if text is None else condition.read(text)

    expected = f"{condition.expected} or nothing" if condition.values else condition.expected
    return ran.each(condition.name, read, expected)


def _settings(ran: Columns, factor: Factor) -> Array:
    def read(cell: Any) -> str | None:
        is_number = isinstance(cell, Real) and not isinstance(cell, bool | np.bool_)
        text = number_text(float(cell)) if is_number else as_text(cell)
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
    again = _seen_before(columns["meeting"], columns["driver"], columns["run_no"])
    ran.rows(again, "each number once within driver and meeting", "run_no")
    with np.errstate(invalid="ignore"):
        wrong = (columns["clock"] < 0) | (columns["clock"] >= LATEST_HOUR)
    ran.rows(wrong, "a time on the day that stands in date", "start")


def _seen_before(meeting: Array, driver: Array, run_no: Array) -> Array:
    """(R,) bool: a row before has the same three; never where one of them is missing."""
    codes = [pd.factorize(cells)[0] for cells in (meeting, driver, run_no)]
    again = np.zeros(len(run_no), dtype=bool)
    order = np.lexsort(codes)
    same = [(code[order[1:]] == code[order[:-1]]) & (code[order[1:]] >= 0) for code in codes]
    again[order[1:]] = np.logical_and.reduce(same)
    return again


def _with_hours(columns: Mapping[str, Array], laps: LapRows) -> pd.DataFrame:
    """The runs with their hours: at the middle of the run, or by the order of the sessions."""
    hour, known = columns["clock"], ~np.isnan(columns["clock"])
    if not known.all():
        day = pd.factorize(columns["meeting"] + "\0" + columns["date"])[0]
        names = ("session", "session_kind", "run_no")
        hour = filled(hour, places_by_number(day, *(columns[name] for name in names)), day)
    seconds = np.bincount(laps.run, laps.lap_s, len(hour))
    moments = columns["start"] + np.timedelta64(500, "ms")
    typed = {
        "team": columns["team"],
        "run_no": columns["run_no"].astype(np.int64),
        "hour": hour + np.where(known, seconds, 0.0) / 7200,
        "hour_known": known,
        "start": _where(known, moments.astype("datetime64[s]").astype(str)),
    }
    typed |= {name: cells for name, cells in columns.items() if cells.dtype == float}
    text = {name: cells for name, cells in columns.items() if name not in {*typed, "clock"}}
    text["start"] = typed.pop("start")
    typed.pop("clock")
    return pd.DataFrame({name: pd.array(c, dtype="str") for name, c in text.items()} | typed)
