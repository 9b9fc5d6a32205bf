"""The layouts: how rows stand in an export. One record says all that is special about one of them.

A new layout is a module that makes rows of a table, and its record here.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from pipeline.read.gathered import Gathered, Harvest
from pipeline.read.grid import gather_grid, grid_score
from pipeline.read.records import Table
from pipeline.read.rows import gather_laps, gather_passings


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A layout, how it is told from others, and how its rows are read.

    words: for a person who checks. gather: the rows of a table that can be used; the others go to
    the harvest. fields: whether a header that names these fields will do for it. score: for a
    header that names no fields, as a grid's, which names cars: how much a line looks like it, over
    the rows below it; 0 for not at all. is_passings: a row is a crossing of the line, and laps are
    made of these. is_one_session: a table holds one session and no more. decisive: the field
    without which nothing can be read.
    """

    name: str
    words: str
    gather: Callable[[Table, Harvest], Gathered]
    fields: Callable[[Collection[str]], bool] | None = None
    score: Callable[[Sequence[str], Sequence[Sequence[str]]], float] | None = None
    is_passings: bool = False
    is_one_session: bool = False
    decisive: str = ""


def _has_lap_times(fields: Collection[str]) -> bool:
    return "lap_s" in fields or {"elapsed", "lap"} <= set(fields)


def _has_times(fields: Collection[str]) -> bool:
    return bool({"at", "elapsed"} & set(fields))


_KNOWN = (
    Layout(
        name="laps",
        words="a row a lap",
        gather=gather_laps,
        fields=_has_lap_times,
        decisive="lap_s",
    ),
    Layout(
        name="passings",
        words="a row a crossing of the line",
        gather=gather_passings,
        fields=_has_times,
        is_passings=True,
        decisive="at",
    ),
    Layout(
        name="grid",
        words="a column a car, a row a lap number",
        gather=gather_grid,
        score=grid_score,
        is_one_session=True,
    ),
)
# By name; of those whose fields are all there the first is taken.
LAYOUTS = {layout.name: layout for layout in _KNOWN}


def unheaded(told: str | None) -> list[Layout]:
    """Layouts whose header names no fields, of those that may be meant."""
    return [x for x in LAYOUTS.values() if x.score is not None and told in (None, x.name)]
