"""Two conditions under which the very same runs were made are one finding, said once."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.tables.conditions import TOGETHER

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.tables.records import SeasonResult


def said_once(result: SeasonResult) -> SeasonResult:
    """Effects and what cannot be told, with such conditions put together under both names."""
    if not {"condition", "estimate", "mixed_with"} <= set(result.effects):
        return result
    same = _same_runs(result.effects)
    effects, cannot = (_merged(frame, same) for frame in (result.effects, result.cannot_tell))
    told = effects["estimate"].notna() & effects["condition"].isin(same.values())
    return replace(
        result,
        effects=effects.assign(mixed_with=effects["mixed_with"].mask(told)),
        cannot_tell=cannot,
    )


def _same_runs(effects: pd.DataFrame) -> dict[str, str]:
    """Each condition whose numbers are mixed with another's (see models/alike.py), and the name of
    both together, grip first."""
    told = effects[effects["condition"].str.contains("=")].dropna(subset=["estimate", "mixed_with"])
    pairs = dict(zip(told["condition"], told["mixed_with"], strict=True))
    return {
        name: TOGETHER.join(sorted([name, *other.split(", ")])) for name, other in pairs.items()
    }


def _merged(frame: pd.DataFrame, same: dict[str, str]) -> pd.DataFrame:
    """The rows of the first of such conditions stand for both."""
    together = frame["condition"].replace(same)
    first = together.str.split(TOGETHER, regex=False).str[0]
    return frame.assign(condition=together)[frame["condition"] == first]
