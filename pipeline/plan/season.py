"""What the last season says about a test day: its scatter, and which factors are still open."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import CallError, Problem, UserError
from pipeline.plan.request import Components
from pipeline.plan.trend import Array, typical_bend
from pipeline.store.results import kept
from pipeline.tables.digest import season_name
from pipeline.tables.outcomes import SAME, is_definite
from pipeline.tables.packed import packed_frame

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.tables.records import SeasonData
    from pipeline.team.folder import Team

SEASON = Path("reports") / "season"
LEAST_LAPS = 5
BENDS = 4  # what a day's grip takes of the degrees of freedom, roughly
Progress = Callable[[str], None]


def open_factors(folder: Path) -> list[str]:
    """Factors with a contrast of pace that the last season could not settle, in its order."""
    path = folder / SEASON / "effects.csv"
    if not path.is_file():
        raise CallError(
            "there are no results of a season yet",
            [
                Problem(
                    f"no {SEASON / 'effects.csv'}",
                    "the tables that `backtoback season` writes",
                    advice="Run `backtoback season` first, or name the factors with --factor.",
                )
            ],
        )
    rows = [row for row in _rows(path) if row.get("outcome") == "pace"]
    names = [row["factor"] for row in rows if row.get("condition") == "all" and _open(row)]
    if not names:
        raise UserError("the last season left no factor open: name factors with --factor")
    return list(dict.fromkeys(names))


def _open(row: dict[str, str]) -> bool:
    verdict = row.get("verdict") or SAME
    return not (is_definite(verdict) or verdict == SAME)


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def season_components(
    team: Team,
    class_name: str | None,
    hours: Array,
    otherwise: Components,
    progress: Progress | None = None,
    fresh: bool = False,
) -> Components:
    """The team's scatter as its store shows it; `otherwise`, with the reason, where it cannot.

    hours: (n,) times of the day to plan, h. progress: called with each stage's name. Raises
    CallError where the store holds several classes and none is named.
    """
    from pipeline.runs.gathering import load_season

    try:
        data = load_season(team, class_name)
        components = _components(team, data, progress, fresh)
    except CallError:
        raise
    except UserError as error:
        reason = error.message.split(". ")[0].rstrip(":")
        return replace(otherwise, source=f"{otherwise.source}; {reason}")
    return components_of(data, components, hours) or otherwise


def _components(
    team: Team, data: SeasonData, progress: Progress | None, fresh: bool
) -> pd.DataFrame:
    """SeasonResult.components of the season that is kept, or of pace fitted now."""
    raw = None if fresh else kept(team.folder, season_name(data))
    if raw is not None:
        return packed_frame(raw, "components")
    from pipeline.models.season import analyse

    found = analyse(data, outcomes=("pace",), conditions=(), by_driver=False, progress=progress)
    return found.components


def components_of(data: SeasonData, components: pd.DataFrame, hours: Array) -> Components | None:
    """A team's scatter from the components of its season; None where no run of it shows one.

    The season's smoothing SD, s per h^1.5, becomes the typical bend over `hours`; of several
    surfaces the mean variance is taken.
    """
    from pipeline.models.fitting import OWN_RUN
    from pipeline.runs.gathering import run_table

    runs = run_table(data.runs, data.laps)[data.runs["team"] & data.runs["excluded"].isna()]
    runs = runs[runs["spread_s"].notna() & (runs["clean_laps"] >= LEAST_LAPS)]
    if runs.empty:
        return None
    pace = components[components["outcome"] == "pace"]
    sd = dict(zip(pace["component"], pace["sd"], strict=True))
    smoothing = [value**2 for name, value in sd.items() if name.startswith("grip")]
    curve = sum(smoothing) / len(smoothing) if smoothing else 0.0
    own = OWN_RUN in sd
    told_by = data.runs[data.runs["team"]] if own else data.runs
    entries = told_by[["driver", "meeting"]].drop_duplicates()
    bends = 0 if own else BENDS * data.runs["date"].nunique()  # the field tells the day's grip
    return Components(
        lap_sd_s=float(runs["spread_s"].median()),
        run_sd_s=float(sd[OWN_RUN] if own else sd.get("run", 0.0)),
        curve_s=float((curve * typical_bend(hours)) ** 0.5),
        clean_laps=float(runs["clean_laps"].median()),
        source=f"from {len(runs)} runs of the team in the store",
        df=float(max(len(told_by) - len(entries) - bends, 0)),
    )
