"""Low, medium and high need not lie on a line: where they do not, no place of a switch is named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

from pipeline.decide.deciding import decide
from pipeline.models.season import Found, estimate
from pipeline.tables.decisions import Decisions
from pipeline.tables.records import SeasonData
from tests.models import small_season

WORDS = ("low", "low", "medium", "medium", "high", "high")
HOLLOW = {"low": -0.15, "medium": 0.15, "high": -0.15}
LINE = {"low": -0.15, "medium": 0.0, "high": 0.15}


def season(effect: Mapping[str, float], words: tuple[str, ...] = WORDS) -> SeasonData:
    """Two meetings a grip, at which the 1.4 bar costs so many seconds a lap."""
    data = small_season.season(meetings=len(words))
    grip = np.array(words)[data.runs["meeting"].str[-1].astype(int)]
    # The small season has -0.1 s with the 1.4 bar.
    cost = (data.runs["bar"] == "1.4") * (np.array([effect[word] for word in grip]) + 0.1)
    data = small_season.with_laps(data, data.laps["lap_s"] + cost[data.laps["run"]].to_numpy())
    return replace(data, runs=data.runs.assign(grip=grip).astype({"grip": "str"}))


@cache
def found(which: str) -> tuple[Found, Decisions]:
    one = estimate(season({"hollow": HOLLOW, "line": LINE}[which]), ["pace"])
    return one, decide(one)


def row(table: pd.DataFrame, **cells: str) -> pd.Series:
    for name, value in cells.items():
        table = table[table[name] == value]
    (one,) = table.to_dict("records")
    return pd.Series(one)


def test_what_leaves_the_line_is_called_and_nothing_else() -> None:
    one, _ = found("hollow")
    assert [bow.name for bow in one.along.bows] == ["bar=1.4 off the line"]
    assert not found("line")[0].along.bows
    table = one.effects_table().query("condition == 'grip per step'").set_index("level")
    assert table.at["1.4", "remark"].startswith("low, medium and high are not on a line")
    assert not str(table.at["hard", "remark"]).startswith("low")


def test_no_switch_is_placed_where_there_is_no_line() -> None:
    _, decisions = found("hollow")
    bent = row(decisions.switchovers, level="1.4", outcome="pace")
    assert bent["words"] == "cannot be told where: low, medium and high are not on a line"
    assert bent[["at", "low", "high"]].isna().all()
    straight = row(found("line")[1].switchovers, level="1.4", outcome="pace")
    assert abs(straight["at"]) < 0.6
    assert "cannot be told" not in straight["words"]


def test_choices_follow_each_grip_by_itself() -> None:
    choices = found("hollow")[1].choices.query("surface == '' and driver == ''")
    gain = choices[choices["level"] == "1.4"].set_index("grip")["gain_s"]
    assert gain["low"] > 0 and gain["high"] > 0
    assert gain["medium"] < 0
    # Over all: the mean of the three, not the middle of the axis.
    assert gain[""] > 0


def test_two_grips_ask_nothing() -> None:
    words = tuple("low" if word == "medium" else word for word in WORDS)
    assert not estimate(season(HOLLOW, words), ["pace"]).along.bows
