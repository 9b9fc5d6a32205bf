"""A small calibration study with exact binomial bounds; the full one is `study.py`.

The seeds are fixed, so it passes or fails for good. A bound is passed by a true 95 % (5 %, 0.5 %)
in all but 1 of 1,000 seeds. Over the three kinds together a true coverage of 85 % fails four
times in five.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
import pytest
from scipy import stats

from pipeline.tables.outcomes import OUTCOMES
from tests.calibration.replicate import Record, replicate
from tests.calibration.summary import effects_table

SEASONS = 40
CHECKED = ("pair", "field", "gaps")
SEED = 11

pytestmark = pytest.mark.slow


@dataclass(frozen=True)
class Study:
    records: list[Record]
    effects: pd.DataFrame


@pytest.fixture(scope="module")
def study() -> Study:
    records = [replicate(kind, SEED, number) for kind in CHECKED for number in range(SEASONS)]
    return Study(records, effects_table(records))


def fewest(n: int, share: float) -> float:
    return float(stats.binom.ppf(0.001, n, share))


def most(n: int, share: float) -> float:
    return float(stats.binom.ppf(0.999, n, share))


def test_no_season_makes_the_analysis_fail(study: Study) -> None:
    assert [record["failure"] for record in study.records if record["failure"]] == []


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_a_number_is_given_where_the_order_allows_one(study: Study, outcome: str) -> None:
    answered = study.effects.loc[study.effects["outcome"] == outcome, "answered"]
    assert len(answered) == SEASONS * len(CHECKED)
    assert answered.mean() > 0.95


@pytest.mark.parametrize("outcome", OUTCOMES)
@pytest.mark.parametrize("kind", [*CHECKED, "all"])
def test_intervals_hold_the_truth(study: Study, kind: str, outcome: str) -> None:
    effects = study.effects[study.effects["answered"] & (study.effects["outcome"] == outcome)]
    covered = effects.loc[effects["kind"].eq(kind) | (kind == "all"), "covered"]
    assert fewest(len(covered), 0.95) <= covered.sum()


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_changes_that_do_nothing_are_seldom_called_an_effect(study: Study, outcome: str) -> None:
    effects = study.effects[study.effects["answered"] & (study.effects["outcome"] == outcome)]
    nulls = effects[effects["null"]]
    assert len(nulls) > SEASONS
    assert nulls["called_p"].sum() <= most(len(nulls), 0.05)
    assert nulls["claimed"].sum() <= most(len(nulls), 0.05)


def test_nothing_is_called_the_wrong_way_round(study: Study) -> None:
    real = study.effects[study.effects["answered"] & ~study.effects["null"]]
    assert real["claimed"].sum() > SEASONS
    assert real["wrong_way"].sum() <= most(len(real), 0.005)


def test_intervals_are_not_wide_for_safety(study: Study) -> None:
    # The SD of the run means alone (0.08 s and 0.22 s over root 21 laps) gives, for 16 runs a
    # level and known grip, 0.066 s; and the half-width of 4 a level twice that, 0.13 s, at most.
    pace = study.effects[study.effects["outcome"] == "pace"].groupby("kind")["half_width"].mean()
    assert pace["field"] < 1.25 * 0.066
    assert pace["pair"] < 1.5 * 0.066 * 2**0.5
