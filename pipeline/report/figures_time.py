"""Figures along a day or a season: each a function from a table to a figure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from pipeline.report.axis import plain_ticks
from pipeline.report.layers import driver_shapes, room
from pipeline.report.look import BAND, GOOD, INK, PAPER, RULE
from pipeline.report.plane import Figure, Plane, area, box, line, point

if TYPE_CHECKING:
    import pandas as pd

GRID, CURVE = 0.3, 1.6  # widths of lines, points


def grip_day(
    curve: pd.DataFrame,
    top: float,
    *,
    runs: pd.DataFrame | None = None,
    field: pd.DataFrame | None = None,
    slow: pd.DataFrame | None = None,
    height: float = 1.5,
) -> Figure:
    """Grip over one day, in seconds a lap lost to the day's best; the runs on it if given.

    curve: hour, seconds, low, high. runs: hour, seconds, driver. field: hour, seconds. slow: begin,
    end: hours between which the whole field was slow.
    top: upper end of the axis, the same on all days.
    """
    runs, field = (None if f is None else f.dropna(subset=["seconds"]) for f in (runs, field))
    marks = [frame for frame in (runs, field) if frame is not None and len(frame)]
    lowest = min(0.0, curve["low"].min(), *(frame["seconds"].min() for frame in marks)) - 0.02
    hours = curve["hour"]
    across = room(hours.min(), hours.max())
    plane = Plane(across, (lowest, top), height, _hours(hours), plain_ticks(lowest, top))
    edge = [*plane.places(hours, curve["low"]), *plane.places(hours, curve["high"])[::-1]]
    inside = [
        *_grid(plane),
        *_slow(plane, slow),
        area(edge, BAND),
        *_field(plane, field),
        line(plane.places(hours, curve["seconds"]), INK, CURVE),
    ]
    return Figure(plane, tuple(inside), tuple(_runs(plane, runs)))


def _grid(plane: Plane) -> Iterator[str]:
    for place in plane.y_marks:
        yield line([plane.at(x, place) for x in plane.x], RULE, GRID)


def _hours(hours: pd.Series) -> dict[float, str]:
    first, last = int(hours.min()), int(hours.max()) + 1
    step = 1 if last - first < 6 else 2
    return {float(h): f"{h % 24:02d}:00" for h in range(first, last + 1) if h % step == 0}


def _field(plane: Plane, field: pd.DataFrame | None) -> Iterator[str]:
    if field is not None:
        for place in plane.places(field["hour"], field["seconds"]):
            yield point(place, "o", 0.9, RULE, RULE)


def _slow(plane: Plane, slow: pd.DataFrame | None) -> Iterator[str]:
    if slow is None:
        return
    low, high = plane.y
    for begin, end in zip(slow["begin"], slow["end"], strict=True):
        # A stretch of a minute would not be seen on the axis of a day: an edge gives it some width.
        yield area(box(plane.at(begin, low), plane.at(end, high)), RULE, 1.1)


def _runs(plane: Plane, runs: pd.DataFrame | None) -> Iterator[str]:
    if runs is None:
        return
    shapes = {name: shape for name, (shape, _) in driver_shapes(runs["driver"]).items()}
    for driver, x, y in zip(runs["driver"], runs["hour"], runs["seconds"], strict=True):
        yield point(plane.at(x, y), shapes[driver], 2.9, GOOD, PAPER)


def own_runs(data: pd.DataFrame, starts: Mapping[float, str]) -> Figure:
    """A driver's corrected runs in order, against their mean.

    data: place (order), seconds, low, high. starts: place of each meeting's first run → label.
    """
    data = data.dropna(subset=["seconds"])
    places = data["place"]
    ends = [0.0, *data["low"], *data["high"], *data["seconds"]]
    low, high = room(min(ends), max(ends))
    across = (places.min() - 1, places.max() + 1)
    plane = Plane(across, (low, high), 2.4, starts, plain_ticks(low, high))
    inside = [line([plane.at(at - 0.5, y) for y in plane.y], RULE, 0.7) for at in starts]
    inside.append(line([plane.at(x, 0.0) for x in across], INK, 1.1))
    for at, bottom, top in zip(places, data["low"], data["high"], strict=True):
        inside.append(line([plane.at(at, bottom), plane.at(at, top)], RULE, 1.4))
    for place in plane.places(places, data["seconds"]):
        inside.append(point(place, "o", 2.0, GOOD, GOOD))
    return Figure(plane, tuple(inside))
