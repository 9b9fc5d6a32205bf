"""What one level saves against another along the axis of grip, between the grips that were run."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

ENDS = 0.2  # how far a line is drawn beyond the outermost grip that was run, in steps of grip
NORMAL_95, NORMAL_90 = 1.96, 1.645


@dataclass(frozen=True)
class Point:
    """At a position of grip: seconds saved over a race, and half of the 95 % interval."""

    at: float
    saved: float
    half: float


@dataclass(frozen=True)
class GripLine:
    """Straight between its points, which are in order; the squared half-width is a quadratic, as
    the variance of any straight line is."""

    points: tuple[Point, ...]

    @property
    def ends(self) -> tuple[float, float]:
        return self.points[0].at - ENDS, self.points[-1].at + ENDS

    def saved(self, at: float) -> float:
        """Seconds saved over a race."""
        first, second = self._piece(at)
        share = (at - first.at) / (second.at - first.at)
        return first.saved + share * (second.saved - first.saved)

    def half(self, at: float) -> float:
        """Half of the 95 % interval."""
        widths = [point.half**2 for point in self.points]
        total = 0.0
        for i, point in enumerate(self.points):
            weight = 1.0
            for other in (p for j, p in enumerate(self.points) if j != i):
                weight *= (at - other.at) / (point.at - other.at)
            total += weight * widths[i]
        # Points that are no line's leave the quadratic below nought: never under the narrowest.
        return math.sqrt(max(total, 0.25 * min(widths), 1e-12))

    def chance(self, at: float) -> float:
        """Chance that the level is the faster of the two."""
        spread = self.half(at) / NORMAL_95
        return 0.5 * math.erfc(-self.saved(at) / (spread * math.sqrt(2)))

    def places(self, count: int) -> list[float]:
        """Positions from end to end."""
        low, high = self.ends
        return [low + (high - low) * i / (count - 1) for i in range(count)]

    def crossings(self) -> list[float]:
        """Where neither is the faster."""
        grid = [self.ends[0], *(p.at for p in self.points), self.ends[1]]
        found = []
        for low, high in itertools.pairwise(grid):
            a, b = self.saved(low), self.saved(high)
            if a * b < 0:
                found.append(low + (high - low) * a / (a - b))
        return found

    def level_stretches(
        self, worth_changing_s: float, no_matter_s: float
    ) -> list[tuple[float, float]]:
        """Where neither is worth the change, s over a race, or both are shown to be as good."""
        grid = self.places(241)
        inside = [self._is_level(at, worth_changing_s, no_matter_s) for at in grid]
        found: list[tuple[float, float]] = []
        for at, flag, before in zip(grid, inside, [False, *inside], strict=False):
            if flag and before:
                found[-1] = (found[-1][0], at)
            elif flag:
                found.append((at, at))
        return found

    def _is_level(self, at: float, worth_changing_s: float, no_matter_s: float) -> bool:
        saved = abs(self.saved(at))
        reach = saved + self.half(at) * NORMAL_90 / NORMAL_95
        return saved < worth_changing_s or reach <= no_matter_s

    def _piece(self, at: float) -> tuple[Point, Point]:
        for first, second in zip(self.points, self.points[1:], strict=False):
            if at <= second.at:
                return first, second
        return self.points[-2], self.points[-1]


def grip_line(points: Sequence[Point]) -> GripLine | None:
    """The line through two points or more; None where there are fewer."""
    ordered = tuple(sorted(points, key=lambda point: point.at))
    return GripLine(ordered) if len(ordered) > 1 else None
