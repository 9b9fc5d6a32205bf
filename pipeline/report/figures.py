"""Figures: each a function from a table to a plot. What the tables hold is decided elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.report.look import (
    BAND,
    DRIVERS,
    GOOD,
    INK,
    MUTED,
    PAPER,
    RULE,
    SHOWN,
    STROKE,
    TEXT,
    figure_look,
)
from pipeline.report.words import printable

if TYPE_CHECKING:
    import pandas as pd
    from plotnine import ggplot

LANE = 0.36  # inches a lane


LONGEST = 50  # characters of a label that fit a lane


def short(text: str) -> str:
    """A label that fits a lane."""
    return text if len(text) <= LONGEST else text[: LONGEST - 1].rstrip() + "…"


def plain(text: str) -> str:
    """Text that the drawing library takes literally: no mathematics, no control characters."""
    return " ".join(printable(text).split()).replace("$", r"\$")


def _scale(values: tuple[Any, ...]) -> dict[str, Any]:
    return dict(zip(SHOWN, values, strict=True))


def _shown_scales() -> list[Any]:
    """Shapes, edges and fillings by what the data say."""
    import plotnine as p9

    shapes, edges, fillings, _ = zip(*SHOWN.values(), strict=True)
    return [
        p9.scale_shape_manual(_scale(shapes)),
        p9.scale_color_manual(_scale(edges)),
        p9.scale_fill_manual(_scale(fillings)),
    ]


def _limits(values: pd.Series, *others: float) -> tuple[float, float]:
    low, high = min([float(values.min()), *others]), max([float(values.max()), *others])
    room = (high - low) * 0.06 or 0.1
    return low - room, high + room


def lanes(
    data: pd.DataFrame,
    ends: tuple[str, str],
    ticks: dict[float, str],
    band: float | None,
    within: tuple[float, float],
) -> ggplot:
    """Estimates with their intervals, a lane each, the name above the line.

    data: label, estimate, low, high (on the axis's scale, nothing at 0), shown.
    ends: words for the left and the right of nothing. ticks: place → label. within: the axis; an
    interval that leaves it ends in an arrow head.
    band: half-width of what does not matter, on the same scale.
    """
    import pandas as pd
    import plotnine as p9

    rows = data.assign(lane=range(len(data), 0, -1), label=data["label"].map(short).map(plain))
    span = _limits(pd.Series(within))
    cut_low, cut_high = rows[rows["low"] < span[0]], rows[rows["high"] > span[1]]
    inside = rows["estimate"].between(*span)
    rows = rows.assign(low=rows["low"].clip(*span), high=rows["high"].clip(*span))
    top = len(rows) + 1.0
    words = pd.DataFrame({"x": span, "y": [top] * 2, "text": [f"← {ends[0]}", f"{ends[1]} →"]})
    layers: list[Any] = []
    if band:
        layers.append(
            p9.annotate("rect", xmin=-band, xmax=band, ymin=0.5, ymax=top - 0.25, fill=BAND)
        )
    layers += [
        p9.annotate("segment", x=0, xend=0, y=0.5, yend=top - 0.25, color=INK, size=STROKE),
        p9.geom_segment(
            p9.aes(x="low", xend="high", y="lane - 0.22", yend="lane - 0.22", color="shown"),
            size=0.9,
        ),
        p9.geom_point(
            p9.aes("estimate", "lane - 0.22", shape="shown", color="shown", fill="shown"),
            rows[inside],
            size=2.8,
            stroke=0.7,
        ),
        p9.geom_text(
            p9.aes(label="label", y="lane + 0.16"), x=span[0], ha="left", size=TEXT, color=INK
        ),
    ]
    for cut, edge, head in ((cut_low, span[0], "<"), (cut_high, span[1], ">")):
        if len(cut):
            layers.append(
                p9.geom_point(
                    p9.aes(y="lane - 0.22", color="shown"),
                    cut, x=edge, shape=head, size=2.2, fill=MUTED,
                )
            )  # fmt: skip
    for row, side in ((words.iloc[:1], "left"), (words.iloc[1:], "right")):
        layers.append(
            p9.geom_text(p9.aes("x", "y", label="text"), row, ha=side, size=TEXT, color=MUTED)
        )
    return (
        p9.ggplot(rows)
        + layers
        + _shown_scales()
        + p9.scale_x_continuous(
            limits=span, expand=(0, 0), breaks=list(ticks), labels=list(ticks.values())
        )
        + p9.scale_y_continuous(limits=(0.45, top + 0.3), expand=(0, 0))
        + figure_look(LANE * (len(rows) + 1) + 0.3)
    )


def trade(data: pd.DataFrame, ticks_x: dict[float, str], ticks_y: dict[float, str]) -> ggplot:
    """Pace against spread: a numbered mark a change, with both intervals.

    data: mark, x, x_low, x_high (s a lap), y, y_low, y_high (log ratio), shown.
    """
    import pandas as pd
    import plotnine as p9

    across = _limits(pd.concat([data["x_low"], data["x_high"]]), *ticks_x)
    upward = _limits(pd.concat([data["y_low"], data["y_high"]]), *ticks_y)
    corners = pd.DataFrame(
        {
            "x": [across[0], across[1]] * 2,
            "y": [upward[0]] * 2 + [upward[1]] * 2,
            "text": ["faster, steadier", "slower, steadier", "faster, wilder", "slower, wilder"],
        }
    )
    layers: list[Any] = [
        p9.geom_vline(xintercept=0, color=RULE, size=STROKE),
        p9.geom_hline(yintercept=0, color=RULE, size=STROKE),
        p9.geom_segment(p9.aes(x="x_low", xend="x_high", yend="y"), color=RULE, size=0.7),
        p9.geom_segment(p9.aes(y="y_low", yend="y_high", xend="x"), color=RULE, size=0.7),
        p9.geom_point(
            p9.aes(shape="shown", color="shown", fill="shown"), size=2.8, stroke=0.7
        ),
        p9.geom_text(
            p9.aes(label="mark"), ha="left", va="bottom", nudge_x=(across[1] - across[0]) * 0.015,
            nudge_y=(upward[1] - upward[0]) * 0.012, size=TEXT + 1, color=INK,
        ),
    ]  # fmt: skip
    for rows, side, edge in (
        (corners.iloc[[0]], "left", "bottom"),
        (corners.iloc[[1]], "right", "bottom"),
        (corners.iloc[[2]], "left", "top"),
        (corners.iloc[[3]], "right", "top"),
    ):
        layers.append(
            p9.geom_text(p9.aes(label="text"), rows, ha=side, va=edge, size=TEXT, color=MUTED)
        )
    return (
        p9.ggplot(data, p9.aes("x", "y"))
        + layers
        + _shown_scales()
        + p9.scale_x_continuous(
            limits=across, expand=(0.01, 0), breaks=list(ticks_x), labels=list(ticks_x.values())
        )
        + p9.scale_y_continuous(
            limits=upward, expand=(0.02, 0), breaks=list(ticks_y), labels=list(ticks_y.values())
        )
        + figure_look(
            3.1, axis_text_y=p9.element_text(size=TEXT, color=MUTED, ha="right", margin={"r": 4})
        )
    )


def grip_day(
    curve: pd.DataFrame,
    top: float,
    *,
    runs: pd.DataFrame | None = None,
    field: pd.DataFrame | None = None,
    height: float = 1.7,
) -> ggplot:
    """Grip over one day, in seconds a lap lost to the day's best; the runs on it if given.

    curve: hour, seconds, low, high. runs: hour, seconds, driver. field: hour, seconds.
    top: upper end of the axis, the same on all days.
    """
    import plotnine as p9

    bottom = min(0.0, float(curve["low"].min()))
    layers: list[Any] = [
        p9.geom_ribbon(p9.aes("hour", ymin="low", ymax="high"), curve, fill=BAND, size=0),
    ]
    if field is not None and len(field):
        bottom = min(bottom, float(field["seconds"].min()))
        layers.append(
            p9.geom_point(
                p9.aes("hour", "seconds"), field, color=RULE, fill=RULE, size=0.9, shape="o"
            )
        )
    layers.append(p9.geom_line(p9.aes("hour", "seconds"), curve, color=INK, size=0.9))
    if runs is not None and len(runs):
        bottom = min(bottom, float(runs["seconds"].min()))
        names = dict.fromkeys(runs["driver"])
        shapes = {name: DRIVERS[i % len(DRIVERS)][0] for i, name in enumerate(names)}
        layers += [
            p9.geom_point(
                p9.aes("hour", "seconds", shape="driver"), runs, size=2.6, color=GOOD, fill=PAPER
            ),
            p9.scale_shape_manual(shapes),
        ]
    hours = range(int(curve["hour"].min()), int(curve["hour"].max()) + 2)
    step = 1 if len(hours) < 6 else 2
    breaks = [h for h in hours if h % step == 0]
    return (
        p9.ggplot()
        + layers
        + p9.scale_x_continuous(
            limits=_limits(curve["hour"]), expand=(0, 0), breaks=breaks,
            labels=[f"{hour % 24:02d}:00" for hour in breaks],
        )
        + p9.scale_y_continuous(limits=(bottom - 0.02, top), expand=(0, 0))
        + p9.coord_cartesian(ylim=(bottom - 0.02, top))
        + figure_look(
            height,
            axis_text_y=p9.element_text(size=TEXT, color=MUTED, ha="right", margin={"r": 4}),
            panel_grid_major_y=p9.element_line(color=RULE, size=0.3),
        )
    )  # fmt: skip


def driver_marks(drivers: pd.Series) -> dict[str, str]:
    """Driver → the mark that stands for the shape of the figure, in order of appearance."""
    return {d: DRIVERS[i % len(DRIVERS)][1] for i, d in enumerate(dict.fromkeys(drivers))}


def own_runs(data: pd.DataFrame, breaks: list[float], labels: list[str]) -> ggplot:
    """A driver's corrected runs in order, against their mean.

    data: place (order), seconds, low, high. breaks, labels: where each meeting starts.
    """
    import plotnine as p9

    return (
        p9.ggplot(data, p9.aes("place", "seconds"))
        + p9.geom_vline(xintercept=[b - 0.5 for b in breaks], color=RULE, size=0.4)
        + p9.geom_hline(yintercept=0, color=INK, size=STROKE)
        + p9.geom_linerange(p9.aes(ymin="low", ymax="high"), color=RULE, size=0.8)
        + p9.geom_point(color=GOOD, fill=GOOD, size=1.8, shape="o")
        + p9.scale_x_continuous(breaks=breaks, labels=[plain(label) for label in labels])
        + figure_look(
            2.4,
            axis_text_x=p9.element_text(size=TEXT, color=MUTED, ha="left", margin={"t": 3}),
            axis_text_y=p9.element_text(size=TEXT, color=MUTED, ha="right", margin={"r": 4}),
        )
    )
