"""What must not change the effects does not, and what must change them does so exactly.

Compared in units of a standard error; the optimiser leaves about 1e-5 of one.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from pipeline.models.season import analyse
from pipeline.tables.records import SeasonData, SeasonResult
from tests.models import small_season

RATIOS = ("spread", "mistakes")
SECONDS = ("pace", "fade", "race")
KEY = ["outcome", "factor", "level", "reference", "condition"]
COUNTS = ["n_runs", "n_drivers", "n_meetings", "n_switches"]


def effects(data: SeasonData) -> pd.DataFrame:
    return analyse(data, by_driver=False).effects.set_index(KEY).sort_index()


@cache
def base() -> SeasonData:
    return small_season.season()


@cache
def base_effects() -> pd.DataFrame:
    return effects(base())


def on_own_scale(table: pd.DataFrame) -> pd.DataFrame:
    """Ratios as logs, so that estimates and limits share the standard error's scale."""
    out = table[["estimate", "ci_low", "ci_high", "std_error", "p_value"]].copy()
    ratio = table.index.get_level_values("outcome").isin(RATIOS)
    numbers = ["estimate", "ci_low", "ci_high"]
    out.loc[ratio, numbers] = np.log(out.loc[ratio, numbers])
    return out


def assert_same(found: pd.DataFrame, wanted: pd.DataFrame, share: float = 1e-3) -> None:
    """Numbers within a share of a standard error; counts, verdicts and rows exactly."""
    pd.testing.assert_index_equal(found.index, wanted.index)
    assert found[COUNTS].equals(wanted[COUNTS])
    assert found["verdict"].tolist() == wanted["verdict"].tolist()
    one, two = on_own_scale(found), on_own_scale(wanted)
    for column in ("estimate", "ci_low", "ci_high", "std_error"):
        gap = (one[column] - two[column]) / two["std_error"]
        np.testing.assert_allclose(gap, 0, atol=share, err_msg=column)
    np.testing.assert_allclose(one["p_value"], two["p_value"], atol=share)


def times(table: pd.DataFrame, factor: float, outcomes: tuple[str, ...]) -> pd.DataFrame:
    """The table with the outcomes' numbers multiplied."""
    out = table.copy()
    rows = out.index.get_level_values("outcome").isin(outcomes)
    out.loc[rows, ["estimate", "std_error", "ci_low", "ci_high"]] *= factor
    return out


def test_the_season_has_something_to_lose() -> None:
    """All fifteen effects have numbers, some of them far from nothing."""
    table = base_effects()
    assert len(table) == 15
    assert table["estimate"].notna().all()
    assert (table["p_value"] < 0.05).any() and (table["p_value"] > 0.2).any()


@pytest.mark.parametrize("seconds", [-9.0, 3.25, 600.0])
def test_a_constant_on_every_lap_moves_no_effect(seconds: float) -> None:
    """Only a race gets shorter in laps: its effects shrink by the ratio of the mean laps.

    What matters over a race is a matter of laps too, so that verdicts on race and fade may change.
    """
    data = base()
    moved = small_season.with_laps(data, data.laps["lap_s"] + seconds)
    mean = data.laps.query("status != 'first'")["lap_s"].mean()
    wanted = times(base_effects(), mean / (mean + seconds), ("race",))
    found = effects(moved)
    in_laps = found.index.get_level_values("outcome").isin(["race", "fade"])
    wanted["verdict"] = found["verdict"].where(in_laps, wanted["verdict"])
    assert_same(found, wanted)


def test_milliseconds() -> None:
    """Seconds a lap become milliseconds; ratios, degrees of freedom and verdicts stay."""
    data = base()
    in_ms = replace(
        small_season.with_laps(data, data.laps["lap_s"] * 1000),
        race_seconds=data.race_seconds * 1000,
        worthwhile_s=data.worthwhile_s * 1000,
    )
    found = effects(in_ms)
    assert_same(found, times(base_effects(), 1000, SECONDS))
    own = base_effects()["df"].clip(upper=1e5)
    np.testing.assert_allclose(found["df"].clip(upper=1e5), own, rtol=5e-3)


@pytest.mark.parametrize("seed", range(3))
def test_rows_in_any_order(seed: int) -> None:
    rng, data = np.random.default_rng(seed), base()
    runs, laps = rng.permutation(len(data.runs)), rng.permutation(len(data.laps))
    assert_same(effects(small_season.reordered(data, runs, laps)), base_effects())


def test_drivers_by_other_names() -> None:
    """Names decide nothing, not even by their alphabet; by-driver results follow the names."""
    data = base()
    names = {name: f"{name[::-1]} of the team" for name in data.runs["driver"].unique()}
    renamed = replace(data, runs=data.runs.assign(driver=data.runs["driver"].map(names)))
    assert_same(effects(renamed), base_effects())


def test_meetings_and_sessions_by_other_names() -> None:
    data = base()
    runs = data.runs.assign(
        meeting="x" + data.runs["meeting"].str[::-1], session="s" + data.runs["session"].str[::-1]
    )
    assert_same(effects(replace(data, runs=runs)), base_effects())


def test_the_reference_turned_round() -> None:
    """Hard against soft is the opposite of soft against hard.

    Exactly in the linear models; in mistakes up to the weak prior, which also is on the team's
    difference from the field and so notices which spring stands for the team.
    """
    data = base()
    turned = replace(small_season.SPRING, reference="hard")
    found = effects(replace(data, factors=(small_season.BAR, turned)))
    one, two = (on_own_scale(t.xs("spring", level="factor")) for t in (found, base_effects()))
    se = two["std_error"].to_numpy()
    for column, mirror in (("estimate", "estimate"), ("ci_low", "ci_high"), ("ci_high", "ci_low")):
        gap = (one[column].to_numpy() + two[mirror].to_numpy()) / se
        np.testing.assert_allclose(gap, 0, atol=0.03)


def test_a_rival_without_a_clean_lap_changes_nothing() -> None:
    data = base()
    rival = data.runs.query("driver == 'driver 11'").assign(driver="a stranger")
    laps = pd.DataFrame({"run": range(len(rival)), "lap": 1, "lap_s": 20.0, "status": "first"})
    assert_same(effects(small_season.added(data, rival, laps)), base_effects())


def test_a_rival_in_an_excluded_session_changes_nothing() -> None:
    data = base()
    rival = data.runs.query("driver == 'driver 11'").assign(driver="a stranger", excluded="rain")
    laps = pd.DataFrame({"run": 0, "lap": [2, 3, 4, 5], "lap_s": 31.0, "status": "clean"})
    assert_same(effects(small_season.added(data, rival, laps)), base_effects())


def with_a_rival(data: SeasonData, seconds: float) -> SeasonData:
    """One more car in the field, this much slower than driver 11, with laps of its own."""
    rng = np.random.default_rng(8)
    rival = data.runs.query("driver == 'driver 11'").assign(driver="a stranger")
    grip = 0.4 * np.exp(-(rival["hour"].to_numpy() - 9) / 2)
    pace = 15 + seconds + grip + rng.normal(0, 0.08, len(rival))
    laps = small_season.draw_laps(rng, pace, np.full(len(rival), 0.2))
    return small_season.added(data, rival, laps)


def pace_of(table: pd.DataFrame) -> pd.DataFrame:
    return table.xs("pace", level="outcome")


def test_a_rival_tells_more_about_grip_and_nothing_else() -> None:
    """Effects move by less than an error, which does not grow; counts are of the team alone."""
    found, wanted = pace_of(effects(with_a_rival(base(), 0.3))), pace_of(base_effects())
    assert ((found["estimate"] - wanted["estimate"]).abs() < wanted["std_error"] / 2).all()
    assert (found["std_error"] < 1.03 * wanted["std_error"]).all()
    assert found[COUNTS].equals(wanted[COUNTS])


def test_how_fast_a_rival_is_says_nothing() -> None:
    """His own effect takes that up, all but what shrinkage leaves: less than 2 % of an error."""
    near, far = (pace_of(effects(with_a_rival(base(), s))) for s in (0.1, 0.5))
    gap = (near["estimate"] - far["estimate"]) / near["std_error"]
    np.testing.assert_allclose(gap, 0, atol=0.02)


def test_the_result_is_the_same_twice() -> None:
    """Nothing hidden, no clock, no chance."""
    one: SeasonResult = analyse(base())
    two = analyse(small_season.season())
    pd.testing.assert_frame_equal(one.effects, two.effects)
    pd.testing.assert_frame_equal(one.runs, two.runs)
