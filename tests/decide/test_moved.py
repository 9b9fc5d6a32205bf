"""What moved since the last meeting: the data without it, and nothing that was kept."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

import pipeline
from pipeline.decide.moved import Stand, moved_table, without_last_meeting
from pipeline.tables.decisions import CHOICES
from pipeline.tables.records import SeasonData
from pipeline.tables.schema import EFFECTS
from tests.api.frames import dicts, frames
from tests.models.small_season import season


@pytest.fixture(scope="module")
def data() -> SeasonData:
    return season(meetings=3)


def effect(verdict: str, low: float = -0.02, high: float = 0.05) -> dict[str, object]:
    numbers = {"estimate": (low + high) / 2, "anytime_low": low, "anytime_high": high}
    counts = dict.fromkeys(("n_runs", "n_drivers", "n_meetings", "n_switches"), 1)
    return {
        "outcome": "pace", "factor": "bar", "level": "thick", "reference": "thin",
        "condition": "all", "verdict": verdict, "scope": "the next meeting", **numbers, **counts,
    }  # fmt: skip


def choice(advice: str | None, level: str, grip: str = "low", **more: object) -> dict[str, object]:
    row = {"factor": "bar", "level": level, "grip": grip, "surface": "", "driver": ""}
    return row | {"advice": advice, **more}


def stand(effects: list[dict[str, object]], choices: list[dict[str, object]]) -> Stand:
    return Stand(EFFECTS.conform(pd.DataFrame(effects)), CHOICES.conform(pd.DataFrame(choices)))


def moved(before: Stand, now: Stand, data: SeasonData) -> pd.DataFrame:
    named = replace(data.factors[0], name="bar")
    runs = data.runs.rename(columns={data.factors[0].name: "bar"})
    data = replace(data, runs=runs, factors=(named, *data.factors[1:]))
    return moved_table(before, now, data, str(runs["meeting"].iloc[-1]))


def test_what_stands_still_is_not_said(data: SeasonData) -> None:
    same = stand([effect("faster", -0.2, -0.1)], [choice("fit", "thick")])
    assert not len(moved(same, same, data))


@pytest.mark.parametrize(
    ("before", "now", "stood", "stands"),
    [
        (effect("not enough runs"), effect("faster", -0.2, -0.1), "pace not enough runs",
         "pace faster, settled"),
        (effect("faster", -0.2, -0.1), effect("leaning faster"), "pace faster, settled",
         "pace leaning faster, taken back"),
        (effect("faster"), effect("faster", -0.2, -0.1), "pace faster", "pace faster, settled"),
    ],
)  # fmt: skip
def test_a_verdict_that_moved(
    data: SeasonData, before: dict, now: dict, stood: str, stands: str
) -> None:
    still = [choice("keep", "thin")]
    row = moved(stand([before], still), stand([now], still), data).iloc[0]
    assert (row["what"], row["before"], row["now"]) == ("verdict", stood, stands)


@pytest.mark.parametrize(
    ("before", "now", "stood", "stands"),
    [
        (choice("try", "thick"), choice("fit", "thick"), "try", "fit"),
        (choice("keep", "thin"), choice("try", "thick"), "keep thin", "try thick"),
        (choice(None, "", reason="changed once"), choice("fit", "thick"), "cannot be told", "fit"),
    ],
)
def test_a_choice_that_moved(
    data: SeasonData, before: dict, now: dict, stood: str, stands: str
) -> None:
    still = [effect("faster")]
    row = moved(stand(still, [before]), stand(still, [now]), data).iloc[0]
    assert (row["what"], row["before"], row["now"], row["grip"]) == (
        "choice", stood, stands, "low",
    )  # fmt: skip
    told = "it can be told now" in row["why"]
    assert told == (stood == "cannot be told")


def test_the_why_names_the_new_runs(data: SeasonData) -> None:
    rows = moved(
        stand([effect("slower")], [choice("keep", "thin")]),
        stand([effect("faster")], [choice("keep", "thin")]), data,
    )  # fmt: skip
    runs, name = data.runs, data.factors[0].name
    last = runs["meeting"].iloc[-1]
    new = runs.loc[runs["team"] & (runs["meeting"] == last), name].notna().sum()
    assert rows["why"].tolist() == [f"{new} new runs at {last}"]


def test_before_is_what_an_analysis_of_the_data_without_it_says(data: SeasonData) -> None:
    asked = {"outcomes": ["pace", "race"], "conditions": []}
    runs, laps = frames(data)
    all_of_it = pipeline.analyse(runs, laps, dicts(data.factors), **asked)
    last, without = without_last_meeting(data)
    assert without is not None and last not in set(without.runs["meeting"])
    past = pipeline.analyse(*frames(without), dicts(data.factors), **asked)
    before, now = (Stand(one.effects, one.choices) for one in (past, all_of_it))
    expected = moved_table(before, now, data, last)
    pd.testing.assert_frame_equal(all_of_it.changes, expected)


def test_one_meeting_alone_has_no_changes(data: SeasonData) -> None:
    only = data.only((data.runs["meeting"] == data.runs["meeting"].iloc[0]).to_numpy(bool))
    assert without_last_meeting(only) == ("", None)
