"""How often the count model calls nothing an effect, on days whose truth is known.

The table of the study stands in `tests.models.counts_days`.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.models.counts_days import Kind, draw, roots

DAYS = 60


def misses(kind: Kind, seed: int, log_ratio: float = 0.0, family: str = "nb2") -> int:
    """Intervals of so many days that leave the truth out."""
    rng = np.random.default_rng(seed)
    rows = [draw(kind, rng, log_ratio) for _ in range(DAYS)]
    return sum(abs(roots(day, log_ratio, family)[1]) > 1 for day in rows)


def most_misses(rate: float) -> int:
    """More than this many come by chance in one of 1,000 such studies."""
    return int(stats.binom.ppf(0.999, DAYS, rate))


@pytest.mark.parametrize(
    ("kind", "log_ratio"),
    [
        (Kind("rare", 0.4), 0.0),
        (Kind("more with the level", 2.0), 0.5),
        (Kind("overdispersed", 2.0, alpha=0.5), 0.0),
        (Kind("four drivers", 1.0, team=4, alpha=0.5), -0.7),
    ],
    ids=lambda value: value.name if isinstance(value, Kind) else "",
)
def test_intervals_of_a_test_day_hold(kind: Kind, log_ratio: float) -> None:
    assert misses(kind, 11, log_ratio) <= most_misses(0.055)


def test_runs_whose_luck_differs_need_the_dispersion() -> None:
    """The same days by a Poisson model, which takes each incident for independent: it must fail
    where the other one holds, or this file would show nothing."""
    kind = Kind("uneven luck", 3.0, team=4, alpha=1.5)
    assert misses(kind, 12) <= most_misses(0.055)
    assert misses(kind, 12, family="poisson") > most_misses(0.055)
