"""The result tables, contrast by contrast: all that is known about one change."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.report.words import missing

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.tables.records import SeasonResult

Row = Any  # a named tuple of a row of the result tables
SPEED = ("race", "pace")


@dataclass(frozen=True)
class Contrast:
    """One level against the reference. rows: effects by (outcome, condition)."""

    factor: str
    level: str
    reference: str
    rows: Mapping[tuple[str, str], Row]

    def row(self, outcome: str, condition: str = "all") -> Row:
        """The row, or None where the table has none."""
        return self.rows.get((outcome, condition))


def contrasts(result: SeasonResult) -> list[Contrast]:
    """Every contrast of the effects table, the one that does the most to the race first."""
    found = [
        Contrast(*key, {(row.outcome, row.condition): row for row in rows})
        for key, rows in _grouped(result.effects).items()
    ]
    return sorted(found, key=importance, reverse=True)


def counts_up(runs: pd.DataFrame, factor: str) -> bool:
    """Most steps from a driver's run to the next in a meeting are one more."""
    import numpy as np
    import pandas as pd

    if factor not in runs:
        return False
    known = pd.to_numeric(pd.Series(runs[factor].dropna().unique()), errors="coerce").to_numpy()
    if not (np.subtract.outer(known, known) == 1).any():
        return False  # no two settings are one apart, so no step is
    team = runs[runs[factor].notna()].sort_values("run_no")
    values = pd.to_numeric(team[factor], errors="coerce")
    steps = values.groupby([team["driver"], team["meeting"]]).diff().dropna()
    return len(steps) > 0 and bool((steps == 1).mean() > 0.5)


def without_counters(frame: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Rows of factors that a team sets: not of what counts up by itself from run to run."""
    counting = [name for name in frame["factor"].unique() if counts_up(runs, name)]
    return frame[~frame["factor"].isin(counting)]


def records(frame: pd.DataFrame) -> Iterator[Row]:
    """The rows of a table as named tuples."""
    yield from frame.itertuples(index=False)


def _grouped(frame: pd.DataFrame) -> dict[tuple[str, str, str], list[Row]]:
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for row in records(frame):
        groups.setdefault((row.factor, row.level, row.reference), []).append(row)
    return groups


def importance(contrast: Contrast) -> float:
    """Size of what it does to the race (else pace), for the order within a group."""
    for outcome in SPEED:
        row = contrast.row(outcome)
        if row is not None and not missing(row.estimate):
            return abs(float(row.estimate)) * (1.0 if outcome == "race" else 15.0)
    return 0.0


def has_number(row: Row) -> bool:
    return row is not None and not missing(row.estimate)


def has_numbers(members: list[Contrast]) -> bool:
    """Any contrast has an estimate."""
    return any(has_number(row) for member in members for row in member.rows.values())
