"""Figures of effects: each a function from a table to a plot; the table is made elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from pipeline.report.layers import (
    Layers,
    axis_x,
    axis_y,
    drawing,
    light,
    names_of,
    note,
    plain,
    room,
    short,
    shown_points,
    shown_scales,
    text_y,
)
from pipeline.report.look import BAND, INK, MUTED, RULE, STROKE, TEXT, figure_look

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
) -> ggplot:
    """Estimates with their intervals, a lane each, the name above the line.

    data: label, estimate, low, high (on the axis's scale, nothing at 0), shown.
    ends: words for the left and the right of nothing. ticks: place → label. band: half-width of
    what does not matter. within: the axis; an interval that leaves it ends in an arrow head.
    """
    limits, top = room(*within), len(data) + 1.0
    rows = light(
        data.assign(
            line=[place - BELOW for place in range(len(data), 0, -1)],
            name_at=[place + 0.16 for place in range(len(data), 0, -1)],
            label=data["label"].map(short).map(plain),
        )
    )
    parts: Layers = [
        *_ground(top, band),
        *_intervals(rows, limits),
        names_of(rows, limits[0], "name_at"),
        note(limits[0], top, f"← {ends[0]}"),
        note(limits[1], top, f"{ends[1]} →", ha="right"),
        *shown_scales(),
        axis_x(limits, ticks),
        axis_y((0.45, top + 0.3), {}),
        figure_look(LANE * (len(rows) + 1) + 0.3),
    ]
    return drawing(rows, parts)


def _ground(top: float, band: float | None) -> Layers:
    """The band of what does not matter, and the line of nothing."""
    import plotnine as p9

    y = (0.5, top - 0.25)
    line = p9.annotate("segment", x=0, xend=0, y=y[0], yend=y[1], color=INK, size=STROKE)
    if not band:
        return [line]
    rect = p9.annotate("rect", xmin=-band, xmax=band, ymin=y[0], ymax=y[1], fill=BAND)
    return [rect, line]


def _intervals(rows: pd.DataFrame, limits: tuple[float, float]) -> Layers:
    """Lines and points within the limits; arrow heads where a line goes on."""
    import plotnine as p9

    inset = (limits[1] - limits[0]) * 0.015
    cut = ((rows[rows["low"] < limits[0]], limits[0] + inset, "<"),
           (rows[rows["high"] > limits[1]], limits[1] - inset, ">"))  # fmt: skip
    kept = rows.assign(low=rows["low"].clip(*limits), high=rows["high"].clip(*limits))
    mapping = p9.aes(x="low", xend="high", y="line", yend="line", color="shown")
    heads = [
        p9.geom_point(p9.aes(y="line", color="shown"), part, x=x, shape=head, size=2.2, fill=MUTED)
        for part, x, head in cut
        if len(part)
    ]
    inside = rows[rows["estimate"].between(*limits)]
    return [
        p9.geom_segment(mapping, kept, size=0.9),
        *heads,
        *([shown_points(inside, "estimate", "line")] if len(inside) else []),
    ]


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
