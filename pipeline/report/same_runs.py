"""Two conditions under which the very same runs were made are one finding, said once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

from pipeline.tables.conditions import TOGETHER

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.tables.records import SeasonResult

KEYS = ["outcome", "factor", "level", "reference"]
COUNTS = ["n_runs", "n_drivers", "n_meetings", "n_switches"]


def said_once(result: SeasonResult) -> SeasonResult:
    """Effects and what cannot be told, with such conditions put together under both names."""
    effects, cannot = result.effects, result.cannot_tell
    for first, second in same_runs(effects):
        effects, cannot = (_merged(frame, first, second) for frame in (effects, cannot))
    return replace(result, effects=effects, cannot_tell=cannot)


def same_runs(effects: pd.DataFrame) -> Iterator[tuple[str, str]]:
    """Pairs of conditions (grip first) under which the very same runs were made, as far as the
    table tells: counts agree in every contrast, and no estimate is half a standard error off.
    """
    by_condition = {
        str(condition): rows.set_index(KEYS).sort_index()
        for condition, rows in effects.groupby("condition")
        if str(condition).count("=") == 1
    }
    for first, second in combinations(sorted(by_condition), 2):
        differ = first.partition("=")[0] != second.partition("=")[0]
        if differ and _same(by_condition[first], by_condition[second]):
            yield first, second


def _same(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    if not set(COUNTS) <= {*one.columns} or not one[COUNTS].equals(other[COUNTS]):
        return False
    apart = (one["estimate"] - other["estimate"]).abs().fillna(0.0)
    near = apart <= 0.5 * one["std_error"].fillna(0.0)
    return bool(one["n_runs"].sum() > 0 and near.all())


def _merged(frame: pd.DataFrame, first: str, second: str) -> pd.DataFrame:
    kept = frame[frame["condition"] != second]
    return kept.assign(condition=kept["condition"].replace({first: f"{first}{TOGETHER}{second}"}))
