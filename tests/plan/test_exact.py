"""The p value over the draws: a published example, another library, full enumeration, worlds."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from pipeline.plan import lot as lots
from pipeline.plan.exact import DRAWS, LEAST_ORDERS, Drawing, exact_values
from pipeline.plan.orders import settings_of
from pipeline.plan.planner import Plan, chance_of, plan_day
from tests.plan.days import day

ONE = np.zeros(1, np.int64)


def test_fishers_maize() -> None:
    """Fisher (1935), The Design of Experiments, section 21: of 2^15 = 32,768 ways in which Darwin's
    15 pairs of plants could have been assigned, 863 give a sum of differences as large as the
    observed one, and as many one as small: P = 5.267 % (data and figures from memory)."""
    eighths = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    heights = np.column_stack([eighths, np.zeros(15)]).ravel()
    signs = np.array(list(itertools.product([1.0, 0.0], repeat=15)))
    others = np.stack([signs, 1 - signs], axis=2).reshape(len(signs), 30, 1)
    pairs = np.repeat(np.eye(15), 2, axis=0)
    (found,) = exact_values(heights, pairs, Drawing(others[0], others, True), ONE, np.eye(1))
    assert (found.as_much, found.orders) == (2 * 863, 2**15)
    assert found.p_value == pytest.approx(0.05267, abs=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_scipys_permutation_test(seed: int) -> None:
    """Two samples of four, all 70 orders: the t statistic's own permutation p."""
    rng = np.random.default_rng(seed)
    y = rng.normal(size=8)
    rows = [np.isin(range(8), own) for own in itertools.combinations(range(8), 4)]
    others = np.array(rows, float)[:, :, None]
    real = others[rng.integers(70)]
    (own,) = exact_values(y, np.ones((8, 1)), Drawing(real, others, True), ONE, np.eye(1))
    theirs = stats.permutation_test(
        (y[real[:, 0] == 1], y[real[:, 0] == 0]),
        lambda a, b: np.abs(stats.ttest_ind(a, b).statistic),
        n_resamples=np.inf,
        alternative="greater",
    )
    assert own.p_value == pytest.approx(float(theirs.pvalue), abs=1e-12)


def plain_t(y: np.ndarray, nuisance: np.ndarray, columns: np.ndarray, k: int) -> float:
    """|t| of column k by the textbook."""
    X = np.column_stack([nuisance, columns])
    beta, _, rank, _ = np.linalg.lstsq(X, y, rcond=None)
    left = y - X @ beta
    place = nuisance.shape[1] + k
    variance = left @ left / (len(y) - rank) * np.linalg.pinv(X.T @ X)[place, place]
    return float(abs(beta[place]) / np.sqrt(variance))


def day_of(*size: int) -> tuple[Plan, np.ndarray, np.ndarray]:
    """A planned day, the columns of every order of its lot, and drivers with a line and a bend."""
    plan = plan_day(day(*size), chance_of(3))
    every = plan.lot.every
    assert every is not None
    columns = settings_of(plan.request.factors).columns[every.reshape(len(every), -1)]
    drivers, runs = plan.order.shape
    line = np.tile(np.arange(runs) - (runs - 1) / 2, drivers)
    nuisance = np.column_stack([np.repeat(np.eye(drivers), runs, axis=0), line, line**2])
    return plan, columns, nuisance


@pytest.mark.parametrize("size", [(1, 8), (2, 6), (1, 8, 2, 2)])
def test_full_enumeration_by_plain_least_squares(size: tuple[int, ...]) -> None:
    """Every order of the lot; the other factor taken out of the response first."""
    plan, columns, nuisance = day_of(*size)
    rng = np.random.default_rng(6)
    real = settings_of(plan.request.factors).columns[plan.order.ravel()]
    y = rng.normal(size=len(real)) + 0.5 * real[:, -1]
    factors = real.shape[1]
    found = exact_values(
        y, nuisance, Drawing(real, columns, True), np.arange(factors), np.eye(factors)
    )
    for k, one in enumerate(found):
        beside = np.column_stack([nuisance, np.delete(real, k, axis=1)])
        rest = y - beside @ np.linalg.lstsq(beside, y, rcond=None)[0]
        sizes = np.array([plain_t(rest, nuisance, own, k) for own in columns])
        shown = plain_t(rest, nuisance, real, k)
        assert (one.as_much, one.orders) == (int((sizes >= shown * (1 - 1e-9)).sum()), len(columns))
        told = len(np.unique(columns[:, :, k], axis=0)) >= LEAST_ORDERS
        assert one.p_value == pytest.approx(
            one.as_much / one.orders if told else np.nan, nan_ok=True
        )


def test_too_few_orders_give_no_p_value() -> None:
    _, columns, nuisance = day_of(1, 7)
    assert len(columns) < LEAST_ORDERS
    y = np.random.default_rng(1).normal(size=7)
    (found,) = exact_values(y, nuisance, Drawing(columns[0], columns, True), ONE, np.eye(1))
    assert np.isnan(found.p_value) and found.orders == len(columns)


WORLDS = {
    "quiet": lambda rng, n: rng.normal(0, 0.05, (2, n)),
    "heavy tails": lambda rng, n: 0.05 * rng.standard_cauchy((2, n)),
    "a shock a heat": lambda rng, n: rng.normal(0, 0.05, (2, n)) + rng.normal(0, 0.3, n),
    "one driver learns": lambda rng, n: rng.normal(0, 0.05, (2, n)) - [[0.1], [0.0]] * np.arange(n),
    "a jump of grip": lambda rng, n: rng.normal(0, 0.05, (2, n)) + (np.arange(n) > rng.integers(n)),
    "small incidents": lambda rng, n: rng.normal(0, 0.05, (2, n)) + (rng.random((2, n)) < 0.2),
}


@pytest.mark.parametrize("world", WORLDS)
@pytest.mark.parametrize("counted", [True, False], ids=["all orders", "drawn anew"])
def test_no_false_alarms_whatever_the_laps_are_like(
    world: str, counted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """500 days on which no change did anything: p is at most 5 % on at most 5 % of them (99.9 %
    binomial bound), and not on far fewer."""
    if not counted:
        monkeypatch.setattr(lots, "MOST_ORDERS", 0)
        monkeypatch.setattr(lots, "STEPS", 30)
    plan = plan_day(day(2, 8), chance_of(1))
    settings = settings_of(plan.request.factors)
    lot, rng = plan.lot, np.random.default_rng(8)
    others = lot.draw(DRAWS, np.random.default_rng(2)) if lot.every is None else lot.every
    columns = settings.columns[others.reshape(len(others), -1)]
    drivers = np.repeat(np.eye(2), 8, axis=0)
    nuisance = np.column_stack([drivers, np.tile(np.arange(8.0), 2)])
    alarms = 0
    for real in lot.draw(500, rng):
        y = WORLDS[world](rng, 8).ravel()
        drawing = Drawing(settings.columns[real.ravel()], columns, lot.every is not None)
        (found,) = exact_values(y, nuisance, drawing, ONE, np.eye(1))
        alarms += found.p_value <= 0.05
    assert 10 <= alarms <= stats.binom.ppf(0.999, 500, 0.05)


def test_an_effect_is_found() -> None:
    plan, columns, nuisance = day_of(2, 8)
    real = settings_of(plan.request.factors).columns[plan.order.ravel()]
    rng, found = np.random.default_rng(9), 0
    for _ in range(40):
        y = rng.normal(0, 0.05, 16) + 0.1 * real[:, 0]
        found += (
            exact_values(y, nuisance, Drawing(real, columns, True), ONE, np.eye(1))[0].p_value
            <= 0.05
        )
    assert found >= 25
