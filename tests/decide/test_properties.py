"""Pooling options of one property: narrower where they follow it, not where one goes its own way.

The bounds are those of 60 worlds about what 400 showed (PROPERTIES.md): they find a pooling that
does nothing, and one that holds the odd one to the others.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.decide import properties

WORLDS = 60


@pytest.fixture(scope="module")
def rows() -> dict[tuple[str, str], tuple[float, ...]]:
    return {(kind, who): tuple(rest) for kind, who, *rest in properties.study(WORLDS, 3)}


def test_options_that_follow_lend_each_other_runs(
    rows: dict[tuple[str, str], tuple[float, ...]],
) -> None:
    alone, together, covers_alone, covers = rows["follow", "those that follow"]
    assert together < 0.9 * alone
    assert covers > covers_alone


@pytest.mark.parametrize("away", [1, 2, 3])
def test_the_odd_one_is_not_held_to_the_others(
    rows: dict[tuple[str, str], tuple[float, ...]], away: int
) -> None:
    _, _, alone, together = rows[f"odd by {away}", "the odd one"]
    error = np.sqrt(alone * (1 - alone) / WORLDS)
    assert together > alone - 3 * error - 0.05
