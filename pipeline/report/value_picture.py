"""What each value of a number saves against the reference, a curve a grip, with its best value."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.decide.places import best_words
from pipeline.decide.sentences import Part
from pipeline.report import drawn
from pipeline.report.axis import seconds_ticks
from pipeline.tables.cells import Row, number
from pipeline.team.factors import number_text

LEFT, RIGHT, TOP, BOTTOM = 22.0, 306.0, 6.0, 74.0


@dataclass(frozen=True)
class Curve:
    """At one grip: (value, seconds saved against the reference, low, high), the best, the level
    that is preferred. states: the classes of its grip.
    """

    grip: str
    states: str
    points: tuple[tuple[float, float, float, float], ...]
    best: Row | None
    chosen: str


def curve_points(rows: Sequence[Row]) -> tuple[tuple[float, float, float, float], ...]:
    """Rows of `curves` as savings: there above nought is slower."""
    cells = [
        [number(r, n) or 0.0 for n in ("value", "estimate", "ci_high", "ci_low")] for r in rows
    ]
    return tuple(sorted((v, -e, -h, -low) for v, e, h, low in cells))


def value_picture(
    key: str, part: Part, curves: Sequence[Curve], levels: Sequence[str], worth_changing_s: float
) -> str:
    """One picture for all grips, of which one is shown; all on the same scale."""
    places = [point for curve in curves for point in curve.points]
    least, most = min(p[0] for p in places), max(p[0] for p in places)
    low, high = min(min(p[1] for p in places), 0.0), max(max(p[1] for p in places), 0.0)
    room = max(0.15 * (high - low), 0.05)
    axes = _Axes(least, most, low - room, high + room)
    title = f"{part.label}: seconds over a race by value"
    against = part.level(part.reference)
    about = f"Seconds saved over a race against {against}, from {number_text(least)} to "
    about += f"{part.level(number_text(most))}. {' '.join(_spoken(c, part) for c in curves)}"
    inside = [
        *_frame(axes),
        *(
            f'<g class="{c.states}">{"".join(_curve(c, axes, worth_changing_s))}</g>'
            for c in curves
        ),
        *_values(levels, axes),
    ]
    return drawn.picture(key, title, about.strip(), 116, inside)


@dataclass(frozen=True)
class _Axes:
    least: float
    most: float
    low: float
    high: float

    def x(self, value: float) -> float:
        share = (value - self.least) / ((self.most - self.least) or 1.0)
        return LEFT + (RIGHT - LEFT) * min(max(share, 0.0), 1.0)

    def y(self, saved: float) -> float:
        return BOTTOM - (BOTTOM - TOP) * (saved - self.low) / (self.high - self.low)


def _spoken(curve: Curve, part: Part) -> str:
    where = f"{curve.grip} grip: " if curve.grip else ""
    words = best_words(curve.best, part)
    return f"{where}{words}." if words else ""


def _frame(axes: _Axes) -> Iterator[str]:
    ticks = seconds_ticks(axes.low, axes.high, 4)
    for value, label in ticks.items():
        y = axes.y(value)
        if TOP <= y <= BOTTOM:
            look = "ze0" if value == 0 else "gr"
            yield drawn.path(f"M{LEFT} {drawn.number_of(y)}H{RIGHT}", look)
            unit = "" if value == 0 else " s"
            yield drawn.words(drawn.WIDTH, y + 4, label + unit, "mu e")
    yield drawn.words(LEFT, 11, "▲ faster")


def _group(curve: Curve, axes: _Axes, worth_changing_s: float) -> str:
    return f'<g class="{curve.states}">{"".join(_curve(curve, axes, worth_changing_s))}</g>'


def _curve(curve: Curve, axes: _Axes, worth_changing_s: float) -> Iterator[str]:
    upper = [(axes.x(v), axes.y(high)) for v, _, _, high in curve.points]
    lower = [(axes.x(v), axes.y(low)) for v, _, low, _ in reversed(curve.points)]
    line = [(axes.x(v), axes.y(saved)) for v, saved, _, _ in curve.points]
    yield f'<g clip-path="url(#co)">{drawn.polygon([*upper, *lower], "bd")}'
    yield f"{drawn.polyline(line, 'ln')}</g>"
    top = max(saved for _, saved, _, _ in curve.points)
    close = [axes.x(v) for v, saved, _, _ in curve.points if saved >= top - worth_changing_s]
    box = axes.y(top) - 8.5
    yield drawn.rect(min(close), box, max(close) - min(close), 17, "ei")
    best = None if curve.best is None else number(curve.best, "best")
    if best is not None and curve.best is not None:
        yield _best(best, number(curve.best, "low"), number(curve.best, "high"), axes)
    if curve.chosen:
        x = axes.x(float(curve.chosen))
        y = axes.y(_at(float(curve.chosen), curve.points))
        yield drawn.upright(x, 2, 97) + drawn.dot(x, y)
        yield drawn.words(x, 112, curve.chosen, "pk", middle=True)


def _best(best: float, low: float | None, high: float | None, axes: _Axes) -> str:
    left = axes.x(axes.least if low is None else low)
    right = axes.x(axes.most if high is None else high)
    bar = drawn.whisker(left, right, 88, open_left=low is None, open_right=high is None)
    return bar + drawn.diamond(axes.x(best), 88)


def _at(value: float, points: Sequence[tuple[float, float, float, float]]) -> float:
    """The curve at a value, straight between its points."""
    for (v0, s0, *_), (v1, s1, *_) in itertools.pairwise(points):
        if v0 <= value <= v1:
            return s0 + (s1 - s0) * (value - v0) / ((v1 - v0) or 1.0)
    return points[0][1] if value < points[0][0] else points[-1][1]


def _values(levels: Sequence[str], axes: _Axes) -> Iterator[str]:
    """The values that were run, as far as there is room for them."""
    last = -100.0
    for level in sorted(levels, key=float):
        x, half = axes.x(float(level)), drawn.LETTER * len(level) / 2
        if x - half > last + 6:
            yield drawn.words(x, 112, level, "mu", middle=True)
            last = x + half
