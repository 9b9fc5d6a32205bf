"""Sentences about a data set that stand on the season's page."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from pipeline.models.counts import CountFit
from pipeline.models.design import Design
from pipeline.models.engine.solver import Fit
from pipeline.models.fitting import OutcomeFits
from pipeline.models.mistakes import CountFits
from pipeline.models.responses import Laps

if TYPE_CHECKING:
    from pipeline.models.season import Found


def too_few(names: Sequence[str], runs: int) -> tuple[str, ...]:
    """A sentence about outcomes of which nothing can be told from so few runs, if there are any."""
    if not names:
        return ()
    return (
        f"Too few runs ({runs}), or too short or too much alike, to tell anything of "
        f"{', '.join(names)}. All else stands.",
    )


def season_notes(
    design: Design,
    fits: Mapping[str, OutcomeFits],
    counts: Mapping[str, CountFits],
    laps: Laps,
) -> tuple[str, ...]:
    """Sentences about grip and clock, fits that did not converge, and what never happened."""
    out = []
    for meeting, rows in design.runs.groupby("meeting", sort=False):
        if rows["team"].all():
            out.append(
                f"{meeting}: only the team's own cars ran. Grip is known from them alone, so that "
                "changes made with the clock cannot be told from it."
            )
        if not rows["hour_known"].all():
            out.append(
                f"{meeting}: the export gives no time of day for some sessions; their order in "
                "the day serves as time."
            )
    every: list[tuple[str, Fit | CountFit]] = []
    for outcome, counted in counts.items():
        every += [(outcome, fit) for fit in counted.values()]
    for outcome, found in fits.items():
        every += [(outcome, one.fit) for one in (found.base, *found.by_variable.values())]
    for outcome, fit in every:
        if not fit.converged:
            out.append(f"The {outcome} model: {fit.message}. Read it with care.")
    if not laps.incidents.any():
        out.append("No lap was lost to an incident: mistakes cannot be compared.")
    return tuple(dict.fromkeys(out))


def seasons_said(found: Found) -> Iterator[str]:
    """Which seasons spoke, and what that narrowed."""
    if not found.earlier:
        return
    yield (
        f"Earlier seasons that spoke too, as far as they agree: {', '.join(found.earlier)}. "
        "effects.csv has each number from this season alone beside it (alone_estimate)."
    )
    if found.narrowed is not None:
        scatter, effects = (f"{100 * abs(share):.0f} %" for share in found.narrowed)
        ways = ["narrower" if share >= 0 else "wider" for share in found.narrowed]
        yield (
            f"Intervals of pace are {scatter} {ways[0]} by what effects scattered between earlier "
            f"meetings, and {effects} {ways[1]} by what was found there."
        )
