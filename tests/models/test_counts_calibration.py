"""How often the count model calls nothing an effect, on days whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.models.counts import CountRows, fit_counts
from pipeline.models.counts_interval import satterthwaite_df, signed_root
from tests.models.test_counts_interval import CONTRAST, test_day

DAYS = 80
test_day.__test__ = False  # type: ignore[attr-defined]


def misses(rows: CountRows, truth: float, family: str) -> bool:
    """Whether the 95 % interval leaves the truth out, by the root that the interval is made of."""
    fit = fit_counts(rows, family)
    quantile = stats.t.ppf(0.975, satterthwaite_df(fit, CONTRAST))
    return abs(signed_root(fit, CONTRAST)(truth)) > quantile


def share_of_misses(seed: int, family: str = "nb2", **day: float) -> int:
    rng = np.random.default_rng(seed)
    truth = day.get("log_ratio", 0.0)
    return sum(misses(test_day(rng, **day), truth, family) for _ in range(DAYS))


def most_misses(rate: float) -> int:
    """More than this many misses come by chance on one in 1,000 such studies."""
    return int(stats.binom.ppf(0.999, DAYS, rate))


@pytest.mark.parametrize(
    "day",
    [
        {"mean": 0.4},
        {"mean": 2.0, "log_ratio": 0.5},
        {"mean": 2.0, "alpha": 0.5},
        {"drivers": 4, "mean": 1.0, "alpha": 0.5, "log_ratio": -0.7},
    ],
    ids=["rare", "twice as many", "overdispersed", "four drivers"],
)
def test_intervals_of_a_test_day_hold(day: dict[str, float]) -> None:
    assert share_of_misses(11, **day) <= most_misses(0.055)


def test_runs_whose_luck_differs_need_the_dispersion() -> None:
    """The same days by a Poisson model, which takes each incident for independent: it must fail
    where the other one holds, or this file would show nothing."""
    day = {"drivers": 4, "mean": 3.0, "alpha": 1.5}
    assert share_of_misses(12, **day) <= most_misses(0.055)
    assert share_of_misses(12, "poisson", **day) > most_misses(0.055)
