"""What a notebook user gets wrong: each is named, with what was found and expected, all at once."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

import pipeline
from tests.api.frames import dicts, frames
from tests.models.small_season import season

Handed = dict[str, Any]
Change = Callable[[Handed], None]
QUICK: Handed = {"outcomes": ["pace"], "conditions": []}


@pytest.fixture
def handed() -> Handed:
    """One meeting, handed in as it should be."""
    data = season(meetings=1)
    runs, laps = frames(data)
    return {"runs": runs, "laps": laps, "factors": dicts(data.factors)}


def problems(handed: Handed, change: Change | None = None) -> list[str]:
    """What is told of the faults, a sentence each."""
    if change is not None:
        change(handed)
    with pytest.raises(pipeline.UserError) as caught:
        pipeline.analyse(**handed, **QUICK)
    return [str(problem) for problem in caught.value.problems]


def put(frame: str, row: int, column: str, cell: Any) -> Change:
    def change(handed: Handed) -> None:
        cells = handed[frame][column].astype(object)
        cells.iloc[row] = cell
        handed[frame][column] = cells

    return change


def column(frame: str, name: str, cells: Any) -> Change:
    return lambda handed: handed.update({frame: handed[frame].assign(**{name: cells})})


def renamed(frame: str, old: str, new: str) -> Change:
    return lambda handed: handed.update({frame: handed[frame].rename(columns={old: new})})


def without(frame: str, name: str) -> Change:
    return lambda handed: handed.update({frame: handed[frame].drop(columns=name)})


def keys(**more: Any) -> Change:
    return lambda handed: handed["factors"][0].update(more)


FAULTS: dict[str, tuple[Change, str]] = {
    "no team": (without("runs", "team"), "runs, column 'team': found no such column; expected T"),
    "another name": (renamed("runs", "driver", "drivers"), "Is it the column 'drivers'?"),
    "another case": (renamed("runs", "grip", "Grip"), "column 'Grip': found a column of that name"),
    "no bar": (without("runs", "bar"), "column 'bar': found no such column; expected one of 1.2"),
    "no lap times": (renamed("laps", "lap_s", "time"), "laps, column 'lap_s': found no such"),
    "kind": (keys(kind="letter"), "column 'factor 1: kind': found 'letter'; expected 'category'"),
    "key": (keys(level=["a"]), "column 'factor 1: level': found ['a']; expected a known key"),
    "one level": (keys(levels=["1.3"]), "expected at least two levels"),
    "column's name": (keys(name="grip"), "found 'grip'; expected a name that no other column has"),
    "level": (put("runs", 0, "bar", "1.7"), "'1.7' in row 0; expected one of 1.2, 1.3, 1.4"),
    "yes": (column("runs", "team", "yes"), "runs['team'] == 'yes'"),
    "nobody": (column("runs", "team", False), "found False in every row"),
    "float driver": (column("runs", "driver", 7.5), "found 7.5 in row 0, 7.5 in row 1"),
    "no driver": (put("runs", 4, "driver", None), "column 'driver': found an empty cell in row 4"),
    "day and time": (
        put("runs", 2, "date", datetime.datetime(2026, 3, 7, 10)),
        "column 'date': found 2026-03-07 10:00:00 in row 2; expected a date, as 2026-05-03",
    ),
    "day first": (put("runs", 0, "date", "07/03/2026"), "found '07/03/2026' in row 0"),
    "zone": (
        lambda handed: column(
            "runs", "start", handed["runs"]["start"].dt.tz_localize("Europe/Berlin")
        )(handed),
        "without a zone",
    ),
    "another day": (
        put("runs", 0, "start", "2026-03-09T09:00:00"),
        "expected a time on the day that stands in date",
    ),
    "date alone": (put("runs", 0, "start", "2026-03-07"), "found '2026-03-07' in row 0"),
    "kind of session": (
        put("runs", 5, "session_kind", "warm-up"),
        "'warm-up' in row 5; expected practice, qualifying, final, test",
    ),
    "grip": (put("runs", 5, "grip", "much"), "'much' in row 5; expected low, medium, high or no"),
    "run again": (put("runs", 12, "run_no", 1), "row 12; expected each number once"),
    "run nought": (put("runs", 0, "run_no", 0), "found 0 in row 0; expected a whole number from 1"),
    "half a run": (put("runs", 0, "run_no", 1.5), "found 1.5 in row 0"),
    "classes": (put("runs", 0, "class", "formula"), "found the classes 'formula', ''"),
    "no such run": (put("laps", 3, "run", 84), "found 84 in row 3; expected a whole number from 0"),
    "run before": (put("laps", 0, "run", -1), "found -1 in row 0"),
    "lap twice": (put("laps", 1, "lap", 1), "found 1 in row 1; expected each lap of a run once"),
    "no time": (put("laps", 9, "lap_s", np.nan), "found an empty cell in row 9; expected a number"),
    "time as text": (put("laps", 9, "lap_s", "15.2"), "found '15.2' in row 9"),
    "nought": (put("laps", 9, "lap_s", 0.0), "found 0.0 in row 9; expected a number of seconds ab"),
    "status": (put("laps", 9, "status", "slow"), "found 'slow' in row 9; expected clean, first"),
    "no runs": (lambda h: h.update(runs=h["runs"].iloc[:0]), "runs: found no row; expected at le"),
    "no laps": (lambda h: h.update(laps=h["laps"].iloc[:0]), "laps: found no row; expected at le"),
    "nothing": (
        lambda h: h.update(runs=pd.DataFrame(), laps=pd.DataFrame()),
        "runs, column 'meeting': found no such column; expected text",
    ),
    "twice": (
        lambda h: h.update(runs=pd.concat([h["runs"], h["runs"][["driver"]]], axis=1)),
        "column 'driver': found the column twice",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_told(name: str, handed: Handed) -> None:
    change, words = FAULTS[name]
    told = problems(handed, change)
    assert any(words in line for line in told), told


def test_all_are_told_at_once(handed: Handed) -> None:
    together = ["no team", "kind", "day first", "kind of session", "no such run", "time as text"]
    for name in together:
        FAULTS[name][0](handed)
    told = problems(handed)
    assert len(told) == len(together)
    for name in together:
        assert any(FAULTS[name][1] in line for line in told), (name, told)


def test_many_rows_make_one_fault(handed: Handed) -> None:
    (told,) = problems(handed, column("runs", "session_kind", "race"))
    assert "'race' in row 0, 'race' in row 1, 'race' in row 2 and 81 more" in told


@pytest.mark.parametrize(
    "numbers", [{"race_seconds": 0}, {"worthwhile_s": -1}, {"worth_changing_s": "little"}]
)
def test_limits_are_checked(numbers: Handed, handed: Handed) -> None:
    with pytest.raises(pipeline.UserError) as caught:
        pipeline.analyse(**handed, **numbers)
    (problem,) = caught.value.problems
    assert problem.column == f"team: {next(iter(numbers))}"


def test_claims_are_checked(handed: Handed) -> None:
    claim = {"text": "It helps", "factor": "bar", "from": "1.3", "to": "1.5", "outcome": "pace"}
    with pytest.raises(pipeline.UserError) as caught:
        pipeline.analyse(**handed, claims=[claim, {**claim, "expect": "lower", "grip": "much"}])
    told = " ".join(map(str, caught.value.problems))
    assert "claim 1: expect" in told and "claim 2: grip" in told


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"outcomes": "pace"}, "a list of names"),
        ({"outcomes": ["pase"]}, "outcomes that there is not\n.*Did you mean 'pace'?"),
        ({"conditions": ["wind"]}, "found 'wind'; expected one of grip, surface"),
        ({"conditions": True}, "a list of names"),
        ({"runs": [1, 2]}, "runs is a list; expected a pandas DataFrame"),
        ({"factors": {"name": "bar"}}, "a list of dicts"),
        ({"claims": "none"}, "a list of dicts"),
    ],
)
def test_a_wrong_call_is_told(wrong: Handed, words: str, handed: Handed) -> None:
    with pytest.raises(pipeline.CallError, match=words.replace("?", r"\?")):
        pipeline.analyse(**(handed | wrong))


def effects(handed: Handed) -> pd.DataFrame:
    return pipeline.analyse(**handed, **QUICK).effects


SAME: dict[str, Change] = {
    "dates": lambda h: column("runs", "date", pd.to_datetime(h["runs"]["date"]).dt.date)(h),
    "midnights": lambda h: column("runs", "date", pd.to_datetime(h["runs"]["date"]))(h),
    "start as text": lambda h: column("runs", "start", h["runs"]["start"].astype(str))(h),
    "numbers as settings": lambda h: column("runs", "bar", h["runs"]["bar"].astype(float))(h),
    "settings of rivals": lambda h: column("runs", "bar", h["runs"]["bar"].fillna("1.3"))(h),
    "integers": lambda h: column("runs", "driver", h["runs"]["driver"].str[-2:].astype(int))(h),
    "flags as objects": lambda h: column("runs", "team", h["runs"]["team"].astype(object))(h),
    "categories": lambda h: h.update(
        runs=h["runs"].astype({"session": "category", "bar": "category"})
    ),
    "another index": lambda h: h.update(
        runs=h["runs"].set_index(h["runs"].index + 7), laps=h["laps"].set_index(h["laps"]["run"])
    ),
    "whole floats": lambda h: h.update(laps=h["laps"].astype({"run": float, "lap": float})),
    "blank": lambda h: column("runs", "surface", " ")(h),
    "no columns": lambda h: h.update(
        runs=h["runs"].drop(columns=["class", "excluded", "grip"])
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SAME)
def test_this_is_no_fault(name: str, handed: Handed) -> None:
    expected = effects(handed)
    SAME[name](handed)
    pd.testing.assert_frame_equal(effects(handed), expected, rtol=1e-6)


def test_missing_settings_are_unknown(handed: Handed) -> None:
    handed["runs"].loc[:9, "bar"] = np.nan
    assert effects(handed)["n_runs"].sum() < 28 * 3


def test_unused_columns_are_named(handed: Handed) -> None:
    column("runs", "tyres", "new")(handed)
    assert "runs: column 'tyres' is not used" in pipeline.analyse(**handed, **QUICK).notes
