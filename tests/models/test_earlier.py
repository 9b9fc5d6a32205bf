"""Earlier seasons as evidence, against the same done with dense covariances and at the limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.models.earlier import (
    Between,
    Earlier,
    Scatter,
    Seasons,
    _together,
    between_seasons,
    combined,
    learned_scatter,
)

SURE = 1e9  # degrees of freedom: variances that are known


def drawn(seed: int, seasons: int = 4, df: float = SURE, unit: float = 1.0) -> Seasons:
    rng = np.random.default_rng(seed)
    v = rng.uniform(0.01, 0.05, seasons) ** 2
    return Seasons(rng.normal(0, 0.06, seasons), v, np.full(seasons, df), unit)


def known(tau2: float) -> Between:
    return Between(np.array([tau2]), np.ones(1))


@pytest.mark.parametrize("seed", range(5))
def test_known_variances_give_the_best_linear_unbiased_prediction(seed: int) -> None:
    """With a flat prior as a very wide one: b + s_0 given all y by the joint normal."""
    row, tau2, wide = drawn(seed), 0.03**2, 1e4
    between = wide + tau2 * np.eye(4)
    V = between + np.diag(row.v)
    gain = np.linalg.solve(V, between[0])
    found = combined(row, known(tau2))
    assert found.estimate == pytest.approx(gain @ row.y, abs=1e-7)
    assert found.std_error**2 == pytest.approx(between[0, 0] - gain @ between[0], rel=1e-4)


def test_the_limits_are_all_seasons_as_one_and_this_one_alone() -> None:
    row = drawn(1)
    w = 1 / row.v
    as_one = combined(row, known(1e-12))
    assert as_one.estimate == pytest.approx(w @ row.y / w.sum())
    assert as_one.std_error == pytest.approx(w.sum() ** -0.5, rel=1e-4)
    alone = combined(row, known(1e3))
    assert alone.estimate == pytest.approx(row.y[0], rel=1e-3)
    assert alone.std_error == pytest.approx(row.v[0] ** 0.5, rel=1e-3)


def test_with_one_season_its_degrees_of_freedom_stay() -> None:
    v, df = np.array([1.0, 1e8]), np.array([5.0, 50.0])
    found = combined(Seasons(np.zeros(2), v, df), known(1e6))
    assert found.df == pytest.approx(5.0, rel=0.01)


def test_what_is_not_known_of_the_variances_widens() -> None:
    row, tau2 = drawn(2), 0.03**2
    sure = combined(row, known(tau2))
    two = Between(np.array([0.01**2, 0.09**2]), np.array([0.5, 0.5]))
    ends = [combined(row, known(t)) for t in two.tau2]
    mixed = combined(row, two)
    values = [end.estimate for end in ends]
    assert mixed.estimate == pytest.approx(np.mean(values))
    assert mixed.std_error**2 == pytest.approx(
        np.mean([end.std_error**2 for end in ends]) + np.var(values), rel=1e-6
    )
    few = combined(Seasons(row.y, row.v, np.full(4, 4.0)), known(tau2))
    assert few.std_error > sure.std_error and few.df < sure.df


def test_tau_is_weighed_by_a_dense_restricted_likelihood() -> None:
    rows = [drawn(seed, unit=unit) for seed, unit in ((3, 1.0), (4, 0.5), (5, 2.0))]
    median, one = 0.05, np.ones(4)

    def dense(tau2: float) -> float:
        total = (np.log(tau2) / 2 - np.log(median)) ** 2
        for row in rows:
            V = np.diag(row.v) + tau2 * row.unit**2 * np.eye(4)
            P = np.linalg.inv(V)
            P -= np.outer(P @ one, one @ P) / (one @ P @ one)
            total += np.linalg.slogdet(V)[1] + np.log(one @ np.linalg.solve(V, one))
            total += row.y @ P @ row.y
        return float(total)

    found = between_seasons(rows, median)
    log = -np.array([dense(t) for t in found.tau2]) / 2
    expected = np.exp(log - log.max())
    assert found.weight == pytest.approx(expected / expected.sum(), abs=1e-9)


def test_seasons_that_agree_count_more_than_those_that_do_not() -> None:
    v, df = np.full(3, 0.02**2), np.full(3, 20.0)
    agree = Seasons(np.array([0.10, 0.11, 0.10]), v, df)
    differ = Seasons(np.array([0.10, -0.20, 0.30]), v, df)
    widths = [combined(row, between_seasons([row], 0.05)).std_error for row in (agree, differ)]
    assert widths[0] < 0.85 * widths[1]
    assert widths[1] < 1.05 * v[0] ** 0.5


def test_scatter_is_learnt_as_far_as_it_was_seen() -> None:
    log = float(np.log(0.05))
    unseen = Earlier("2024", {}, {"pace": Scatter(log, 0.0, log)})
    weak = learned_scatter([unseen, unseen], "pace")
    assert weak is not None and weak.median == pytest.approx(0.05)
    assert weak.log_sd == pytest.approx(np.hypot(1.0, 0.7))
    mode = (log + 8 * float(np.log(0.02))) / 9  # the data's 0.02 s, drawn towards the prior
    seen = Earlier("2025", {}, {"pace": Scatter(mode, 8.0, log)})
    learnt = learned_scatter([unseen, seen], "pace")
    assert learnt is not None and np.log(learnt.median) == pytest.approx(mode)
    assert learnt.log_sd == pytest.approx(np.hypot(1 / 3, 0.7))
    twice = learned_scatter([seen, seen], "pace")
    assert twice is not None and 0.02 < twice.median < learnt.median
    assert learned_scatter([seen], "spread") is None


def test_shuffled_logs_of_several_seasons_go_together() -> None:
    p = [0.2, 0.01, 0.4]
    expected = stats.combine_pvalues(p, method="fisher").pvalue
    assert _together([*p, float("nan")]) == pytest.approx(expected)
    assert _together([0.3]) == 0.3 and np.isnan(_together([]))
