"""`pipeline.plan_day`: a run order for a test day, and how small a difference it can show."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from numbers import Integral, Real
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import CallError
from pipeline.plan.asked import Asked, read_request
from pipeline.plan.output import as_json, change_rows, notes, sheet_rows
from pipeline.plan.planner import Plan, chance_of
from pipeline.plan.planner import plan_day as find_plan
from pipeline.team.factors import number_text

if TYPE_CHECKING:
    import pandas as pd


def plan_day(
    factors: str | Sequence[str],
    drivers: int | Sequence[str],
    runs: int,
    *,
    levels: Mapping[str, Sequence[str | float]] | None = None,
    open: bool = False,
    names: Sequence[str] = (),
    changes_between_runs: int | None = None,
    slow: Sequence[str] = (),
    warm_up: int = 1,
    minutes: float = 45.0,
    difference: float | None = None,
    skill: str = "fast",
    meeting: str = "test-day",
    seed: int = 1,
    racing_class: str | None = None,
    team: str | Path | None = None,
    out: str | Path | None = None,
    force: bool = False,
    progress: Callable[[str], None] | None = None,
) -> PlannedDay:
    """Plan a test day: which driver runs what when, and what that can show.

    factors: names of those to try. drivers: how many, or their names. runs: of each driver. team:
    the team's folder, whose factors, drivers and scatter then count; without it a factor may have
    any name. levels: factor -> levels to try. out: a folder for the sheet to print and its rows
    for setups.csv; without it nothing is written. force: replace files there that backtoback did
    not make, or that were changed since. The others are options of `backtoback plan`.

    Raises CallError, with every fault (`problems`), for what does not fit together, or where no
    order can tell the levels apart.

    >>> import pipeline
    >>> day = pipeline.plan_day(["rear_bar"], drivers=2, runs=6, levels={"rear_bar": [1.3, 1.4]})
    >>> day.runs.columns.tolist(), len(day.runs)
    (['meeting', 'driver', 'run', 'rear_bar'], 12)
    >>> day.contrasts[["factor", "level", "reference"]]
         factor level reference
    0  rear_bar   1.4       1.3
    >>> bool((day.contrasts["half_width_s"] < day.contrasts["half_width_usual_s"]).all())
    True
    """
    if isinstance(seed, bool) or not isinstance(seed, Integral) or seed < 0:
        raise CallError(f"seed is {seed!r}; expected a whole number from 0")
    named = drivers if isinstance(drivers, list | tuple) else names
    asked = Asked(
        factors=(factors,) if isinstance(factors, str) else tuple(factors),
        levels={name: tuple(map(_level, given)) for name, given in (levels or {}).items()},
        slow=tuple(slow), drivers=len(named) if named is drivers else drivers, runs=runs,
        names=tuple(named), changes_between_runs=changes_between_runs, warm_up=warm_up,
        minutes=minutes, difference=difference, skill=skill, racing_class=racing_class,
        meeting=meeting, open_questions=open, team=None if team is None else Path(team),
    )  # fmt: skip
    request = read_request(asked, progress)
    if progress is not None:
        progress("searching an order")
    plan = find_plan(request, chance_of(int(seed)))
    return PlannedDay(plan, () if out is None else _write(plan, Path(out), force))


def _level(level: str | float) -> str:
    is_number = isinstance(level, Real) and not isinstance(level, bool)
    return number_text(float(level)) if is_number else str(level)


@dataclass(frozen=True, eq=False, repr=False)
class PlannedDay:
    """A planned day. plan: what it was reckoned with. written: files that were made."""

    plan: Plan
    written: tuple[Path, ...] = ()

    def __repr__(self) -> str:
        return f"<{self.plan.request.meeting}: {len(self.runs)} runs; runs, contrasts, notes>"

    @cached_property
    def runs(self) -> pd.DataFrame:
        """A row a run: meeting, driver, run (from 1), and a column a factor."""
        return sheet_rows(self.plan)

    @cached_property
    def contrasts(self) -> pd.DataFrame:
        """A row a contrast: factor, level, reference, and the half-width of the 95 % interval of
        pace, s a lap, of this order, the usual one and a random one; power."""
        import pandas as pd

        return pd.DataFrame(as_json(self.plan)["contrasts"])

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences about this order and its numbers."""
        return tuple(notes(self.plan))


def _write(plan: Plan, out: Path, force: bool) -> tuple[Path, ...]:
    from pipeline.report.sheet import sheet_html
    from pipeline.tables.outputs import write_files
    from pipeline.tables.safecsv import csv_bytes

    files = {
        "plan.html": sheet_html(plan).encode(),
        "plan-sheet.csv": csv_bytes(sheet_rows(plan)),
        "plan-changes.csv": csv_bytes(change_rows(plan)),
    }
    return tuple(write_files(out, files, force=force))
