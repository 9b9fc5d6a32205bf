"""The measures: honest chances pass, boasting and a coin do not; errors are between worlds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.decide import measures


def situations(said: np.ndarray, true: np.ndarray) -> pd.DataFrame:
    """Two-level situations, the second level being the better with chance `true`."""
    rows = [
        {
            "world": n // 10, "size": "full", "role": "helps", "places": [0, 1], "reference": 0,
            "chance": [1 - s, s], "true_chance": [1 - t, t], "loss": [s, 1 - s],
            "true_loss": [t, 1 - t], "gain": [0.0, 1.0], "true_gain": [0.0, 1.0],
            "covered": [1.0, 1.0],
        }
        for n, (s, t) in enumerate(zip(said, true, strict=True))
    ]  # fmt: skip
    return pd.DataFrame(rows)


@pytest.fixture(name="chance")
def _chance() -> np.ndarray:
    return np.random.default_rng(1).uniform(0, 1, 4000)


def test_honest_chances_are_seen_as_often_as_said(chance: np.ndarray) -> None:
    happened = (np.random.default_rng(2).random(4000) < chance).astype(float)
    bins = measures.bins(measures.choices(situations(chance, happened)))
    assert bins["choices"].sum() == 4000
    assert list(bins["from"]) == pytest.approx([0.5, 0.6, 0.7, 0.8, 0.9])
    assert ((bins["said"] - bins["seen"]).abs() < 3.5 * bins["binomial"]).all()


def test_boasting_is_seen(chance: np.ndarray) -> None:
    boast = np.where(chance > 0.5, 0.97, 0.03)
    bins = measures.bins(measures.choices(situations(boast, chance)))
    assert len(bins) == 1
    assert (bins["said"] - bins["seen"]).item() == pytest.approx(0.22, abs=0.02)


def test_the_log_score_beats_the_base_rate_only_where_something_is_known(
    chance: np.ndarray,
) -> None:
    honest, base = measures.log_scores(situations(chance, chance))
    coin, same = measures.log_scores(situations(np.full(4000, 0.5), chance))
    assert honest > base + 0.1
    assert coin == pytest.approx(np.log(0.5))
    assert coin < same + 1e-3


def test_errors_are_between_worlds() -> None:
    world = pd.Series(np.repeat(np.arange(50), 20))
    level = pd.Series(np.repeat(np.random.default_rng(3).normal(0, 1, 50), 20))
    mean, error = measures.mean_and_error(level, world)
    assert mean == pytest.approx(level.mean())
    assert error == pytest.approx(level[::20].std() / np.sqrt(50))


def test_an_empty_end_is_open() -> None:
    rows = pd.DataFrame({
        "role": "crossing", "true_switch": -0.4,
        "switch": [[None] * 3, [-0.5, -0.8, -0.2], [0.3, 0.0, None], [-0.6, None, -0.5]],
    })  # fmt: skip
    found = measures.switches(rows)
    assert list(found["holds"]) == [True, True, False, False]
    assert list(found["open"]) == [2, 0, 1, 1]
