"""Places and labels for the marks on an axis."""

from __future__ import annotations

import math

from pipeline.report.words import MINUS

_STEPS = (1.0, 2.0, 5.0, 10.0)
_PERCENT = (-80, -65, -50, -40, -30, -20, -10, -5, 5, 10, 20, 30, 50, 75, 100, 150, 200, 400)


def seconds_ticks(low: float, high: float, most: int = 5) -> dict[float, str]:
    """Round values of a range that has 0 in it, signed: {-0.05: '−0.05', 0: '0', 0.05: '+0.05'}."""
    low, high = min(low, 0.0), max(high, 0.0)
    step = _step((high - low) or 0.1, most)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    places = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    return {i * step: _signed(i * step, digits) for i in places}


def _step(span: float, most: int) -> float:
    rough = span / most
    magnitude = 10.0 ** math.floor(math.log10(rough))
    return next(s * magnitude for s in _STEPS if s * magnitude >= rough * 0.999)


def _signed(value: float, digits: int) -> str:
    if value == 0:
        return "0"
    return f"{MINUS if value < 0 else '+'}{abs(value):.{digits}f}"


def percent_ticks(low: float, high: float, most: int = 5) -> dict[float, str]:
    """Log ratios in a range with round percentages: {-0.223: '−20 %', 0: '0'}."""
    inside = [p for p in _PERCENT if low <= math.log1p(p / 100) <= high]
    while len(inside) >= most:
        inside = _thinned(inside)
    return (
        {math.log1p(p / 100): _signed(p, 0) + " %" for p in inside if p < 0}
        | {0.0: "0"}
        | {math.log1p(p / 100): _signed(p, 0) + " %" for p in inside if p > 0}
    )


def _thinned(percent: list[int]) -> list[int]:
    """Every other mark, counted outwards from nothing on either side."""
    below = [p for p in percent if p < 0][::-1]
    above = [p for p in percent if p > 0]
    return below[1::2][::-1] + above[1::2]
