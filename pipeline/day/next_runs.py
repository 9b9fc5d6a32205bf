"""What comes next on a planned day: each driver's next run by the plan."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pipeline.runs.gathering import gather
from pipeline.store.parquet import open_store
from pipeline.team.tables import plain

if TYPE_CHECKING:
    from pipeline.plan.planned import PlannedDay, PlannedRun
    from pipeline.team.folder import Team


def next_lines(team: Team, meeting: str, plan: PlannedDay) -> Iterator[str]:
    """'Ida Holm, run 4, 11:20: Rear anti-roll bar 1.4 mm', in the order of the plan."""
    driven = _driven(team, meeting)
    for driver in dict.fromkeys(name for name, _ in plan.runs):
        number = driven.get(plain(driver), 0) + 1
        run = plan.of_driver(driver).get(number)
        if run:
            start = f", {run.start}" if run.start else ""
            yield f"{driver}, run {number}{start}: {_words(team, run)}"


def _driven(team: Team, meeting: str) -> dict[str, int]:
    """Plain name of a driver -> runs at this meeting so far."""
    if meeting not in open_store(team.folder).meetings():
        return {}
    runs = gather(team).runs
    here = runs[(runs["meeting"] == meeting) & runs["team"]]
    return {plain(str(driver)): len(part) for driver, part in here.groupby("driver")}


def _words(team: Team, run: PlannedRun) -> str:
    words = []
    for name, level in run.settings.items():
        factor = team.factor(name)
        unit = f" {factor.unit}" if factor and factor.unit else ""
        words.append(f"{factor.label if factor else name} {level}{unit}")
    return ", ".join(words)
