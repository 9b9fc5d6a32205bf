"""`pipeline.plan_day`: a run order for a test day, and how small a difference it can show."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from numbers import Integral, Real
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zlib import crc32

from pipeline.errors import CallError, UserError
from pipeline.plan.asked import Asked, read_request
from pipeline.plan.file import as_file, chance_for
from pipeline.plan.output import as_json, change_rows, notes, sheet_rows
from pipeline.plan.planned import NAME, plan_content, read_plan
from pipeline.plan.planner import Plan, plan_rest
from pipeline.plan.planner import plan_day as find_plan
from pipeline.plan.request import FIRST, DayRequest
from pipeline.plan.rest import Left, driven_runs, known_settings, rest_notes, rest_of
from pipeline.team.factors import number_text
from pipeline.team.folder import load_team

if TYPE_CHECKING:
    import pandas as pd


def plan_day(
    factors: str | Sequence[str] = (),
    drivers: int | Sequence[str] = 0,
    runs: int | None = None,
    *,
    levels: Mapping[str, Sequence[str | float]] | None = None,
    open: bool = False,
    names: Sequence[str] = (),
    changes_between_runs: int | None = None,
    slow: Sequence[str] = (),
    hold: Mapping[str, str | float] | None = None,
    warm_up: int = 1,
    minutes: float = 45.0,
    first: str | None = None,
    difference: float | None = None,
    skill: str = "fast",
    meeting: str = "test-day",
    seed: int | None = None,
    resume: str | Path | None = None,
    without: Sequence[str] = (),
    racing_class: str | None = None,
    team: str | Path | None = None,
    out: str | Path | None = None,
    force: bool = False,
    fresh: bool = False,
    progress: Callable[[str], None] | None = None,
) -> PlannedDay:
    """Plan a test day: which driver runs what when, and what that can show.

    factors: names of those to try. drivers: how many, or their names. runs: of each driver. team:
    the team's folder, whose factors, drivers and scatter then count; without it a factor may have
    any name. levels: factor -> levels to try. hold: factor -> level that stays. seed: the number
    that the lot is drawn by; without one it comes from the day's name and drivers. out: a folder
    for the sheet to print, its rows for setups.csv and plan.json; without it nothing is written.
    force: replace files there that backtoback did not make, or that were changed since. fresh: the
    season's scatter anew, whatever results are kept in the store. The others are options of
    `backtoback plan`.

    resume: a plan.json, of whose day the rest is planned anew from what was really run. Then team
    is needed, everything else is in the file, and only these speak of the rest: without (drivers
    who do not run on), runs (of each driver in all), first (time of the next run), seed.

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
    if seed is not None and (isinstance(seed, bool) or not isinstance(seed, Integral) or seed < 0):
        raise CallError(f"seed is {seed!r}; expected a whole number from 0")
    folder = None if team is None else Path(team)
    if resume is not None:
        left = Left(tuple(without), runs, first or "")
        made = _resumed(Path(resume), folder or Path(), left, seed, racing_class)
    else:
        named = drivers if isinstance(drivers, list | tuple) else names
        count: Any = len(named) if isinstance(drivers, list | tuple) else drivers
        asked = Asked(
            factors=(factors,) if isinstance(factors, str) else tuple(factors),
            levels={name: tuple(map(_level, given)) for name, given in (levels or {}).items()},
            slow=tuple(slow), drivers=count, runs=runs or 0,
            names=tuple(named), changes_between_runs=changes_between_runs, warm_up=warm_up,
            minutes=minutes, difference=difference, skill=skill, racing_class=racing_class,
            meeting=meeting, open_questions=open, fresh=fresh, team=folder,
            first=FIRST if first is None else first,
            held={name: _level(level) for name, level in (hold or {}).items()},
        )  # fmt: skip
        made = _planned(read_request(asked, progress), seed, progress)
    return made if out is None else replace(made, written=_write(made, Path(out), force))


def _planned(
    request: DayRequest, seed: int | None, progress: Callable[[str], None] | None
) -> PlannedDay:
    if progress is not None:
        progress("searching an order")
    if seed is None:
        seed = crc32("\n".join([request.meeting, *request.drivers]).encode())
    plan = find_plan(request, chance_for(int(seed), 0))
    return PlannedDay(plan, as_file(plan, int(seed)))


def _resumed(
    path: Path, folder: Path, left: Left, seed: int | None, racing_class: str | None
) -> PlannedDay:
    """The rest of a day; raises as `read_plan` and `rest_of`."""
    team = load_team(folder)
    raw = plan_content(path)
    meeting = str(raw.get("meeting", "")) if isinstance(raw, dict) else ""
    drawn = read_plan(team, path, meeting).drawn
    if drawn is None:
        raise UserError(f"'{path}' does not hold what its order was drawn from: plan the day anew")
    driven = driven_runs(team, meeting, racing_class)
    slots, old = rest_of(drawn, driven, left)
    seed = drawn.seed if seed is None else int(seed)
    plan = plan_rest(drawn.request, slots, old, chance_for(seed, len(drawn.stages)))
    plan = replace(
        plan,
        driven=known_settings(drawn.request, driven),
        remarks=tuple(rest_notes(drawn.request, slots)),
    )
    return PlannedDay(plan, as_file(plan, seed, raw["drawn"]))


def _level(level: str | float) -> str:
    is_number = isinstance(level, Real) and not isinstance(level, bool)
    return number_text(float(level)) if is_number else str(level)


@dataclass(frozen=True, eq=False, repr=False)
class PlannedDay:
    """A planned day. plan: what it was reckoned with. file: what plan.json holds. written: files
    that were made."""

    plan: Plan
    file: dict[str, Any]
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


def _write(day: PlannedDay, out: Path, force: bool) -> tuple[Path, ...]:
    from pipeline.report.sheet import sheet_html
    from pipeline.tables.outputs import write_files
    from pipeline.tables.safecsv import csv_bytes

    plan = day.plan
    files = {
        NAME: json.dumps(day.file, ensure_ascii=False, allow_nan=False).encode() + b"\n",
        "plan.html": sheet_html(plan).encode(),
        "plan-sheet.csv": csv_bytes(sheet_rows(plan)),
        "plan-changes.csv": csv_bytes(change_rows(plan)),
    }
    return tuple(write_files(out, files, force=force))
