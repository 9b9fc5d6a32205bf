"""The result tables, contrast by contrast: all that is known about one change."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pipeline.report.words import is_good, missing
from pipeline.tables.outcomes import NOT_ENOUGH, NOT_SEPARABLE, SAME, is_definite, is_leaning

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.tables.records import SeasonResult

Row = Any  # a named tuple of a row of the result tables
SPEED = ("race", "pace")


@dataclass(frozen=True)
class Contrast:
    """One level against the reference.

    rows: effects by (outcome, condition). needs: further back-to-backs by (outcome, condition).
    cannot: sentences on what cannot be told, by condition. counts_up: a number that grows by one
    from run to run by itself, as the runs on a set of tyres: nothing that one fits. these:
    intervals of the meetings that were, by (outcome, condition), where those of the rows speak of
    the next.
    """

    factor: str
    level: str
    reference: str
    rows: Mapping[tuple[str, str], Row]
    needs: Mapping[tuple[str, str], int]
    cannot: Mapping[str, str]
    counts_up: bool = False
    these: Mapping[tuple[str, str], tuple[float, float]] = field(default_factory=dict)

    def row(self, outcome: str, condition: str = "all") -> Row:
        """The row, or None where the table has none."""
        return self.rows.get((outcome, condition))

    def verdict(self, outcome: str, condition: str = "all") -> str:
        row = self.row(outcome, condition)
        return "" if row is None else row.verdict

    def sign(self, outcome: str, condition: str = "all") -> int:
        """+1 shown better, -1 shown worse, 0 not shown either way."""
        row = self.row(outcome, condition)
        if row is None or not is_definite(row.verdict) or missing(row.estimate):
            return 0
        return 1 if is_good(outcome, row.estimate) else -1

    @property
    def conditions(self) -> list[str]:
        """The conditions beside 'all', in the order of the table."""
        return list(dict.fromkeys(c for _, c in self.rows if c != "all"))

    @property
    def runs(self) -> int:
        """Team runs at the level; 0 where the table does not say, as in drivers' files."""
        return max((int(getattr(row, "n_runs", 0)) for row in self.rows.values()), default=0)


def contrasts(result: SeasonResult) -> list[Contrast]:
    """Every contrast of the effects table, in its order."""
    needs, cannot = _grouped(result.needs), _grouped(result.cannot_tell)
    these = {} if result.these is None else _grouped(result.these)
    return [
        Contrast(
            *key,
            {(row.outcome, row.condition): row for row in rows},
            _more(needs.get(key, [])),
            {row.condition: row.sentence for row in cannot.get(key, [])},
            key[1].startswith("+") and counts_up(result.runs, key[0]),
            {(r.outcome, r.condition): (r.ci_low, r.ci_high) for r in these.get(key, [])},
        )
        for key, rows in _grouped(result.effects).items()
    ]


def counts_up(runs: pd.DataFrame, factor: str) -> bool:
    """Most steps from a driver's run to the next in a meeting are one more."""
    import pandas as pd

    if factor not in runs:
        return False
    team = runs[runs[factor].notna()].sort_values("run_no")
    steps = pd.to_numeric(team[factor]).groupby([team["driver"], team["meeting"]]).diff().dropna()
    return len(steps) > 0 and bool((steps == 1).mean() > 0.5)


def _more(rows: list[Row]) -> dict[tuple[str, str], int]:
    return {
        (row.outcome, row.condition): int(row.more_switches)
        for row in rows
        if not missing(row.more_switches)
    }


def records(frame: pd.DataFrame) -> Iterator[Row]:
    """The rows of a table as named tuples."""
    yield from frame.itertuples(index=False)


def _grouped(frame: pd.DataFrame) -> dict[tuple[str, str, str], list[Row]]:
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for row in records(frame):
        groups.setdefault((row.factor, row.level, row.reference), []).append(row)
    return groups


def group_of(contrast: Contrast) -> str:
    """keep, drop, depends, same, wear, open or cannot: what a racer does with the change.

    The race decides; where it is open, pace; where neither matters, spread and mistakes. What is
    shown in one condition holds where all conditions together lean the same way; else it depends.
    """
    if not any(not missing(row.estimate) for row in contrast.rows.values()):
        return _without_number(contrast)
    if contrast.counts_up:
        return "wear"
    speed = {contrast.sign(o) for o in SPEED} - {0}
    care = {contrast.sign(o) for o in ("spread", "mistakes")} - {0}
    somewhere = {contrast.sign(o, c) for o in SPEED for c in contrast.conditions} - {0}
    level = any(contrast.verdict(o) == SAME for o in SPEED)
    if len(speed | somewhere) == 2 or (speed and contrast.verdict("race") == SAME):
        return "depends"
    if speed or (somewhere and _leans_with(contrast, next(iter(somewhere)))):
        return "keep" if 1 in speed | somewhere else "drop"
    if somewhere:
        return "depends"
    if level and care:
        return {1: "keep", -1: "drop"}[care.pop()] if len(care) == 1 else "depends"
    return "same" if level else "open"


def _leans_with(contrast: Contrast, sign: int) -> bool:
    """In all conditions together its pace leans the way that one condition shows, and the race
    does not lean the other way."""
    rows = [contrast.row(o) for o in SPEED]
    leaning = [row for row in rows if has_number(row) and is_leaning(row.verdict)]
    agree = all(is_good(row.outcome, row.estimate) == (sign > 0) for row in leaning)
    return agree and any(row.outcome == "pace" for row in leaning)


def _without_number(contrast: Contrast) -> str:
    verdicts = {row.verdict for row in contrast.rows.values()}
    return "cannot" if NOT_SEPARABLE in verdicts else "open"


def importance(contrast: Contrast) -> float:
    """Size of what it does to the race (else pace), for the order within a group."""
    for outcome in SPEED:
        row = contrast.row(outcome)
        if row is not None and not missing(row.estimate):
            return abs(float(row.estimate)) * (1.0 if outcome == "race" else 15.0)
    return 0.0


def has_number(row: Row) -> bool:
    return row is not None and not missing(row.estimate)


def is_open(row: Row | None) -> bool:
    """Not settled: it leans, or there are too few runs, or nothing was shown."""
    return row is None or not (is_definite(row.verdict) or row.verdict == SAME)


__all__ = [
    "NOT_ENOUGH",
    "Contrast",
    "Row",
    "contrasts",
    "group_of",
    "has_number",
    "importance",
    "is_leaning",
    "is_open",
    "records",
]
