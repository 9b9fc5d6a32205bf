"""Worlds by lot: the same again by seed, in range, and in the form that the analysis takes."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.random import default_rng

from tests.worlds.draw import draw
from tests.worlds.hostile import BY_NAME, KINDS
from tests.worlds.orders import RULES, Day, keep_what_looked_faster
from tests.worlds.parameters import ORDERS, OUTCOMES, Effect, Factor, Parameters, flat
from tests.worlds.record import RANDOM, make_world
from tests.worlds.world import world

COLUMNS = [
    "meeting", "date", "class", "session", "session_kind", "heat", "driver", "team", "run_no",
    "start", "surface", "grip",
]  # fmt: skip
DRAWN = [draw(default_rng([3, number])) for number in range(600)]
NUMBERS = range(60)


def test_the_same_number_gives_the_same_world() -> None:
    for kind in (RANDOM, "grip matters"):
        first, again, other = (make_world(kind, 5, number) for number in (11, 11, 12))
        for name in ("runs", "laps", "truth"):
            pd.testing.assert_frame_equal(getattr(first, name), getattr(again, name))
        assert first.parameters == again.parameters
        assert not first.laps.equals(other.laps)


def test_meetings_are_as_often_as_said() -> None:
    meetings = np.array([p.meetings for p in DRAWN])
    shares = [
        np.mean((meetings >= a) & (meetings <= b)) for a, b in ((1, 1), (2, 4), (5, 8), (9, 12))
    ]
    # 600 draws: standard errors of at most 2 points.
    assert shares == pytest.approx([0.55, 0.25, 0.15, 0.05], abs=0.06)


RANGES = {
    "cars": (1, 8), "rivals": (0, 40), "runs": (2, 12), "laps": (8, 40), "lap_s": (10, 25),
    "missing": (0, 0.4), "run_sd_team": (0.02, 0.2), "run_sd_rivals": (0.02, 0.2),
    "grip_gain_s": (0, 2), "jump_s": (0, 0.3), "team_grip": (0.6, 1.5),
    "learning_s": (-0.2, 0.3), "heat_shock_s": (0, 0.08), "meeting_sd": (0, 0.08),
    "mistakes_meeting_sd": (0, 0.5), "driver_effect_sd": (0, 0.08), "interaction": (-0.1, 0.1),
    "unknown": (0, 0.1), "wrong": (0, 0.03), "autocorrelation": (0, 0.7),
    "cut_short": (0, 0.5), "lap_sd": (0.05, 0.35), "run_spread_sd": (0, 0.5), "shared": (0, 0.15),
    "skewness": (0.4, 1.6), "come_in_s": (-0.3, 0.4), "fade_run_sd": (0, 0.15),
    "come_in_laps": (1, 5), "incident_rate": (0, 0.15), "missed": (0, 0.01),
    "slow_stretches": (0, 2), "small_loss_s": (0.3, 1.5), "tail_df": (3, 10),
}  # fmt: skip


@pytest.mark.parametrize("name", RANGES)
def test_every_range_is_kept_and_used(name: str) -> None:
    low, high = RANGES[name]
    values = np.array([getattr(p, name) for p in DRAWN], dtype=float)
    assert low <= values.min() and values.max() <= high
    assert values.max() - values.min() > 0.7 * (high - low)


def test_every_word_occurs() -> None:
    for name in ("grip_shape", "jump_kind", "tails", "known_starts", "status_column", "surfaces"):
        assert min(Counter(getattr(p, name) for p in DRAWN).values()) >= 5, name
    factors = [factor for p in DRAWN for factor in p.factors]
    assert {factor.order for factor in factors} == set(ORDERS)
    assert {factor.crossing for factor in factors} == {"crossed", "partly", "only at"}
    assert {len(p.factors) for p in DRAWN} == {1, 2, 3, 4, 5}


def test_half_of_the_contrasts_do_nothing_at_all() -> None:
    effects = [effect for p in DRAWN for factor in p.factors for effect in factor.effects]
    nothing = [replace(effect, varies=True) == Effect() for effect in effects]
    assert np.mean(nothing) == pytest.approx(0.5, abs=0.06)


@pytest.mark.parametrize("number", NUMBERS)
def test_frames_are_as_the_analysis_takes_them(number: int) -> None:
    made = make_world(RANDOM, 2, number)
    runs, laps = made.runs, made.laps
    assert list(runs.columns) == COLUMNS + [factor["name"] for factor in made.factors]
    assert runs["team"].dtype == bool and runs["run_no"].dtype.kind == "i"
    counted = runs.groupby(["meeting", "driver"])["run_no"]
    assert (counted.max() == counted.size()).all() and runs["run_no"].min() == 1
    assert runs["start"].isna().all() or runs["start"].notna().all()
    assert runs.duplicated(["meeting", "session", "driver"]).sum() == 0
    assert laps["run"].between(0, len(runs) - 1).all() and (laps["lap_s"] > 0).all()
    numbered = laps.groupby("run")["lap"]
    assert (numbered.max() == numbered.size()).all() and (numbered.min() == 1).all()
    assert ("status" in laps) == made.parameters.status_column


@pytest.mark.parametrize("number", NUMBERS)
def test_the_log_holds_levels_of_the_team_alone(number: int) -> None:
    made = make_world(RANDOM, 2, number)
    for factor in made.factors:
        assert made.runs.loc[~made.runs["team"], factor["name"]].isna().all()
        logged = made.runs[factor["name"]].dropna()
        if factor["kind"] == "number":
            assert logged.dtype == float
        else:
            assert set(logged) <= set(factor["levels"]) and factor["reference"] in factor["levels"]


@pytest.mark.parametrize("number", NUMBERS)
def test_every_truth_is_a_number_of_something_that_was_run(number: int) -> None:
    truth = make_world(RANDOM, 2, number).truth
    assert not truth.duplicated(["outcome", "factor", "level", "condition", "driver"]).any()
    assert truth[["truth_next", "truth_these"]].notna().all(axis=None)
    ratios = truth["outcome"].isin(["spread", "mistakes"])
    assert (truth.loc[ratios, "truth_these"] > 0).all()
    assert set(truth["outcome"]) <= set(OUTCOMES) and (truth["runs_at_level"] > 0).all()


def test_starts_run_with_the_numbers_of_the_runs() -> None:
    made = make_world("plain", 1, 1)
    runs = made.runs.assign(start=pd.to_datetime(made.runs["start"])).sort_values("start")
    assert (runs.groupby(["meeting", "driver"])["run_no"].diff().dropna() == 1).all()


@pytest.mark.parametrize("order", [order for order in ORDERS if order != "adaptive"])
def test_orders_try_both_settings(order: str) -> None:
    kind = np.array([0, 0, 0, 1, 1, 1, 2, 2])
    days = [Day(default_rng(n), 2, 0, np.arange(8.0), kind) for n in range(100)]
    tried = np.array([RULES[order](day) for day in days])
    assert set(np.unique(tried)) == {0, 1}
    switches = np.abs(np.diff(tried, axis=1)).sum(axis=1)
    if order == "clock":
        assert (switches == 1).all()
    if order == "finals only":
        assert (tried[:, :6] == 0).all()
    if order == "practice only":
        assert (tried[:, 3:] == 0).all()
    if order == "finals":
        assert (tried[:, 6:] == 1).all()
    if order == "semi":
        assert tried[:, :4].mean() < 0.25 and tried[:, 4:].mean() > 0.75
        assert ((tried[:, :4] == 1).any(axis=1) | (tried[:, 4:] == 0).any(axis=1)).all()


def test_what_looked_faster_is_kept() -> None:
    factor = Factor("part_a", "category", ("A", "B"), 0, (Effect(),), "adaptive")
    gains = np.broadcast_to([0.0, -1.0], (50, 2))  # B is quicker by far, nothing else moves
    levels = keep_what_looked_faster(factor, np.zeros((50, 8)), gains, default_rng(1))
    assert (levels[:, 0] == 0).all() and levels[:, 1:].mean() > 0.5
    # Once B was kept, a try of A looks slower and is reverted at once.
    assert not ((levels[:, 4:-1] == 0) & (levels[:, 5:] == 0)).any()


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_every_fixed_kind_makes_a_world(kind) -> None:  # type: ignore[no-untyped-def]
    made = make_world(kind.name, 1, 1)
    assert len(made.truth) and len(made.laps) > 1000


def test_fixed_kinds_do_nothing_in_half_of_the_worlds() -> None:
    drawn = [BY_NAME["plain"].parameters(default_rng(n)).factors[0].effects[0] for n in range(400)]
    paces = np.array([effect.pace for effect in drawn])
    assert set(paces) == {0.0, 0.08} and np.mean(paces > 0) == pytest.approx(0.5, abs=0.1)


def test_flat_parameters_are_one_row() -> None:
    for p in DRAWN[:50]:
        assert all(isinstance(v, int | float | str | bool) for v in flat(p).values())


def test_a_team_without_rivals_has_a_world() -> None:
    p = Parameters(factors=(Factor("part_a", "category", ("A", "B"), 0, (Effect(),)),), rivals=0)
    made = world(replace(p, pool=0, cars=1, slow_stretches=2.0, missed=0.01), default_rng(1))
    assert made.runs["team"].all() and len(made.runs) == 8
