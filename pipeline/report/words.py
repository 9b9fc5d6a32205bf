"""Numbers as a racer says them: the only place where a number becomes text."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date
from typing import Any

from pipeline.tables.cells import plural as plural
from pipeline.tables.outcomes import Outcome, outcome_of
from pipeline.tables.schema import missing

MINUS = "−"
NOTHING = "–"
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


def is_good(outcome: Outcome | str, estimate: float) -> bool:
    of = outcome_of(outcome)
    return (estimate < of.no_effect) != of.higher_is_better


def direction(outcome: Outcome | str, estimate: float) -> str:
    of = outcome_of(outcome)
    return of.verdict(estimate < of.no_effect)


def size(outcome: Outcome | str, value: float) -> str:
    """The size without its direction: '0.04 s a lap', '15 %', '1.1 s'."""
    return _bare(outcome_of(outcome), value) + outcome_of(outcome).unit


def _bare(of: Outcome, value: float) -> str:
    """Ratios as percent (above 2 as a multiple), pace to 0.01 s, race to 0.1 s; a digit more
    where that would say zero.
    """
    if of.is_ratio:
        return f"{value:.1f} times" if value > 2.0 else _rounded(value * 100 - 100, 0) + " %"
    return _rounded(value * of.said_scale, of.said_digits)


def _rounded(value: float, digits: int) -> str:
    text = f"{abs(value):.{digits}f}"
    return text if float(text) else f"{abs(value):.{digits + 1}f}"


def effect_words(outcome: Outcome | str, value: float) -> str:
    """'0.04 s a lap slower', '15 % steadier', '30 % fewer mistakes', '1.1 s faster'."""
    of = outcome_of(outcome)
    word = of.said[value >= of.no_effect] or direction(of, value)
    if of.is_ratio and value > 2.0:
        word = of.noun
    return f"{size(of, value)} {word}"


def interval_words(outcome: Outcome | str, low: float, high: float) -> str:
    """'between 0.02 and 0.06 s a lap slower', or with both directions where it spans nothing."""
    of = outcome_of(outcome)
    if is_good(of, low) == is_good(of, high):
        near, far = sorted((low, high), key=lambda v: abs(v - of.no_effect))
        same_form = not of.is_ratio or near > 2.0 or far <= 2.0
        first = _bare(of, near) if same_form else effect_words(of, near)
        return f"between {first} and {effect_words(of, far)}"
    return f"between {effect_words(of, low)} and {effect_words(of, high)}"


def certainty(outcome: Outcome | str, low: float, high: float, scope: str = "") -> str:
    """The interval in words; scope: 'the next meeting' or 'these meetings', of which it speaks."""
    where = f"at {scope} " if scope else ""
    what = outcome_of(outcome).subject
    return f"19 chances in 20 that {where}{what} lies {interval_words(outcome, low, high)}"


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".?!" else ".")
