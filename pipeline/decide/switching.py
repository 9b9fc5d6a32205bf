"""Where along grip two options are equal, and the curves and best values of numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.decide.choices import LIMITS_95, Circumstances
from pipeline.decide.places import NO_LINE, NOT_WITHIN
from pipeline.decide.race import Believed, Place
from pipeline.models.axis import OFF_LINE
from pipeline.tables.conditions import POSITIONS
from pipeline.team.factors import number_text

if TYPE_CHECKING:
    from pipeline.models.engine.rows import Array

GRID = 41  # positions, or values, at which lines are compared
NEAR = 0.15  # of a step: so near to a word's position that the word alone is said
OPEN_SHARE = 0.025
NOWHERE = {"at": None, "low": None, "high": None, "words": f"{NO_LINE} where: {OFF_LINE}"}
AT_ANY = "at any grip, or at none"


def switchover_rows(believed: Sequence[Believed], around: Circumstances) -> list[dict[str, Any]]:
    """The rows of `decisions.SWITCHOVERS`: each level against its reference, over a race and in
    pace. None where fewer than two grips were run."""
    if len(around.grips) < 2:
        return []
    ends = [POSITIONS[word] for word in around.grips]
    positions = np.linspace(min(ends), max(ends), GRID)
    rows = []
    for one in (each.without_new_meetings() for each in believed):
        named = {key.level: place for place, key in enumerate(one.options.keys) if not key.part}
        for level, place in named.items():
            weights = np.zeros((1, len(one.options.keys)))
            weights[0, place] = 1.0
            for outcome in ("race", "pace"):
                places = [Place(float(position)) for position in positions]
                lines = np.column_stack([one.on(outcome, p, weights)[:, 0] for p in places])
                off_line = one.options.is_off_line(level)
                rows.append(
                    {
                        "factor": one.options.factor.name,
                        "level": level,
                        "reference": one.options.reference,
                        "outcome": outcome,
                        **(NOWHERE if off_line else crossing(lines, positions)),
                    }
                )
    return rows


def crossing(lines: Array, positions: Array) -> dict[str, Any]:
    """Where the mean of the lines crosses zero, the positions at which zero is not told from them
    (Fieller 1954), and the words for it. lines: (draws, n) at positions (n,)."""
    mean = lines.mean(axis=0)
    low, high = np.quantile(lines, LIMITS_95, axis=0)
    same = np.flatnonzero((low <= 0) & (high >= 0))
    at = _zero(mean, positions)
    if not len(same):
        return {"at": None, "low": None, "high": None, "words": NOT_WITHIN}
    open_low, open_high = same[0] == 0, same[-1] == len(positions) - 1
    ends = (
        None if open_low else float(positions[same[0]]),
        None if open_high else float(positions[same[-1]]),
    )
    return {"at": at, "low": ends[0], "high": ends[1], "words": _words(at, *ends)}


def _zero(mean: Array, positions: Array) -> float | None:
    turns = np.flatnonzero(np.sign(mean[:-1]) != np.sign(mean[1:]))
    if not len(turns):
        return None
    i = turns[0]
    share = mean[i] / (mean[i] - mean[i + 1])
    return float(positions[i] + share * (positions[i + 1] - positions[i]))


def _words(at: float | None, low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return AT_ANY
    if low is None:
        assert high is not None
        word = next(w for w, p in POSITIONS.items() if p >= high)
        return f"somewhere below {word} grip, if at all"
    if high is None:
        word = next(w for w, p in reversed(POSITIONS.items()) if p <= low)
        return f"somewhere above {word} grip, if at all"
    if at is None:
        return AT_ANY
    for word, position in POSITIONS.items():
        if abs(at - position) <= NEAR:
            return f"about {word} grip"
    return "between low and medium grip" if at < 0 else "between medium and high grip"


def curve_rows(
    believed: Sequence[Believed], around: Circumstances
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The rows of `decisions.CURVES` and `BEST_VALUES`, of pace and over a race."""
    curves, best = [], []
    for one in (each.without_new_meetings() for each in believed):
        values = one.options.values
        if values is None or len(values) < 3:
            continue
        fine = np.unique(np.r_[np.linspace(values.min(), values.max(), GRID), values])
        weights = one.options.weights_at(fine)
        for grip in ("", *around.grips):
            for outcome in ("pace", "race"):
                drawn = one.on(outcome, around.place(grip), weights)
                key = {"factor": one.options.factor.name, "outcome": outcome, "grip": grip}
                low, high = np.quantile(drawn, LIMITS_95, axis=0)
                numbers = zip(fine, drawn.mean(axis=0), low, high, strict=True)
                names = ("value", "estimate", "ci_low", "ci_high")
                curves += [key | dict(zip(names, map(float, row), strict=True)) for row in numbers]
                best.append(key | best_value(drawn, fine, one.options.factor.unit))
    return curves, best


def best_value(drawn: Array, values: Array, unit: str) -> dict[str, Any]:
    """The value with the least expected seconds, and between which the best lies. drawn: (draws, n)
    at values (n,)."""
    where = values[drawn.argmin(axis=1)]
    best = float(values[drawn.mean(axis=0).argmin()])
    low, high = (float(end) for end in np.quantile(where, LIMITS_95))
    open_low = (where == values[0]).mean() > OPEN_SHARE
    open_high = (where == values[-1]).mean() > OPEN_SHARE
    text = f" {unit}" if unit else ""
    if best == values[-1]:
        words = f"the best lies beyond {number_text(best)}{text}, the most that was run"
    elif best == values[0]:
        words = f"the best lies below {number_text(best)}{text}, the least that was run"
    else:
        words = f"best near {number_text(round(best, 4))}{text}"
    return {
        "best": best,
        "low": None if open_low else low,
        "high": None if open_high else high,
        "words": words,
    }
