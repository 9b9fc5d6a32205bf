"""Where options are equal on the axis of grip, and where the best value of a number lies."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.tables.cells import Row, number, text
from pipeline.team.factors import number_text

# `switchovers.words` where no crossing lies in the range, and where no line can be drawn.
NOT_WITHIN = "not within what was run"
NO_LINE = "cannot be told"
BEYOND = "the best lies"  # `best_values.words` where the best of those that were run is an end


@dataclass(frozen=True)
class Part:
    """The team's words for a factor. is_number: its levels are values, with a best one."""

    label: str
    reference: str
    unit: str = ""
    is_number: bool = False

    def level(self, level: Any) -> str:
        """A level with its unit."""
        return f"{level} {self.unit}".strip()


@dataclass(frozen=True)
class Property:
    """What several parts do alike. positions: of each factor's levels, by factor."""

    label: str
    positions: Mapping[str, Mapping[str, float]]


def where_words(switch: Row, sides: str = "") -> str:
    """'switches between low and medium grip: soft below, stiff above'."""
    place, words = place_of(switch), text(switch, "words")
    if place == "inside":
        return f"switches {words}{sides}"
    if place == "none":
        return "no switch at any grip that was run"
    return "where it switches cannot be told" if place == "no line" else (
        f"where it switches is open: {words}"
    )  # fmt: skip


def place_of(switch: Row) -> str:
    """inside, open, none (no crossing within what was run) or 'no line'."""
    words = text(switch, "words")
    if NO_LINE in words or not words:
        return "no line"
    if NOT_WITHIN in words:
        return "none"
    ends = [number(switch, name) for name in ("at", "low", "high")]
    return "open" if None in ends else "inside"


def best_words(best: Row | None, part: Part) -> str:
    """'best near 410 cSt (350 to 470)', or that it lies beyond what was run."""
    if best is None:
        return ""
    value, low, high = (number(best, name) for name in ("best", "low", "high"))
    beyond = text(best, "words").startswith(BEYOND)
    if value is None or beyond:
        return text(best, "words").rstrip(".")
    ends = "anywhere that was run"
    if low is not None or high is not None:
        ends = f"{_value(low)} to {_value(high)}"
        ends = f"up to {_value(high)}" if low is None else ends
        ends = f"{_value(low)} or more" if high is None else ends
    return f"best near {part.level(_value(value))} ({ends})"


def _value(value: float | None) -> str:
    """Three digits: more is never known of where a best value lies."""
    if not value:
        return "" if value is None else "0"
    return number_text(round(value, 2 - math.floor(math.log10(abs(value)))))
