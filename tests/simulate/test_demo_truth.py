"""What the season's analysis says of the demo team, held against what is true in its world."""

import json

import pandas as pd
import pytest

from pipeline.models.season import analyse
from pipeline.simulate.demo import demo_season
from tests.simulate.demo_truth import FILE, truths
from tests.simulate.frames import season_data

KEYS = ["condition", "factor", "level", "outcome"]


@pytest.fixture(scope="module")
def season():
    return demo_season()


@pytest.fixture(scope="module")
def told(season):
    """The effects over all conditions, with their truths."""
    data = season_data(season.world, season.settings)
    for (meeting, session), reason in season.excluded.items():
        here = (data.runs["meeting"] == meeting) & (data.runs["session"] == session)
        data.runs.loc[here, "excluded"] = reason
    effects = analyse(data, outcomes=("pace", "spread"), conditions=(), by_driver=False).effects
    return effects.merge(pd.DataFrame(json.loads(FILE.read_text())), on=KEYS).set_index(
        ["outcome", "factor", "level"]
    )


def test_the_stored_truths_are_those_of_the_demo(season):
    stored = {tuple(r[key] for key in KEYS): r for r in json.loads(FILE.read_text())}
    for now in truths(season, [("body", "wedge", "round")], draws=2):
        then = stored[tuple(now[key] for key in KEYS)]
        if now["outcome"] in ("pace", "spread"):
            # Two draws give a rough error of their own: the stored one's, scaled, serves.
            assert abs(now["truth"] - then["truth"]) < 5 * (1 + 2) * then["error"]


def test_its_intervals_hold_the_truth(told):
    numbers = told.dropna(subset=["estimate"])
    held = (numbers["ci_low"] <= numbers["truth"]) & (numbers["truth"] <= numbers["ci_high"])
    # 18 intervals of 95 %: 15 or fewer come about once in a hundred seasons.
    assert len(numbers) == 18
    assert held.sum() >= 16


def test_it_finds_what_is_worth_keeping_and_what_is_not(told):
    pace = told.loc["pace"]
    assert pace.loc[("rear_toe", "2.5"), "verdict"] == "faster"
    assert pace.loc[("body", "wedge"), "verdict"] == "faster"
    # Its effect differs between meetings, so that the next one is less sure than these were.
    assert pace.loc[("wing", "high"), "verdict"] in ("slower", "leaning slower")
    assert told.loc["spread"].loc[("rear_toe", "2.5"), "verdict"] == "wilder"


def test_it_claims_nothing_that_is_not_so(told):
    numbers = told.dropna(subset=["estimate"]).reset_index()
    nothing = numbers["outcome"].map({"pace": 0.0, "spread": 1.0})
    sure = numbers["p_value"] < 0.01
    agree = (numbers["estimate"] - nothing) * (numbers["truth"] - nothing)
    assert sure.sum() >= 5
    assert (agree[sure] > 0).all()


def test_what_always_changed_together_gets_no_number(told):
    for factor, level, other in (
        ("front_spring", "soft", "front_oil"),
        ("front_oil", "350", "front_spring"),
    ):
        rows = told.xs((factor, level), level=("factor", "level"))
        assert rows["estimate"].isna().all()
        assert (rows["verdict"] == "not separable").all()
        assert (rows["mixed_with"] == other).all()


def test_what_was_tried_after_lunch_only_stays_open(told):
    rows = told.xs(("ride_height", "+0.2"), level=("factor", "level"))
    assert set(rows["verdict"]) <= {"not enough runs", "not separable"}
