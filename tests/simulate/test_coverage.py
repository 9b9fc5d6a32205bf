"""A few worlds of `coverage.py`; its own command runs as many as one likes."""

import math

import numpy as np
import pytest
from scipy.stats import binom

from tests.simulate.coverage import (
    SPEC,
    covers,
    covers_here,
    of_all_worlds,
    study_world,
    table,
    table_by_condition,
    wrong_way,
)

WORLDS = range(1, 5)


def line(**changes):
    base = {
        "outcome": "pace",
        "factor": "body",
        "level": "wedge",
        "condition": "all",
        "told": True,
        "estimate": -0.1,
        "ci_low": -0.15,
        "ci_high": -0.05,
        "here_low": -0.12,
        "here_high": -0.09,
        "verdict": "faster",
        "truth": -0.08,
    }
    return base | changes


@pytest.fixture(scope="module")
def lines():
    return [line for seed in WORLDS for line in study_world(seed)]


@pytest.mark.slow
def test_intervals_hold_the_truth_of_the_worlds(lines):
    told = [one for one in lines if one["told"]]
    assert len(told) >= 0.9 * len(WORLDS) * 4 * len(SPEC.factors)
    fewest = binom.ppf(0.001, len(told), 0.95)
    assert sum(covers_here(one) for one in told) >= fewest
    assert sum(covers(one, one["truth"]) for one in told) >= fewest


@pytest.mark.slow
def test_hardly_anything_is_claimed_the_wrong_way_round(lines):
    assert sum(wrong_way(one) for one in lines if one["told"]) <= 1


@pytest.mark.slow
def test_the_truth_is_known_better_than_the_season_tells_it(lines):
    for one in lines:
        if one["told"] and one["outcome"] == "pace":
            assert one["truth_error"] < 0.1 * (one["ci_high"] - one["ci_low"])


def test_an_interval_beside_the_truth_counts_as_a_miss():
    assert covers(line(), -0.08)
    assert not covers(line(), 0.02)
    assert wrong_way(line(truth=0.02))
    assert not wrong_way(line(truth=0.02, verdict="leaning faster"))
    assert wrong_way(line(outcome="spread", estimate=1.2, truth=0.9, verdict="wilder"))
    assert covers_here(line(truth=-0.1))
    assert not covers_here(line())
    assert covers_here(line(here_low=math.nan, here_high=math.nan))


def test_the_truth_of_all_worlds_is_a_mean_or_of_ratios_a_geometric_one():
    ratios = [line(outcome="spread", truth=value) for value in (0.5, 2.0)]
    found = of_all_worlds([line(truth=-0.1), line(truth=0.2), *ratios])
    assert found["pace", "body", "wedge", "all"] == pytest.approx(0.05)
    assert found["spread", "body", "wedge", "all"] == pytest.approx(1.0)


@pytest.mark.slow
def test_intervals_of_these_meetings_are_narrower(lines):
    known = [one for one in lines if one["told"] and not math.isnan(one["here_low"])]
    assert len(known) >= 0.9 * len(WORLDS) * 3 * len(SPEC.factors)
    width = [one["here_high"] - one["here_low"] for one in known]
    wider = [one["ci_high"] - one["ci_low"] for one in known]
    assert np.mean(width) < np.mean(wider)


def test_the_table_counts_what_got_no_number():
    silent = line(told=False, estimate=math.nan, ci_low=math.nan, ci_high=math.nan)
    row = next(row for row in table([line(), line(truth=-0.1), silent]).splitlines()[2:])
    assert row.startswith("| pace | all | 2 | 100.0% ± 0.0% | 50.0% ± 35.4% |")
    assert row.endswith("| 1 |")


def test_conditions_have_a_table_of_their_own():
    there = [line(condition="grip=low"), line(condition="grip=low", truth=0.3), line()]
    assert "grip=low" not in table(there)
    row = table_by_condition(there).splitlines()[2]
    assert row.startswith("| pace | grip=low | 2 | 0.0% ± 0.0% | 50.0% ± 35.4% |")
