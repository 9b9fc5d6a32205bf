"""The grip of each day as a small figure a day, all on the same axis."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.report.contrasts import records
from pipeline.report.figures_time import grip_day
from pipeline.report.svg import inline_svg
from pipeline.report.views import FigureView, Heading, table
from pipeline.report.words import date_words, number

if TYPE_CHECKING:
    import pandas as pd

ROOM = 0.05  # seconds a lap above the highest point of any day


def curves(grip: pd.DataFrame) -> pd.DataFrame:
    """schema.GRIP with the day, the hour since midnight, and the limits as low and high."""
    import pandas as pd

    when = pd.to_datetime(grip["time"])
    hour = when.dt.hour + when.dt.minute / 60 + when.dt.second / 3600
    low, high = (grip[c].fillna(grip["seconds"]) for c in ("ci_low", "ci_high"))
    return grip.assign(day=grip["time"].str[:10], hour=hour, low=low, high=high)


def grip_figures(grip: pd.DataFrame) -> tuple[FigureView, ...]:
    """A figure for each meeting day, in the order of the days."""
    if not len(grip):
        return ()
    days = curves(grip).sort_values(["day", "meeting", "hour"])
    top = float(days["high"].clip(upper=days["seconds"].max() * 2 + ROOM).max()) + ROOM
    groups = days.groupby(["day", "meeting"], sort=True)
    return tuple(
        grip_figure(f"grip-{i}", f"{meeting}, {date_words(str(day))}", curve, top)
        for i, ((day, meeting), curve) in enumerate(groups, 1)
    )


def grip_figure(
    key: str,
    title: str,
    curve: pd.DataFrame,
    top: float,
    *,
    runs: pd.DataFrame | None = None,
    field: pd.DataFrame | None = None,
    slow: pd.DataFrame | None = None,
    height: float = 1.5,
) -> FigureView:
    """One day's curve, as grip_day draws it."""
    first, last = curve.iloc[0], curve.iloc[-1]
    about = (
        f"Grip on {title}, in seconds a lap lost to the best of the meeting: "
        f"{first['seconds']:.2f} at {first['time'][11:16]}, "
        f"{last['seconds']:.2f} at {last['time'][11:16]}."
    )
    plot = grip_day(curve, top, runs=runs, field=field, slow=slow, height=height)
    heads = [
        "Time",
        *(Heading(h, True) for h in ("Seconds a lap", "Low", "High")),
    ]
    rows = [
        (row.time[11:16], *(number(v, 3) for v in (row.seconds, row.ci_low, row.ci_high)))
        for row in records(thinned(curve))
    ]
    return FigureView(
        key,
        title,
        about,
        inline_svg(plot, key, title, about),
        table(f"{key}-data", f"Grip, {title}: the figure's data", heads, rows),
    )


def thinned(curve: pd.DataFrame, most: int = 40) -> pd.DataFrame:
    """At most about `most` rows of a curve, evenly chosen."""
    return curve.iloc[:: max(1, -(-len(curve) // most))]
