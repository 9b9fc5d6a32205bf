"""The whole analysis on shuffled logs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.models.effects import effects_table
from pipeline.models.placebo import (
    ANY,
    Shuffler,
    Tally,
    placebo,
    placebo_sentence,
    placebo_warning,
)
from pipeline.models.season import effects_alone, estimate, with_other_log
from pipeline.tables.outcomes import OUTCOMES
from pipeline.tables.records import SeasonData
from tests.models.small_season import season


@pytest.fixture(scope="module")
def data() -> SeasonData:
    return season(meetings=2, cars=10)


def test_a_shuffled_log_holds_each_days_settings_in_another_order(data: SeasonData) -> None:
    shuffled = Shuffler(estimate(data, [], [])).shuffled(1)
    names = ["bar", "spring"]
    assert not shuffled.runs[names].equals(data.runs[names])
    for _, rows in data.runs.groupby(["meeting", "driver"]):
        before = data.runs.loc[rows.index, names].fillna("").agg("/".join, axis=1)
        after = shuffled.runs.loc[rows.index, names].fillna("").agg("/".join, axis=1)
        assert sorted(before) == sorted(after)
    others = [name for name in data.runs if name not in names]
    pd.testing.assert_frame_equal(shuffled.runs[others], data.runs[others])


def test_an_analysis_that_starts_from_another_is_one_from_the_start(data: SeasonData) -> None:
    found = estimate(data, OUTCOMES, [])
    other = Shuffler(found).shuffled(3)
    quick = effects_table(with_other_log(found, other, 2000), found.margins)
    slow = effects_alone(other, conditions=())
    quick = (
        quick.set_index(["outcome", "factor", "level"])
        .loc[list(slow[["outcome", "factor", "level"]].itertuples(index=False, name=None))]
        .reset_index()
    )
    both = ["outcome", "factor", "level", "verdict"]
    pd.testing.assert_frame_equal(quick[both], slow[both])
    error = slow["std_error"].to_numpy()
    for column in ("estimate", "ci_low", "ci_high"):
        gap = (quick[column] - slow[column]).to_numpy() / error
        np.testing.assert_allclose(gap[np.isfinite(gap)], 0, atol=0.02)


def test_tallies_add_up(data: SeasonData) -> None:
    seen: list[int] = []
    tallies = placebo(data, 3, progress=seen.append)
    assert seen == [1, 2, 3]
    assert [tally.outcome for tally in tallies] == [*OUTCOMES, ANY]
    assert all(tally.logs == 3 and 0 <= tally.held <= tally.intervals for tally in tallies)
    assert sum(tally.intervals for tally in tallies[:-1]) == tallies[-1].intervals > 0
    assert tallies == placebo(data, 3)


def test_stopped_it_gives_what_is_done(data: SeasonData) -> None:
    def stop(done: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    assert placebo(data, 5, progress=stop)[-1].logs == 2


@pytest.mark.parametrize(("found", "warned"), [(18, False), (19, True)])
def test_more_than_chance_allows_is_a_warning(found: int, warned: bool) -> None:
    """Of 200 logs at 5 %: 18 or more come about in 1.3 %, 19 or more in 0.6 % (binomial)."""
    tallies = [Tally(ANY, 200, found, 400, 380)]
    assert tallies[0].is_too_many == warned
    assert bool(placebo_warning(tallies)) == warned
    assert placebo_sentence(tallies) == (
        "On your own laps, with the log shuffled 200 times, an effect was found "
        f"{found} times; at most 10 are expected."
    )
