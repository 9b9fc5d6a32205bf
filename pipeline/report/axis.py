"""Places and labels for the marks on an axis."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from pipeline.report.words import MINUS

_STEPS = (1.0, 2.0, 5.0, 10.0)
# Round percentages, the roundest first: later ones stand only where there is room.
_PERCENT = (50, -50, 100, 20, -20, 30, -30, 10, -10, 200, -80, 5, -5, 400, 75, -65, 40, -40, 2, -2)
_APART = 0.17  # of the axis, between two marks of a percent axis
_WIDE = 4.0  # times the middle interval: what is wider does not set the axis


def seconds_ticks(low: float, high: float, most: int = 5) -> dict[float, str]:
    """Round values of a range that has 0 in it, signed: {-0.05: '−0.05', 0: '0', 0.05: '+0.05'}."""
    low, high = min(low, 0.0), max(high, 0.0)
    step = _step((high - low) or 0.1, most)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    places = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    return {i * step: _signed(i * step, digits) for i in places}


def plain_ticks(low: float, high: float, most: int = 5) -> dict[float, str]:
    """Round values of a range with one decimal or more; only what is below nothing is signed."""
    step = _step((high - low) or 0.1, most)
    digits = max(1, -math.floor(math.log10(step) + 1e-9))
    places = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    return {i * step: f"{abs(i) * step:.{digits}f}" if i >= 0 else
            f"{MINUS}{abs(i) * step:.{digits}f}" for i in places}  # fmt: skip


def _step(span: float, most: int) -> float:
    rough = span / most
    magnitude = 10.0 ** math.floor(math.log10(rough))
    return next(s * magnitude for s in _STEPS if s * magnitude >= rough * 0.999)


def _signed(value: float, digits: int) -> str:
    if value == 0:
        return "0"
    return f"{MINUS if value < 0 else '+'}{abs(value):.{digits}f}"


def percent_ticks(low: float, high: float) -> dict[float, str]:
    """Log ratios in a range with round percentages: {-0.223: '−20 %', 0: '0'}."""
    low, high = min(low, 0.0), max(high, 0.0)
    apart = _APART * ((high - low) or 1.0)
    chosen: dict[float, str] = {0.0: "0"}
    for percent in _PERCENT:
        place = math.log1p(percent / 100)
        if low <= place <= high and all(abs(place - other) >= apart for other in chosen):
            chosen[place] = _signed(percent, 0) + " %"
    return dict(sorted(chosen.items()))


def span(lows: Sequence[float], highs: Sequence[float]) -> tuple[float, float]:
    """The range of intervals, but for those that are so wide that the others would vanish."""
    widths = [high - low for low, high in zip(lows, highs, strict=True)]
    most = _WIDE * median(widths)
    kept = [i for i, width in enumerate(widths) if width <= most] or range(len(widths))
    return min(0.0, *(lows[i] for i in kept)), max(0.0, *(highs[i] for i in kept))
