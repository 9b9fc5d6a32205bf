"""How it felt: the scores of each feel as one more outcome, of the runs that have one.

Rivals score nothing, so that what their laps say of the day is no help: a feel has a design of its
own over the scored runs of the team, and what can be told is asked of those alone.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.errors import UserError
from pipeline.models.effects import Effect
from pipeline.models.identify import never_run, usable_runs

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.season import Found
    from pipeline.tables.outcomes import Outcome
    from pipeline.tables.records import SeasonData

NOT_SCORED = "not scored"


@dataclass(frozen=True)
class Felt:
    """What is known of one feel. found: its analysis, None where the scores allow none. effects:
    its rows, with or without numbers. notes: sentences about its scores."""

    found: Found | None
    effects: list[Effect]
    notes: tuple[str, ...] = ()


def felt(found: Found, feel: Outcome, estimate: Callable[[SeasonData], Found]) -> Felt:
    """One feel beside what was found of the clock. estimate: the analysis of a season."""
    scored = scored_alone(found, found.data, feel)
    notes = tuple(_always_alike(found.data.runs, feel))
    own = None
    if len(usable_runs(scored)):
        try:
            own = estimate(scored)
        except UserError as error:
            notes = (*notes, f"{feel.label}: {error.message}")
    if own is not None:
        return Felt(own, own.effects, notes)
    untold = [never_run(contrast, "all") for contrast in found.design.contrasts]
    return Felt(None, [Effect(feel, standing, None) for standing in untold], notes)


def scored_alone(found: Found, data: SeasonData, feel: Outcome) -> SeasonData:
    """The season of the runs that were scored, with the feel as its only outcome.

    data: that of `found`, perhaps with another log. Drivers who always gave the same score are left
    out: what they feel cannot be told, and a mean with them would be nearer to none than anybody
    feels. A number's step stays that of all runs.
    """
    runs = data.runs
    score = runs[feel.name].where(runs["team"])
    heard = score.groupby(runs["driver"]).transform("nunique") > 1
    excluded = runs["excluded"].where(score.notna() & heard, NOT_SCORED)
    steps = {c.factor: c.step for c in found.design.contrasts if c.kind == "number"}
    factors = tuple(
        replace(factor, step=steps[factor.name]) if factor.name in steps else factor
        for factor in data.factors
    )
    runs = runs.assign(excluded=excluded)
    return replace(data, runs=runs, factors=factors, claims=(), outcomes=(feel,), feels=())


def _always_alike(runs: pd.DataFrame, feel: Outcome) -> Iterator[str]:
    """A sentence on each driver whose scores say nothing."""
    own = runs[runs["team"] & runs[feel.name].notna()]
    for driver, scores in own.groupby("driver")[feel.name]:
        if len(scores) > 1 and scores.nunique() == 1:
            yield (
                f"{feel.label}: {driver} gave {scores.iloc[0]:g} in all {len(scores)} runs that "
                "were scored, from which nothing can be told; left out of what was felt"
            )


def every_feel(
    found: Found, estimate: Callable[[SeasonData], Found], asked: Collection[str] | None
) -> dict[str, Felt]:
    """Each feel that the data have and that is asked for (None: all), by name."""
    return {
        feel.name: felt(found, feel, estimate)
        for feel in found.data.feels
        if feel.name in found.data.runs and (asked is None or feel.name in asked)
    }
