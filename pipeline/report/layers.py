"""Parts that figures share: scales by what the data say, texts, marks on an axis."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipeline.report.look import DRIVERS, MUTED, SHOWN, TEXT
from pipeline.report.words import printable

if TYPE_CHECKING:
    import pandas as pd
    from plotnine import ggplot

Layers = list[Any]
# Texts as Python's: the drawing library looks columns up by name thousands of times a figure.
LIGHT = ("mode.string_storage", "python")
LONGEST = 50  # characters of a label that fit a figure


def drawing(data: pd.DataFrame | None, parts: Layers, mapping: Any = None) -> ggplot:
    """The parts put together on the table."""
    import plotnine as p9

    plot = p9.ggplot(None if data is None else light(data), mapping)
    plot += parts
    return plot


def light(data: pd.DataFrame) -> pd.DataFrame:
    """The same table with names and texts that are quick to look up."""
    import pandas as pd

    with pd.option_context(*LIGHT):
        return pd.DataFrame({str(name): data[name].to_numpy() for name in data})


def plain(text: str) -> str:
    """Text that the drawing library takes literally: no mathematics, no control characters."""
    return " ".join(printable(text).split()).replace("$", r"\$")


def short(text: str) -> str:
    """A label that fits a figure."""
    return text if len(text) <= LONGEST else text[: LONGEST - 1].rstrip() + "…"


def room(low: float, high: float) -> tuple[float, float]:
    """A range with a little room on either side."""
    margin = (high - low) * 0.06 or 0.1
    return low - margin, high + margin


def shown_scales() -> Layers:
    """Shapes, edges and fillings by what the data say."""
    import plotnine as p9

    shapes, edges, fillings, _ = zip(*SHOWN.values(), strict=True)
    names = list(SHOWN)
    return [
        p9.scale_shape_manual(dict(zip(names, shapes, strict=True))),
        p9.scale_color_manual(dict(zip(names, edges, strict=True))),
        p9.scale_fill_manual(dict(zip(names, fillings, strict=True))),
    ]


def shown_points(data: pd.DataFrame, x: str, y: str) -> Any:
    """A point a row, by what the data say."""
    import plotnine as p9

    mapping = p9.aes(x, y, shape="shown", color="shown", fill="shown")
    return p9.geom_point(mapping, data, size=2.8, stroke=0.7)


def axis_x(limits: tuple[float, float], ticks: Mapping[float, str], expand: float = 0.0) -> Any:
    """The horizontal axis with marks of our own."""
    import plotnine as p9

    labels = [plain(label) for label in ticks.values()]
    return p9.scale_x_continuous(
        limits=limits, expand=(expand, 0), breaks=list(ticks), labels=labels
    )


def axis_y(limits: tuple[float, float], ticks: Mapping[float, str], expand: float = 0.0) -> Any:
    """The vertical axis with marks of our own."""
    import plotnine as p9

    labels = [plain(label) for label in ticks.values()]
    return p9.scale_y_continuous(
        limits=limits, expand=(expand, 0), breaks=list(ticks), labels=labels
    )


def note(x: float, y: float, text: str, *, ha: str = "left", va: str = "baseline") -> Any:
    """A muted word in a figure."""
    import plotnine as p9

    return p9.annotate("text", x=x, y=y, label=text, ha=ha, va=va, size=TEXT, color=MUTED)


def text_y() -> Any:
    """The look of the marks of a vertical axis."""
    import plotnine as p9

    return p9.element_text(size=TEXT, color=MUTED, ha="right", margin={"r": 4})


def driver_shapes(drivers: pd.Series) -> dict[str, tuple[str, str]]:
    """Driver → (shape of the figure, the same mark in words), in order of appearance."""
    names = dict.fromkeys(drivers)
    return {name: DRIVERS[i % len(DRIVERS)] for i, name in enumerate(names)}
