"""A figure of marks over two axes as SVG, drawn straight from numbers: a hundredth of the time.

Sizes are those of `look`; colours are the page's classes (fill-ink, stroke-rule …), so that dark
mode and paper work.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from pipeline.report.drawn import number_of as n
from pipeline.report.drawn import plain, points_of
from pipeline.report.look import CLASSES, MUTED, RULE, STROKE, TEXT, WIDTH

POINTS = 72.0  # an inch
BELOW = 12.0  # points under the panel, for the marks of the horizontal axis
BASELINE = 2.2  # points from the lower edge to the foot of their letters
MIDDLE = 0.36 * TEXT  # from the middle of a letter to its foot
GAP = 4.0  # points between the marks of the vertical axis and the panel
# Width of letters in the size of the text; what is not listed is as wide as a digit.
DIGIT, OTHERS = 0.636, {".": 0.318, " ": 0.318, "+": 0.838, "−": 0.838, "%": 0.95}
Place = tuple[float, float]


@dataclass(frozen=True)
class Plane:
    """Where values stand. x, y: limits of the axes. height: inches. y_marks: place → label."""

    x: Place
    y: Place
    height: float
    x_marks: Mapping[float, str]
    y_marks: Mapping[float, str]

    @cached_property
    def left(self) -> float:
        """Left edge of the panel, points."""
        widths = [sum(OTHERS.get(c, DIGIT) for c in label) for label in self.y_marks.values()]
        return max(widths) * TEXT + GAP if widths else 0.0

    @property
    def right(self) -> float:
        return WIDTH * POINTS

    @property
    def bottom(self) -> float:
        return self.height * POINTS - BELOW

    def across(self, value: float) -> float:
        low, high = self.x
        return self.left + (value - low) / (high - low) * (self.right - self.left)

    def up(self, value: float) -> float:
        low, high = self.y
        return self.bottom * (1 - (value - low) / (high - low))

    def at(self, x: float, y: float) -> Place:
        return self.across(x), self.up(y)

    def places(self, x: Iterable[float], y: Iterable[float]) -> list[Place]:
        return [self.at(*pair) for pair in zip(x, y, strict=True)]


@dataclass(frozen=True)
class Figure:
    """A plane with its marks. inside: what is cut off at the panel's edge; over: what is not."""

    plane: Plane
    inside: tuple[str, ...]
    over: tuple[str, ...] = ()

    def svg(self, key: str, title: str, about: str) -> str:
        """The figure with its text alternative. key: prefix of its ids, unique in the page."""
        plane = self.plane
        box = f'x="{n(plane.left)}" y="0" width="{n(plane.right - plane.left)}"'
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {n(plane.right)} '
            f'{n(plane.height * POINTS)}" role="img" aria-labelledby="{key}-title {key}-desc">'
            f'<title id="{key}-title">{plain(title)}</title>'
            f'<desc id="{key}-desc">{plain(about)}</desc><clipPath id="{key}-0">'
            f'<rect {box} height="{n(plane.bottom)}"/></clipPath>{"".join(_axes(plane))}'
            f'<g clip-path="url(#{key}-0)">{"".join(self.inside)}</g>{"".join(self.over)}</svg>'
        )


def _axes(plane: Plane) -> Iterator[str]:
    for place, label in plane.x_marks.items():
        if plane.x[0] <= place <= plane.x[1]:
            foot = plane.height * POINTS - BASELINE
            yield letters((plane.across(place), foot), label, anchor="middle")
    for place, label in plane.y_marks.items():
        foot = plane.up(place) + MIDDLE
        yield letters((plane.left - GAP, foot), label, anchor="end")
    yield line([(plane.left, plane.bottom), (plane.right, plane.bottom)], RULE, STROKE)


def letters(place: Place, text: str, *, color: str = MUTED, anchor: str = "start") -> str:
    """A text; `place`: its foot."""
    x, y = map(n, place)
    return (
        f'<text x="{x}" y="{y}" font-size="{TEXT}px" text-anchor="{anchor}" '
        f'class="fill-{CLASSES[color]}">{plain(" ".join(text.split()))}</text>'
    )


def line(places: Iterable[Place], color: str, width: float) -> str:
    return (
        f'<polyline points="{points_of(places)}" fill="none" stroke-width="{width}" '
        f'class="stroke-{CLASSES[color]}"/>'
    )


def area(places: Iterable[Place], color: str, edge: float = 0.0) -> str:
    """A filled area; edge: width of a line of its colour around it."""
    name = CLASSES[color]
    rim = f' stroke-width="{edge}"' if edge else ""
    look = f"fill-{name} stroke-{name}" if edge else f"fill-{name}"
    return f'<polygon points="{points_of(places)}"{rim} class="{look}"/>'


def box(low: Place, high: Place) -> list[Place]:
    """The corners of a box."""
    return [low, (high[0], low[1]), high, (low[0], high[1])]


def point(place: Place, shape: str, size: float, edge: str, filling: str) -> str:
    """A mark of a shape of `look`; size: half its width, points."""
    x, y = place
    look = f'stroke-width="1.2" class="fill-{CLASSES[filling]} stroke-{CLASSES[edge]}"'
    if shape == "o":
        return f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(size)}" {look}/>'
    corners = [(x + size * dx, y + size * dy) for dx, dy in SHAPES[shape]]
    return f'<polygon points="{points_of(corners)}" {look}/>'


def _star(points: int, inner: float) -> list[Place]:
    turns = [math.pi * i / points for i in range(2 * points)]
    long = [1.15 if i % 2 == 0 else inner for i in range(2 * points)]
    return [(r * math.sin(t), -r * math.cos(t)) for r, t in zip(long, turns, strict=True)]


_CROSS = [(-0.35, -1.0), (0.35, -1.0), (0.35, -0.35), (1.0, -0.35), (1.0, 0.35), (0.35, 0.35),
          (0.35, 1.0), (-0.35, 1.0), (-0.35, 0.35), (-1.0, 0.35), (-1.0, -0.35),
          (-0.35, -0.35)]  # fmt: skip
_TURN = math.sqrt(0.5)
# Shape of `look` → its corners, about a middle, half a width each way.
SHAPES: Mapping[str, list[Place]] = {
    "s": [(-1, -1), (1, -1), (1, 1), (-1, 1)],
    "d": [(0, 1.42), (0.84, 0), (0, -1.42), (-0.84, 0)],
    "D": [(0, 1.3), (1.3, 0), (0, -1.3), (-1.3, 0)],
    "^": [(0, -1.1), (1.1, 1), (-1.1, 1)],
    "v": [(0, 1.1), (1.1, -1), (-1.1, -1)],
    "<": [(-1.1, 0), (1, -1.1), (1, 1.1)],
    ">": [(1.1, 0), (-1, -1.1), (-1, 1.1)],
    "*": _star(5, 0.5),
    "P": _CROSS,
    "X": [(_TURN * (x - y), _TURN * (x + y)) for x, y in _CROSS],
}
