"""What a driver is told to fit, condition by condition."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.report.contrasts import contrasts
from pipeline.report.share_page import choice
from tests.report import made_up


def told(overall: str, low_grip: str, estimate: tuple[float, float] = (-0.05, -0.05)) -> int | None:
    """The choice at low grip from the verdicts of pace overall and at low grip."""
    result = made_up.season()
    pace = result.effects["factor"].eq("top_deck") & result.effects["outcome"].eq("pace")
    effects = result.effects[pace & result.effects["condition"].isin(["all", "grip=low"])].copy()
    effects["verdict"], effects["estimate"] = [overall, low_grip], list(estimate)
    (contrast,) = contrasts(replace(result, effects=effects))
    return choice(contrast, "grip=low")


@pytest.mark.parametrize(
    ("overall", "low_grip", "estimate", "expected"),
    [
        ("faster", "faster", (-0.05, -0.05), 1),
        ("faster", "not enough runs", (-0.05, 0.01), 1),
        ("not enough runs", "faster", (-0.01, -0.05), 1),
        ("slower", "leaning slower", (0.05, 0.04), -1),
        ("slower", "leaning faster", (0.05, -0.04), 0),
        ("slower", "faster", (0.05, -0.05), 0),
        ("leaning faster", "leaning faster", (-0.02, -0.03), 0),
        (made_up.NO, "leaning faster", (-0.002, -0.01), None),
        (made_up.NO, "faster", (-0.01, -0.05), 1),
        ("not enough runs", "not enough runs", (0.01, 0.01), None),
    ],
)
def test_the_condition_comes_before_the_whole(
    overall: str, low_grip: str, estimate: tuple[float, float], expected: int | None
) -> None:
    assert told(overall, low_grip, estimate) == expected
