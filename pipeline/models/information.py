"""How much of a contrast's information is left beside grip, session kinds and other changes.

All columns are taken about the means of each driver at each meeting and then written in an
orthonormal basis of their common span: sums of squares and products stay what they are over the
runs, but there are as few coordinates as columns.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pipeline.models.design import Design
    from pipeline.models.engine.rows import Array, Codes

TREND_DEGREE = 3
SAME_SPAN = 1e-8  # of a column's length: what is left of it beside columns that span it
CONSTANT = 1e-12  # of a column's size: what rounding leaves of one that has no variation


@dataclass(frozen=True)
class Information:
    """The columns of one choice of runs, in m coordinates.

    sets: (m, ?) columns of grip, session and unknown settings. contrasts: (m, k), in the order
    of `Design.contrasts`; factors: whose each is.
    """

    sets: dict[str, Array]
    contrasts: Array
    factors: tuple[str, ...]
    _beside: dict[str, tuple[Array, Array]] = field(default_factory=dict, repr=False)

    @staticmethod
    def over(design: Design, rows: NDArray[np.bool_]) -> Information:
        """Of the runs `rows` (R,)."""
        entry = np.unique(design.entry[rows], return_inverse=True)[1]
        parts = {"grip": np.hstack([_day_trends(design, rows), _fixed(design, rows, "own trend ")])}
        parts["session"] = _fixed(design, rows, "kind ")
        parts["unknown"] = _fixed(design, rows, "unknown ")
        values = [contrast.values[rows] / contrast.scale for contrast in design.contrasts]
        parts["setup"] = np.array(values).T if values else np.zeros((int(rows.sum()), 0))
        ends = np.cumsum([part.shape[1] for part in parts.values()])
        everything = _within(np.hstack(list(parts.values())), entry)
        coordinates = np.linalg.qr(everything, mode="r")
        *sets, contrasts = np.split(coordinates, ends[:-1], axis=1)
        names = tuple(contrast.factor for contrast in design.contrasts)
        return Information(dict(zip(parts, sets, strict=False)), contrasts, names)

    @property
    def others(self) -> list[str]:
        """Names of all that a contrast may be mixed with."""
        return [*(name for name in self.sets if name != "unknown"), *dict.fromkeys(self.factors)]

    def within(self, place: int) -> float:
        """Sum of squares of the contrast at `place`."""
        return float(self.contrasts[:, place] @ self.contrasts[:, place])

    def left(self, place: int, without: str = "") -> float:
        """What is left of it after all other columns, but those of the set or factor `without`."""
        columns, lengths = self._after_sets(without if without in self.sets else "")
        chosen = [i for i, name in enumerate(self.factors) if i != place and name != without]
        basis = orthonormal(columns[:, chosen], lengths[chosen])
        rest = _project_out(columns[:, place], basis)
        return float(rest @ rest)

    def _after_sets(self, without: str) -> tuple[Array, Array]:
        """The contrasts after all sets but one, and their lengths before."""
        if without not in self._beside:
            sets = np.hstack([part for name, part in self.sets.items() if name != without])
            basis = orthonormal(sets, np.sqrt((sets**2).sum(axis=0)))
            lengths = np.sqrt((self.contrasts**2).sum(axis=0))
            self._beside[without] = _project_out(self.contrasts, basis), lengths
        return self._beside[without]


def orthonormal(columns: Array, lengths: Array) -> Array:
    """(r, m): a basis of the columns (m, c), without those that the ones before them span.

    lengths: (c,), in units of which a column's rest is judged.
    """
    room = np.zeros(columns.shape[::-1])
    used = 0
    for column, length in zip(columns.T, lengths, strict=True):
        if length == 0:
            continue
        rest = _project_out(column / length, room[:used])
        size = float(np.sqrt(rest @ rest))
        if size > SAME_SPAN:
            room[used] = rest / size
            used += 1
    return room[:used]


def _project_out(columns: Array, basis: Array) -> Array:
    """Columns (m,) or (m, k) less their part in the basis (r, m); twice, against rounding."""
    for _ in range(2):
        columns = columns - basis.T @ (basis @ columns)
    return columns


def _within(columns: Array, entry: Codes) -> Array:
    """Columns about the means of each group; zero where they do not vary within groups."""
    n = np.bincount(entry).astype(float)
    means = np.column_stack([np.bincount(entry, column) / n for column in columns.T])
    out = columns - means[entry]
    constant = np.abs(out).max(axis=0) <= CONSTANT * np.abs(columns).max(axis=0)
    return np.where(constant, 0.0, out)


def _fixed(design: Design, rows: NDArray[np.bool_], opening: str) -> Array:
    """The fixed columns whose names begin so, (rows, ?)."""
    return design.fixed[rows][:, [name.startswith(opening) for name in design.fixed_names]]


def _day_trends(design: Design, rows: NDArray[np.bool_]) -> Array:
    """Powers of the time of day up to the third, a set a day."""
    day, hour = design.day[rows], design.hour[rows]
    columns = []
    for d in np.unique(day):
        here = np.flatnonzero(day == d)
        at = hour[here]
        times = len(np.unique(np.round(at * 60)))
        middle, half = (at.min() + at.max()) / 2, max((at.max() - at.min()) / 2, 1e-9)
        for power in range(min(TREND_DEGREE, times - 1) + 1):
            column = np.zeros(len(day))
            column[here] = ((at - middle) / half) ** power
            columns.append(column)
    return np.column_stack(columns)
