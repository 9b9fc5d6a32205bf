"""`pipeline.analyse`: frames in memory give what the season's analysis gives, and no more."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

import pipeline
from pipeline.models import season as models
from pipeline.tables.records import SeasonData
from tests.api.frames import dicts, frames
from tests.models.small_season import reordered, season


@pytest.fixture(scope="module")
def data() -> SeasonData:
    return season(meetings=2)


def analysed(data: SeasonData, **options: Any) -> Any:
    return pipeline.analyse(*frames(data), dicts(data.factors), **options)


def test_the_effects_are_those_of_the_models(data: SeasonData) -> None:
    pd.testing.assert_frame_equal(analysed(data).effects, models.effects_alone(data))


def test_frames_are_not_changed(data: SeasonData) -> None:
    runs, laps = frames(data)
    before = runs.copy(), laps.copy()
    found = pipeline.analyse(runs, laps, dicts(data.factors), outcomes=["pace"])
    found.runs["driver"] = "somebody"
    pd.testing.assert_frame_equal(runs, before[0])
    pd.testing.assert_frame_equal(laps, before[1])


def test_rows_may_stand_in_any_order(data: SeasonData) -> None:
    rng = np.random.default_rng(5)
    mixed = reordered(data, rng.permutation(len(data.runs)), rng.permutation(len(data.laps)))
    found = analysed(mixed, outcomes=["pace"], conditions=[])
    expected = analysed(data, outcomes=["pace"], conditions=[])
    pd.testing.assert_frame_equal(found.effects, expected.effects, check_exact=True)
    pd.testing.assert_frame_equal(found.choices, expected.choices, check_exact=True)
    assert found.runs["driver"].tolist() == mixed.runs["driver"].tolist()


@pytest.mark.parametrize("outcomes", [["pace"], ["mistakes"], ["fade", "spread"], []])
def test_nothing_else_is_fitted(
    data: SeasonData, outcomes: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    fitted: list[str] = []
    fit, count = models.fit_if_enough, models.mistake_effects
    spied = lambda *given, **more: fitted.append(given[1].outcome) or fit(*given, **more)  # noqa: E731
    monkeypatch.setattr(models, "fit_if_enough", spied)
    counted = lambda *given: fitted.append("mistakes") or count(*given)  # noqa: E731
    monkeypatch.setattr(models, "mistake_effects", counted)
    found = analysed(data, outcomes=outcomes, conditions=[])
    assert sorted(found.effects["outcome"].unique()) == sorted(fitted) == outcomes
    assert set(found.effects["condition"]) <= {"all"}
    assert found.grip["seconds"].notna().all()


def test_faults_come_all_at_once(data: SeasonData) -> None:
    runs, laps = frames(data)
    runs = runs.drop(columns="team").rename(columns={"driver": "Driver"})
    runs.loc[3, "session_kind"] = "warm-up"
    laps.loc[7, "run"] = len(runs)
    factors = [*dicts(data.factors), {"name": "tyre", "kind": "letter"}]
    with pytest.raises(pipeline.UserError) as caught:
        pipeline.analyse(runs, laps, factors)
    told = [
        f"{problem.where} {problem.column}: {problem.found}" for problem in caught.value.problems
    ]
    for word in ("team", "driver", "warm-up", f"{len(runs)} in row", "'letter'"):
        assert any(word in line for line in told), (word, told)
