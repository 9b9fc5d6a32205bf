"""The season's analysis on a small season of known truth, and what its tables promise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import CallError, UserError
from pipeline.models.meeting import analyse_meeting, best_three
from pipeline.models.season import analyse, effects_alone
from pipeline.tables.outcomes import OUTCOMES
from pipeline.tables.records import SeasonData, SeasonResult
from pipeline.tables.schema import EFFECTS, GRIP
from pipeline.team.factors import Claim
from tests.models.small_season import season

CLAIMS = (
    Claim("a thicker bar is faster", "bar", "1.3", "1.4", "pace", "lower"),
    Claim("a thicker bar is faster than a thin one", "bar", "1.2", "1.4", "pace", "higher"),
    Claim("hard springs cost nothing", "spring", "soft", "hard", "pace", "same"),
)


@pytest.fixture(scope="module")
def data() -> SeasonData:
    made = season(seed=8, meetings=6, cars=14, team=8)
    grip = made.runs["meeting"].map(lambda name: "low" if name < "meeting 2" else "high")
    return replace(made, runs=made.runs.assign(grip=grip.astype("str")), claims=CLAIMS)


@pytest.fixture(scope="module")
def result(data: SeasonData) -> SeasonResult:
    return analyse(data)


def row(result: SeasonResult, **where: str) -> pd.Series:
    table = result.effects
    for column, value in where.items():
        table = table[table[column] == value]
    assert len(table) == 1
    return table.iloc[0]


def test_every_outcome_contrast_and_condition_has_its_row(result: SeasonResult) -> None:
    effects = result.effects
    assert list(effects.columns) == EFFECTS.names
    assert set(effects["outcome"]) == set(OUTCOMES)
    assert set(effects["condition"]) == {"all", "grip=low", "grip=high", "grip per step"}
    assert len(effects) == 5 * 3 * 4


@pytest.mark.parametrize(
    ("factor", "level", "truth"), [("bar", "1.4", -0.1), ("spring", "hard", 0.05)]
)
def test_truth_lies_in_the_interval_of_pace(
    result: SeasonResult, factor: str, level: str, truth: float
) -> None:
    found = row(result, outcome="pace", factor=factor, level=level, condition="all")
    assert found["ci_low"] < truth < found["ci_high"]
    assert found["verdict"].endswith("faster" if truth < 0 else "slower")


def test_effects_alone_are_the_same(data: SeasonData, result: SeasonResult) -> None:
    pd.testing.assert_frame_equal(effects_alone(data), result.effects)


def test_all_fits_converged(result: SeasonResult) -> None:
    assert result.fits["converged"].all()


def test_claims_are_judged_by_their_own_contrast(result: SeasonResult) -> None:
    claims = result.claims.set_index("text")
    assert claims.at["a thicker bar is faster", "verdict"] == "supported"
    assert claims.at["a thicker bar is faster than a thin one", "verdict"] == "contradicted"
    thick = row(result, outcome="pace", factor="bar", level="1.4", condition="all")
    thin = row(result, outcome="pace", factor="bar", level="1.2", condition="all")
    between = claims.at["a thicker bar is faster than a thin one", "estimate"]
    assert between == pytest.approx(thick["estimate"] - thin["estimate"], abs=1e-9)


def test_direct_and_composed_race_agree(result: SeasonResult) -> None:
    assert result.race_check["agrees"].all()


def test_grip_is_relative_to_the_meetings_best(data: SeasonData, result: SeasonResult) -> None:
    grip = result.grip
    assert list(grip.columns) == GRIP.names
    assert set(grip["meeting"]) == set(data.runs["meeting"])
    np.testing.assert_allclose(grip.groupby("meeting")["seconds"].min(), 0, atol=1e-12)
    assert ((grip["ci_low"] <= grip["seconds"]) & (grip["seconds"] <= grip["ci_high"])).all()
    # The season's grip gains 0.4 s, most of it early.
    first = grip.groupby("meeting").first()["seconds"]
    assert first.between(0.2, 0.6).all()


def test_corrected_times_take_the_grip_out(data: SeasonData, result: SeasonResult) -> None:
    rivals = result.runs[~result.runs["team"]]
    raw = data.laps[data.laps["status"] == "clean"].groupby("run")["lap_s"].mean()
    early = rivals["run_no"] == 1
    late = rivals["run_no"] == 7

    def gain(seconds: pd.Series) -> float:
        return float(seconds[early].mean() - seconds[late].mean())

    assert gain(raw.reindex(rivals.index)) > 0.2
    assert abs(gain(rivals["corrected_s"])) < 0.05


def test_an_excluded_session_stays_out_and_stays_listed(data: SeasonData) -> None:
    rain = data.runs["session"] == "round 3"
    runs = data.runs.assign(excluded=pd.Series(np.where(rain, "rain", None)).astype("str"))
    changed = analyse(replace(data, runs=runs), outcomes=("pace",), conditions=())
    assert changed.runs.loc[rain.to_numpy(), "corrected_s"].isna().all()
    assert len(changed.runs) == len(data.runs)
    assert (
        changed.fits["rows"].iloc[0]
        < analyse(data, outcomes=("pace",), conditions=()).fits["rows"].iloc[0]
    )


def test_no_usable_run_is_an_error_for_the_user(data: SeasonData) -> None:
    runs = data.runs.assign(excluded="rain")
    with pytest.raises(UserError, match="no run can be used"):
        analyse(replace(data, runs=runs))


def test_second_opinion_agrees_within_a_standard_error(data: SeasonData) -> None:
    small = season(seed=4, meetings=1, cars=10)
    found = analyse(small, outcomes=("pace",), conditions=(), second_opinion=True)
    table = found.second_opinion
    assert table is not None
    assert len(table) == 3
    assert table["difference_se"].abs().max() < 1


def test_second_opinion_says_why_it_is_missing(data: SeasonData) -> None:
    big = season(seed=4, meetings=5, cars=20)
    found = analyse(big, outcomes=("pace",), conditions=(), second_opinion=True)
    assert found.second_opinion is None
    assert "700 runs" in found.second_opinion_note


def test_run_sheet_of_a_meeting(data: SeasonData) -> None:
    sheet = analyse_meeting(data, "meeting 2")
    assert len(sheet.runs) == 8 * 7
    first = sheet.runs["run_no"] == 1
    assert sheet.runs.loc[first, "difference_s"].isna().all()
    later = sheet.runs[~first]
    assert (later["difference_low"] < later["difference_s"]).all()
    assert (later["difference_s"] < later["difference_high"]).all()
    outside = (later["difference_low"] > 0) | (later["difference_high"] < 0)
    assert (later.loc[~outside, "difference_q"] > 0.05).all()
    changed = later["changed"].str.contains("bar")
    assert changed.any() and not changed.all()
    assert len(sheet.field) == 6 * 7
    assert "driver" not in sheet.field.columns
    assert sheet.grip["meeting"].eq("meeting 2").all()


def test_run_sheet_of_an_unknown_meeting(data: SeasonData) -> None:
    with pytest.raises(CallError, match="there are: meeting 0"):
        analyse_meeting(data, "meeting 9")


def test_best_three_consecutive_laps() -> None:
    laps = pd.DataFrame(
        {
            "run": [0] * 6 + [1] * 3,
            "lap": [1, 2, 3, 4, 5, 6, 1, 2, 4],
            "lap_s": [9.0, 10.0, 11.0, 30.0, 10.0, 10.4, 10.0, 10.0, 10.0],
            "status": ["first", "clean", "clean", "missed", "clean", "clean"] + ["clean"] * 3,
        }
    )
    runs = pd.DataFrame({"run_no": [1, 2, 3]})
    assert np.isnan(best_three(SeasonData(runs, laps, ()))).all()
    laps.loc[3, ["lap_s", "status"]] = [10.6, "clean"]
    assert best_three(SeasonData(runs, laps, ()))[0] == pytest.approx((10.6 + 10.0 + 10.4) / 3)
