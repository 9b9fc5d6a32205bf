"""Numbers as a racer says them: the only place where a number becomes text."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipeline.tables.cells import plural as plural
from pipeline.tables.schema import missing

MINUS = "−"
NOTHING = "–"
NO_MATTER = "no difference that matters"
NOT_ENOUGH = "not enough runs"
NOT_SEPARABLE = "not separable"
TOGETHER = " & "  # between two conditions under which the very same runs were made
RATIOS = frozenset({"spread", "mistakes"})
# outcome -> (word when the level is below the reference, word when it is above)
DIRECTIONS = {
    "pace": ("faster", "slower"),
    "spread": ("steadier", "wilder"),
    "mistakes": ("fewer", "more"),
    "fade": ("fades less", "fades more"),
    "race": ("faster", "slower"),
}
_SMALL = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


@dataclass(frozen=True)
class Number:
    """A number of a result table and the words that stand for it on the page."""

    value: float | None
    text: str

    @property
    def raw(self) -> str:
        """The table's value to six digits, for sorting and for the tests; empty if none."""
        return "" if self.value is None else f"{self.value:.6g}"


_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]+"
)


def printable(text: str) -> str:
    """Without control characters, halves of characters, and marks that turn text round."""
    return _UNSEEN.sub(" ", text)


def number(value: Any, digits: int, *, signed: bool = False, unit: str = "") -> Number:
    """A number with fixed decimals, a true minus sign and a unit; a dash where there is none."""
    if missing(value) or not math.isfinite(float(value)):
        return Number(None, NOTHING)
    return Number(float(value), _fixed(float(value), digits, signed) + (f" {unit}" if unit else ""))


def _fixed(value: float, digits: int, signed: bool) -> str:
    text = f"{abs(value):,.{digits}f}".replace(",", " ")
    if float(text.replace(" ", "")) == 0.0:
        return text
    return (MINUS if value < 0 else "+" if signed else "") + text


def whole(value: Any) -> Number:
    return number(value, 0)


def count_word(count: int) -> str:
    """Small counts as words, as in running text."""
    return _SMALL[count] if 0 <= count < len(_SMALL) else str(count)


def race_length(seconds: float) -> str:
    """'five minutes', '8.5 minutes', '45 seconds'."""
    if seconds < 60:
        return f"{seconds:g} seconds"
    minutes = seconds / 60
    if minutes == int(minutes):
        return f"{count_word(int(minutes))} minute{'' if minutes == 1 else 's'}"
    return f"{minutes:.1f} minutes"


def date_words(first: str, last: str = "") -> str:
    """ISO days as people write them: '18 January to 7 June 2025'."""
    days = [date.fromisoformat(d) for d in dict.fromkeys((first, last or first))]
    if len(days) == 1:
        return f"{days[0].day} {days[0]:%B %Y}"
    first_day, last_day = days
    start = f"{first_day.day} {first_day:%B}"
    start += f" {first_day.year}" if first_day.year != last_day.year else ""
    return f"{start} to {last_day.day} {last_day:%B %Y}"


def hour_words(hours: float) -> str:
    """Hours since midnight as '14:05'."""
    minutes = round(hours * 60)
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


def is_definite(verdict: str) -> bool:
    """The data show a direction, within the fixed words."""
    return verdict in {word for pair in DIRECTIONS.values() for word in pair}


def is_leaning(verdict: str) -> bool:
    return verdict.startswith("leaning")


def is_good(outcome: str, estimate: float) -> bool:
    """Below the reference is better in every outcome."""
    return estimate < (1.0 if outcome in RATIOS else 0.0)


def direction(outcome: str, estimate: float) -> str:
    return DIRECTIONS[outcome][0 if is_good(outcome, estimate) else 1]


def size(outcome: str, value: float) -> str:
    """The size without its direction: '0.04 s a lap', '15 %', '1.1 s'."""
    units = {"pace": " s a lap", "race": " s", "fade": " ms of fade a lap"}
    return _bare(outcome, value) + units.get(outcome, "")


def _bare(outcome: str, value: float) -> str:
    """Ratios as percent (above 2 as a multiple), pace to 0.01 s, race to 0.1 s; a digit more
    where that would say zero.
    """
    if outcome in RATIOS:
        return f"{value:.1f} times" if value > 2.0 else _rounded(value * 100 - 100, 0) + " %"
    if outcome == "fade":
        return _rounded(value * 1000, 1)
    return _rounded(value, 1 if outcome == "race" else 2)


def _rounded(value: float, digits: int) -> str:
    text = f"{abs(value):.{digits}f}"
    return text if float(text) else f"{abs(value):.{digits + 1}f}"


def effect_words(outcome: str, value: float) -> str:
    """'0.04 s a lap slower', '15 % steadier', '30 % fewer mistakes', '1.1 s faster'."""
    word = direction(outcome, value).removeprefix("fades ")
    if outcome == "mistakes":
        word += " mistakes"
    if outcome in RATIOS and value > 2.0:
        word = {"spread": "the spread", "mistakes": "the mistakes"}[outcome]
    return f"{size(outcome, value)} {word}"


def interval_words(outcome: str, low: float, high: float) -> str:
    """'between 0.02 and 0.06 s a lap slower', or with both directions where it spans nothing."""
    if is_good(outcome, low) == is_good(outcome, high):
        near, far = sorted((low, high), key=lambda v: abs(v - (outcome in RATIOS)))
        same_form = outcome not in RATIOS or near > 2.0 or far <= 2.0
        first = _bare(outcome, near) if same_form else effect_words(outcome, near)
        return f"between {first} and {effect_words(outcome, far)}"
    return f"between {effect_words(outcome, low)} and {effect_words(outcome, high)}"


def certainty(outcome: str, low: float, high: float, scope: str = "") -> str:
    """The interval in words; scope: 'the next meeting' or 'these meetings', of which it speaks."""
    what = {"spread": "the spread", "mistakes": "the rate of mistakes"}.get(outcome, "it")
    where = f"at {scope} " if scope else ""
    return f"19 chances in 20 that {where}{what} lies {interval_words(outcome, low, high)}"


def condition_words(condition: str) -> str:
    """'grip=high' → 'at high grip', 'surface=carpet' → 'on carpet', 'all' → 'overall'."""
    if TOGETHER in condition:
        both = " or ".join(condition_words(part) for part in condition.split(TOGETHER))
        return f"{both} (the same runs)"
    name, _, value = condition.partition("=")
    if name == "all":
        return "overall"
    if name == "grip":
        return f"at {value} grip"
    return f"on {value}" if name == "surface" else f"where {name} is {value}"


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".?!" else ".")
