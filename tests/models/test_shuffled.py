"""The log shuffled: a published example, another library, full enumeration, what it must not do."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from scipy import stats

from pipeline.models.shuffled import LEAST_DISTINCT, Log, shuffled_values


def log_of(settings: np.ndarray, group: np.ndarray, **given: np.ndarray) -> Log:
    """A log of one factor; each group is a driver's day, each run in a heat of its own."""
    n = len(group)
    plain = {
        "day": np.zeros(n, np.intp),
        "turn": np.arange(n),
        "heat": np.arange(n),
        "drift": np.zeros((n, 1)),
    }
    columns = settings.reshape(n, -1).astype(float)
    factor = np.zeros(columns.shape[1], np.intp)
    return Log(settings=columns, factor=factor, group=group, **(plain | given))


def test_fishers_maize() -> None:
    """Fisher (1935), The Design of Experiments, section 21: of 2^15 = 32,768 ways in which Darwin's
    15 pairs of plants could have been assigned, 863 give a sum of differences as large as the
    observed one, and as many one as small: P = 5.267 % (data and figures from memory)."""
    eighths = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    heights = np.column_stack([eighths, np.zeros(15)]).ravel()
    crossed = np.tile([1, 0], 15)
    found = shuffled_values(log_of(crossed, np.repeat(np.arange(15), 2)), heights[:, None], 2**15)
    one = found[0][0]
    assert (one.as_much, one.of) == (2 * 863, 2**15)
    assert one.p_value == pytest.approx(0.05267, abs=1e-5)


@pytest.mark.parametrize("seed", range(3))
def test_scipys_permutation_test(seed: int) -> None:
    """Two samples of one driver's day, all 70 logs: the t statistic's own permutation p."""
    rng = np.random.default_rng(seed)
    y, settings = rng.normal(size=8), rng.permutation(np.repeat([0, 1], 4))
    own = shuffled_values(log_of(settings, np.zeros(8, np.intp)), y[:, None])[0][0]
    theirs = stats.permutation_test(
        (y[settings == 1], y[settings == 0]),
        lambda a, b: np.abs(stats.ttest_ind(a, b).statistic),
        n_resamples=np.inf,
        alternative="greater",
    )
    assert own.of == 70
    assert own.p_value == pytest.approx(float(theirs.pvalue), abs=1e-12)


def plain_sizes(log: Log, y: np.ndarray, order: np.ndarray) -> float:
    """|t| of the first column by plain least squares on group means, lines a day and settings, of
    the response less what the other factors explain in the real log."""
    groups = np.eye(int(log.group.max()) + 1)[log.group]
    lines = np.eye(int(log.day.max()) + 1)[log.day] * log.drift
    nuisance = np.column_stack([groups, lines])
    others = log.settings[:, log.factor != 0]
    X = np.column_stack([nuisance, others])
    rest = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    X = np.column_stack([nuisance, log.settings[order]])
    beta, _, rank, _ = np.linalg.lstsq(X, rest, rcond=None)
    left = rest - X @ beta
    place = nuisance.shape[1]
    variance = left @ left / (len(y) - rank) * np.linalg.pinv(X.T @ X)[place, place]
    return float(abs(beta[place]) / np.sqrt(variance))


def test_freedman_and_lane_written_out() -> None:
    """Two factors, two drivers' days with a line: every log by plain least squares."""
    rng = np.random.default_rng(4)
    one = [[0, 1], [1, 0], [1, 1], [0, 0], [1, 0]]
    settings = np.array([*one, *one[::-1]])
    group = np.repeat([0, 1], 5)
    hour = np.array([0, 1.1, 2, 3, 4.2, 0.3, 1, 2.2, 3, 4])
    log = replace(
        log_of(settings, group, drift=hour[:, None] - hour.mean()), factor=np.array([0, 1])
    )
    y = rng.normal(size=10)
    found = shuffled_values(log, y[:, None], 5000)[0][0]
    logs = [
        np.r_[np.array(a), np.array(b)]
        for a in permutations(range(5))
        for b in permutations(range(5, 10))
        if a.index(1) < a.index(4) and b.index(5) < b.index(8)  # of two alike, one order
    ]
    sizes = np.array([plain_sizes(log, y, order) for order in logs])
    assert found.of == len(logs) == 60**2
    assert found.as_much == (sizes >= plain_sizes(log, y, np.arange(10)) * (1 - 1e-9)).sum()


@pytest.mark.parametrize(("runs", "told"), [(7, False), (8, True)])
def test_fewer_than_forty_logs_have_no_voice(runs: int, told: bool) -> None:
    """35 ways to place three of seven, 56 to place three of eight."""
    settings = (np.arange(runs) < 3).astype(int)
    log = log_of(settings, np.zeros(runs, np.intp))
    assert (log.distinct(0) >= LEAST_DISTINCT) == told
    y = np.random.default_rng(1).normal(size=(runs, 1))
    assert np.isfinite(shuffled_values(log, y)[0][0].p_value) == told


def test_a_setting_that_never_changed_within_a_day_moves_nothing() -> None:
    group = np.repeat(np.arange(6), 4)
    log = log_of(group % 2, group)
    y = np.random.default_rng(2).normal(size=(24, 1))
    assert log.distinct(0) == 1
    assert np.isnan(shuffled_values(log, y)[0][0].p_value)


def test_cars_that_changed_together_in_their_heats_are_shuffled_as_one() -> None:
    settings = np.tile([0, 1, 0, 1, 1, 0, 0, 1], 4)
    group, turn = np.repeat(np.arange(4), 8), np.tile(np.arange(8), 4)
    together = log_of(settings, group, turn=turn, heat=turn)
    assert [cars.shape for cars in together.together] == [(4, 8)]
    assert together.distinct(0) == 70
    apart = log_of(settings, group, turn=turn, heat=np.arange(32))
    assert apart.distinct(0) == 70**4
    for order in together.shuffled(20, np.random.default_rng(1)):
        dealt = settings[order].reshape(4, 8)
        assert (dealt == dealt[0]).all()


def test_the_same_data_give_the_same_p() -> None:
    rng = np.random.default_rng(3)
    log = log_of(rng.integers(0, 2, 48), np.repeat(np.arange(6), 8))
    y = rng.normal(size=(48, 2))
    assert shuffled_values(log, y) == shuffled_values(log, y)


def test_a_shift_and_a_unit_change_nothing() -> None:
    rng = np.random.default_rng(5)
    log = log_of(rng.integers(0, 3, 32), np.repeat(np.arange(4), 8))
    y = rng.normal(size=(32, 1))
    one, two = (shuffled_values(log, v)[0][0] for v in (y, 1000 * y + 15_000))
    assert one == two


def test_runs_without_a_value_are_left_out() -> None:
    rng = np.random.default_rng(6)
    settings, group = rng.integers(0, 2, 40), np.repeat(np.arange(5), 8)
    y = rng.normal(size=(40, 2))
    y[[3, 17], 1] = np.nan
    whole = shuffled_values(log_of(settings, group), y)
    rows = np.flatnonzero(np.isfinite(y[:, 1]))
    alone = shuffled_values(log_of(settings, group).only(rows), y[rows, 1:])
    assert whole[1] == alone[0]


def test_nulls_are_called_at_their_rate_whatever_the_laps_are_like() -> None:
    """Heavy tails, drivers apart by three: at most 5 % and chance of 400 days."""
    rng, called = np.random.default_rng(7), 0
    group = np.repeat(np.arange(3), 8)
    for _ in range(400):
        settings = np.concatenate([rng.permutation(np.repeat([0, 1], 4)) for _ in range(3)])
        y = rng.standard_t(2, 24) * np.array([0.1, 0.2, 0.3])[group]
        called += shuffled_values(log_of(settings, group), y[:, None], 199)[0][0].p_value <= 0.05
    assert called <= stats.binom.ppf(0.999, 400, 0.05)
    assert called >= 5
