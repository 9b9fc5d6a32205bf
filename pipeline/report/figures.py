"""Figures of effects: each a function from a table to a figure; the table is made elsewhere."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from pipeline.report.layers import (
    Layers,
    axis_x,
    axis_y,
    drawing,
    light,
    note,
    room,
    short,
    shown_points,
    shown_scales,
    text_y,
)
from pipeline.report.look import BAND, INK, MUTED, RULE, SHOWN, STROKE, TEXT, figure_look
from pipeline.report.plane import MIDDLE, Figure, Plane, area, box, letters, line, point

if TYPE_CHECKING:
    import pandas as pd
    from plotnine import ggplot

LANE = 0.36  # inches a lane
BELOW = 0.22  # of a lane: the interval lies this far below the middle, its name above it


def lanes(
    data: pd.DataFrame,
    ends: tuple[str, str],
    ticks: Mapping[float, str],
    band: float | None,
    within: tuple[float, float],
) -> Figure:
    """Estimates with their intervals, a lane each, the name above the line.

    data: label, estimate, low, high (on the axis's scale, nothing at 0), shown.
    ends: words for the left and the right of nothing. ticks: place → label. band: half-width of
    what does not matter. within: the axis; an interval that leaves it ends in an arrow head.
    """
    limits, top = room(*within), len(data) + 1.0
    plane = Plane(limits, (0.45, top + 0.3), LANE * (len(data) + 1) + 0.3, ticks, {})
    rows = list(zip(range(len(data), 0, -1), data.itertuples(index=False), strict=True))
    inside = [*_ground(plane, top, band)]
    for place, row in rows:
        inside += _interval(plane, place - BELOW, row)
    names = [(plane.at(limits[0], place + 0.16), row.label) for place, row in rows]
    over = [letters((x, y + MIDDLE), short(str(label)), color=INK) for (x, y), label in names]
    over.append(letters(plane.at(limits[0], top), f"← {ends[0]}"))
    over.append(letters(plane.at(limits[1], top), f"{ends[1]} →", anchor="end"))
    return Figure(plane, tuple(inside), tuple(over))


def _ground(plane: Plane, top: float, band: float | None) -> Iterator[str]:
    """The band of what does not matter, and the line of nothing."""
    low, high = 0.5, top - 0.25
    if band:
        yield area(box(plane.at(-band, low), plane.at(band, high)), BAND)
    yield line([plane.at(0, low), plane.at(0, high)], INK, 1.1)


def _interval(plane: Plane, height: float, row: Any) -> Iterator[str]:
    """A line and its point within the limits; arrow heads where the line goes on."""
    low, high = plane.x
    inset = (high - low) * 0.015
    shape, edge, filling, _ = SHOWN[row.shown]
    ends = [plane.at(min(max(x, low), high), height) for x in (row.low, row.high)]
    yield line(ends, edge, 1.6)
    if row.low < low:
        yield point(plane.at(low + inset, height), "<", 2.4, edge, MUTED)
    if row.high > high:
        yield point(plane.at(high - inset, height), ">", 2.4, edge, MUTED)
    if low <= row.estimate <= high:
        yield point(plane.at(row.estimate, height), shape, 3.1, edge, filling)


def trade(data: pd.DataFrame, ticks_x: dict[float, str], ticks_y: dict[float, str]) -> ggplot:
    """Pace against spread: a numbered mark a change, with both intervals.

    data: mark, x, x_low, x_high (s a lap), y, y_low, y_high (log ratio), shown.
    """
    import plotnine as p9

    data = light(data)
    across = _about(data, "x", ticks_x)
    upward = _about(data, "y", ticks_y)
    nudge_x, nudge_y = (across[1] - across[0]) * 0.015, (upward[1] - upward[0]) * 0.012
    number = p9.geom_text(
        p9.aes("x", "y", label="mark"), ha="left", va="bottom",
        nudge_x=nudge_x, nudge_y=nudge_y, size=TEXT + 1, color=INK,
    )  # fmt: skip
    parts: Layers = [
        p9.geom_vline(xintercept=0, color=RULE, size=STROKE),
        p9.geom_hline(yintercept=0, color=RULE, size=STROKE),
        p9.geom_segment(p9.aes("x_low", "y", xend="x_high", yend="y"), color=RULE, size=0.7),
        p9.geom_segment(p9.aes("x", "y_low", xend="x", yend="y_high"), color=RULE, size=0.7),
        shown_points(data, "x", "y"),
        number,
        *_corners(across, upward),
        *shown_scales(),
        axis_x(across, ticks_x, 0.01),
        axis_y(upward, ticks_y, 0.02),
        figure_look(3.1, axis_text_y=text_y()),
    ]
    return drawing(data, parts)


def _about(data: pd.DataFrame, name: str, ticks: Mapping[float, str]) -> tuple[float, float]:
    low, high = data[f"{name}_low"].min(), data[f"{name}_high"].max()
    return room(min(low, *ticks), max(high, *ticks))


def _corners(across: tuple[float, float], upward: tuple[float, float]) -> Layers:
    """What each quarter means."""
    return [
        note(across[0], upward[0], "faster, steadier", va="bottom"),
        note(across[1], upward[0], "slower, steadier", ha="right", va="bottom"),
        note(across[0], upward[1], "faster, wilder", va="top"),
        note(across[1], upward[1], "slower, wilder", ha="right", va="top"),
    ]
