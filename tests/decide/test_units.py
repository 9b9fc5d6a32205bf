"""The unit that somebody typed does not matter: the same words, the same advice."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.decide.record import Record, analysed
from tests.decide.season import Season, season
from tests.decide.units import UNITS, apart, differences, in_unit, unlike
from tests.decide.world import World, draw


@pytest.fixture(name="world", scope="module")
def _world() -> World:
    return draw(2, 11)


@pytest.fixture(name="data", scope="module")
def _data(world: World) -> Season:
    return season(world, 11)


@pytest.fixture(name="found", scope="module")
def _found(data: Season) -> Any:
    return analysed(data)


@pytest.fixture(name="differing", scope="module", params=UNITS)
def _differing(world: World, data: Season, found: Any, request: pytest.FixtureRequest) -> Record:
    return differences(world, data, found, request.param)


def test_words_are_the_same(differing: Record) -> None:
    assert (differing["verdicts"], differing["advice"]) == (0, 0)


def test_numbers_are_the_same(differing: Record) -> None:
    assert differing["numbers"] < 1e-6


def test_another_unit_is_another_unit(world: World, data: Season) -> None:
    other = in_unit(world, data, 1000.0)
    assert other.runs["oil"].dropna().to_numpy() == pytest.approx(1000 * data.runs["oil"].dropna())
    assert other.runs["wing"].equals(data.runs["wing"])


def test_what_differs_is_seen() -> None:
    assert unlike(pd.Series(["fit", None]), pd.Series(["fit", "try"])) == 1
    assert unlike(pd.Series(["fit"]), pd.Series(["fit", "try"])) == 2
    assert apart(pd.DataFrame([[2.0, np.nan]]), pd.DataFrame([[2.2, np.nan]])) == pytest.approx(0.1)
    assert apart(pd.DataFrame([[2.0]]), pd.DataFrame([[np.nan]])) == np.inf
