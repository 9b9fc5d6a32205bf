"""Grip over a day: a penalised cubic B-spline of the time of day, as a mixed model.

Eilers and Marx (1996); mixed-model form Z = B D'(D D')^-1 with the straight line left free
(Currie and Durban 2002). The coefficients are scaled by h^1.5 for a knot distance of h hours, so
that one smoothing variance, in s^2 per hour^3, serves days of every length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pipeline.models.engine.rows import Array

KNOT_HOURS = 0.75
LEAST_KNOT_HOURS = 0.2
MOST_KNOT_HOURS = 1.5
LEAST_TIMES_LINE = 3
LEAST_TIMES_CURVE = 5
DISTINCT_HOURS = 1 / 60


@dataclass(frozen=True)
class DayBasis:
    """The spline basis of one day, learnt once and applied to any time of it.

    Times outside the day's runs are taken as its first or last run's.
    """

    first: float
    last: float
    knots: Array
    transform: Array  # (basis functions, q)
    has_line: bool

    @property
    def q(self) -> int:
        """Number of penalised columns."""
        return int(self.transform.shape[1])

    def line(self, hour: Array) -> Array:
        """The free straight line in hours from the middle of the day, (n, 1) or (n, 0)."""
        centred = np.clip(hour, self.first, self.last) - (self.first + self.last) / 2
        return centred[:, None] if self.has_line else np.zeros((len(hour), 0))

    def curve(self, hour: Array) -> Array:
        """The penalised columns, (n, q)."""
        if not self.q or not len(hour):
            return np.zeros((len(hour), self.q))
        from scipy.interpolate import BSpline

        inside = np.clip(hour, self.first, self.last)
        B = BSpline.design_matrix(inside, self.knots, 3).toarray()
        return np.asarray(B @ self.transform)


def day_basis(hour: Array) -> DayBasis:
    """Basis for a day whose runs stood at `hour` (n,), in hours.

    Fewer than 5 distinct times get a straight line, fewer than 3 a constant.
    """
    first, last = float(hour.min()), float(hour.max())
    times = len(np.unique(np.round(hour / DISTINCT_HOURS)))
    has_line = times >= LEAST_TIMES_LINE
    if times < LEAST_TIMES_CURVE:
        return DayBasis(first, last, np.zeros(0), np.zeros((0, 0)), has_line)
    length = last - first
    wanted = np.clip(length / (times - 1), LEAST_KNOT_HOURS, KNOT_HOURS)
    pieces = max(int(np.ceil(length / min(wanted, MOST_KNOT_HOURS))), 2)
    knots = equal_knots(first, last, pieces)
    h = knots[1] - knots[0]
    return DayBasis(first, last, knots, penalty_transform(pieces + 3) * h**1.5, has_line)


def equal_knots(first: float, last: float, pieces: int) -> Array:
    """Equally spaced knots for cubic B-splines over [first, last], widened by a thousandth."""
    width = last - first
    low, high = first - 0.001 * width, last + 0.001 * width
    h = (high - low) / pieces
    return np.asarray(low + h * np.arange(-3, pieces + 4), dtype=float)


def penalty_transform(k: int) -> Array:
    """D'(D D')^-1 for second differences of k coefficients, (k, k-2)."""
    D = np.diff(np.eye(k), n=2, axis=0)
    return np.asarray(np.linalg.solve(D @ D.T, D).T)
