"""Figures along a day or a season: each a function from a table to a plot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.report.layers import Layers, axis_x, drawing, driver_shapes, light, room, text_y
from pipeline.report.look import BAND, GOOD, INK, PAPER, RULE, STROKE, figure_look
from pipeline.report.words import MINUS

if TYPE_CHECKING:
    import pandas as pd
    from plotnine import ggplot


def grip_day(
    curve: pd.DataFrame,
    top: float,
    *,
    runs: pd.DataFrame | None = None,
    field: pd.DataFrame | None = None,
    slow: pd.DataFrame | None = None,
    height: float = 1.5,
) -> ggplot:
    """Grip over one day, in seconds a lap lost to the day's best; the runs on it if given.

    curve: hour, seconds, low, high. runs: hour, seconds, driver. field: hour, seconds. slow: begin,
    end: hours between which the whole field was slow.
    top: upper end of the axis, the same on all days.
    """
    import plotnine as p9

    curve = light(curve[["hour", "seconds", "low", "high"]])
    marks = [frame for frame in (runs, field) if frame is not None and len(frame)]
    lowest = min(0.0, curve["low"].min(), *(frame["seconds"].min() for frame in marks)) - 0.02
    parts: Layers = [
        *_slow(slow, lowest, top),
        p9.geom_ribbon(p9.aes("hour", ymin="low", ymax="high"), curve, fill=BAND, size=0),
        *_field(field),
        p9.geom_line(p9.aes("hour", "seconds"), curve, color=INK, size=0.9),
        *_runs(runs),
        axis_x(room(curve["hour"].min(), curve["hour"].max()), _hours(curve["hour"])),
        p9.scale_y_continuous(expand=(0, 0), labels=_labels),
        p9.coord_cartesian(ylim=(lowest, top)),
        figure_look(
            height,
            axis_text_y=text_y(),
            panel_grid_major_y=p9.element_line(color=RULE, size=0.3),
        ),
    ]
    return drawing(None, parts)


def _labels(places: Sequence[Any]) -> list[str]:
    return [f"{place:.1f}".replace("-", MINUS) for place in places]


def _hours(hours: pd.Series) -> dict[float, str]:
    first, last = int(hours.min()), int(hours.max()) + 1
    step = 1 if last - first < 6 else 2
    return {float(h): f"{h % 24:02d}:00" for h in range(first, last + 1) if h % step == 0}


def _field(field: pd.DataFrame | None) -> Layers:
    import plotnine as p9

    if field is None or not len(field):
        return []
    mapping = p9.aes("hour", "seconds")
    field = light(field)
    return [p9.geom_point(mapping, field, color=RULE, fill=RULE, size=0.9, shape="o")]


def _slow(slow: pd.DataFrame | None, bottom: float, top: float) -> Layers:
    import plotnine as p9

    if slow is None or not len(slow):
        return []
    # A stretch of a minute would not be seen on the axis of a day: an edge gives it some width.
    sides = p9.aes(xmin="begin", xmax="end")
    return [
        p9.geom_rect(sides, light(slow[["begin", "end"]]), ymin=bottom, ymax=top,
                     fill=RULE, color=RULE, size=0.6)
    ]  # fmt: skip


def _runs(runs: pd.DataFrame | None) -> Layers:
    import plotnine as p9

    if runs is None or not len(runs):
        return []
    shapes = {name: shape for name, (shape, _) in driver_shapes(runs["driver"]).items()}
    mapping = p9.aes("hour", "seconds", shape="driver")
    return [
        p9.geom_point(mapping, light(runs), size=2.6, color=GOOD, fill=PAPER),
        p9.scale_shape_manual(shapes),
    ]


def own_runs(data: pd.DataFrame, starts: dict[float, str]) -> ggplot:
    """A driver's corrected runs in order, against their mean.

    data: place (order), seconds, low, high. starts: place of each meeting's first run → label.
    """
    import plotnine as p9

    places = data["place"]
    parts: Layers = [
        p9.geom_vline(xintercept=[place - 0.5 for place in starts], color=RULE, size=0.4),
        p9.geom_hline(yintercept=0, color=INK, size=STROKE),
        p9.geom_linerange(p9.aes(ymin="low", ymax="high"), color=RULE, size=0.8),
        p9.geom_point(color=GOOD, fill=GOOD, size=1.8, shape="o"),
        axis_x((places.min() - 1, places.max() + 1), starts),
        p9.scale_y_continuous(labels=_labels),
        figure_look(2.4, axis_text_y=text_y()),
    ]
    return drawing(data, parts, p9.aes("place", "seconds"))
