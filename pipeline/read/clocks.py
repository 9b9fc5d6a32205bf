"""Times of day and dates as they are written, turned into days and seconds, many at once."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.read.numbers import plain_numbers
from pipeline.read.shapes import Shape, common_signs, plain, shapes

DAY = 86_400_000_000  # microseconds
NO_DAY = np.iinfo(np.int64).min
_EPOCH = date(1970, 1, 1).toordinal()
_SPREADSHEET_EPOCH = date(1899, 12, 30).toordinal() - _EPOCH
_MONTHS = (
    ("jan", "ene", "gen"),
    ("feb", "fév", "fev"),
    ("mar", "mär", "mrt"),
    ("apr", "avr", "abr"),
    ("may", "mai", "mei", "mag"),
    ("jun", "juin", "giu"),
    ("jul", "juil", "lug"),
    ("aug", "aoû", "aou", "ago"),
    ("sep", "set"),
    ("oct", "okt", "ott", "out"),
    ("nov",),
    ("dec", "dez", "déc", "dic"),
)
_DATES = (
    r"(?P<Y>9{4})[-/.](?P<M>9{1,2})[-/.](?P<D>9{1,2})\.?",
    r"(?P<a>9{1,2})(?P<mark>[-/.])(?P<b>9{1,2})[-/.](?P<c>9{4}|99)",
    r"(?P<D>9{1,2})[-. ]{1,2}(?P<month>[A-Za-z\x80-\xff]{3,9})\.?[-, ]\s?(?P<Y>9{4})",
    r"(?P<month>[A-Za-z\x80-\xff]{3,9})\.? (?P<D>9{1,2})(?:st|nd|rd|th)?,? (?P<Y>9{4})",
    r"(?P<Y>9{4})(?P<M>99)(?P<D>99)",
)
_WEEKDAY = r"(?:[A-Za-z\x80-\xff]{2,10}[,.]?\s+)?"
_TIME = (
    r"(?:(?P<half0>[AaPp])\.?[Mm]\.?\s?)?"
    r"(?P<h>9{1,2})(?:[:.h]\s?(?P<m>99)(?:(?:[:.m']|min)\s?(?P<s>99)?"
    r"(?:[.,:](?P<f>9{1,9}))?[s\"]?)?:?|(?P<m>99)(?P<s>99)(?:[.,](?P<f>9{1,9}))?)"
    r"(?:\s?(?P<half>[AaPp])\.?\s?[Mm]\.?)?(?:\s?(?:Uhr|uur|h|kl))?"
    r"(?:\s?(?P<zone>Z|UTC|GMT|[-+]99:?(?:99)?))?"
)
_SIGNS = (
    ("年", "-"),
    ("月", "-"),
    ("日", " "),
    ("時", ":"),
    ("分", ":"),
    ("秒", ""),
    ("午前", "AM "),
    ("午後", "PM "),
)


def _without_repeats(pattern: str) -> str:
    """Group names may not repeat within one expression; the second m, s, f get a 2."""
    seen: set[str] = set()

    def renamed(match: re.Match[str]) -> str:
        name = match.group(1)
        name = name if name not in seen else name + "2"
        seen.add(name)
        return f"(?P<{name}>"

    return re.sub(r"\(\?P<(\w+)>", renamed, pattern)


_FORMS = tuple(
    re.compile(r"\s*" + _without_repeats(form) + r"\s*")
    for form in (
        _TIME,
        *(_WEEKDAY + day + r"(?:,?[ T]\s*|,\s*)" + _TIME for day in _DATES),
        *(_WEEKDAY + day for day in _DATES),
        _TIME + r"\s+" + _DATES[1],
    )
)


@dataclass(frozen=True)
class Clocks:
    """What a column of times of day holds; arrays are (n,).

    micros: microseconds since midnight, -1 where unreadable. day: days since 1970-01-01, NO_DAY
    where no date is written. offset: minutes ahead of UTC where written, else NO_DAY.
    number: float value where the cell is a plain number, else NaN. absent: empty.
    swap: dates such as 03/04/2026 occur whose order of day and month is open. lost: first row
    whose date can be none, -1 for none such.
    """

    micros: np.ndarray
    day: np.ndarray
    offset: np.ndarray
    number: np.ndarray
    absent: np.ndarray
    swap: bool = False
    lost: int = -1


def read_clocks(column: pa.Array, month_first: bool | None = None) -> Clocks:
    """Read a text column (n,) of times of day, dates, or both.

    month_first: how to read 03/04/2026; None: as day 3 of month 4 unless a date in the column
    rules that out, and `swap` tells that both were possible.
    """
    column = common_signs(plain(column), _SIGNS)
    size = len(column)
    micros = np.full(size, -1, dtype=np.int64)
    day = np.full(size, NO_DAY, dtype=np.int64)
    offset = np.full(size, NO_DAY, dtype=np.int64)
    absent = np.asarray(pc.equal(pc.binary_length(column).fill_null(0), 0))
    found, lost = [(shape, _match(shape.text)) for shape in shapes(column)], -1
    open_dates = [(s, m) for s, m in found if m and "a" in _groups(m)]
    month_first, swap = _order(open_dates, month_first)
    for shape, match in found:
        if match is None:
            continue
        groups = _groups(match)
        if "h" in groups:
            micros[shape.rows] = _micros(shape, match, groups)
            if "zone" in groups:
                offset[shape.rows] = _offset(shape, match)
        if {"a", "D"} & groups:
            day[shape.rows] = _days(_once(shape, match), match, groups, month_first)
            gone = np.arange(size)[shape.rows][day[shape.rows] == NO_DAY]
            lost = int(gone[0]) if len(gone) and lost < 0 else lost
    number = _numbers(column, (micros < 0) & (day == NO_DAY) & ~absent)
    return Clocks(micros, day, offset, number, absent, swap, lost)


def read_one(text: str, month_first: bool | None = None) -> Clocks:
    return read_clocks(pa.array([text], pa.string()), month_first)


def spreadsheet_days(number: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Days since 1970 and microseconds since midnight of spreadsheet day numbers."""
    whole = np.floor(number)
    micros = np.round((number - whole) * DAY / 1_000) * 1_000
    return (whole + _SPREADSHEET_EPOCH).astype(np.int64), micros.astype(np.int64)


def iso_day(day: int) -> str:
    return date.fromordinal(int(day) + _EPOCH).isoformat()


def day_number(iso: str) -> int:
    """Days since 1970-01-01 of an ISO date. Raises ValueError where it is none."""
    return date.fromisoformat(iso).toordinal() - _EPOCH


@lru_cache(maxsize=4_096)
def _match(text: str) -> re.Match[str] | None:
    if "9" not in text or (text.strip(" 9") == "" and len(text.strip()) != 8):
        return None
    for form in _FORMS:
        match = form.fullmatch(text)
        if match and ("month" not in _groups(match) or _month(match.group("month"))):
            return match
    return None


def _groups(match: re.Match[str]) -> set[str]:
    return {name for name, text in match.groupdict().items() if text is not None}


def _span(match: re.Match[str], *names: str) -> list[int]:
    for name in names:
        if name in match.re.groupindex and match.group(name) is not None:
            return list(range(*match.span(name)))
    return []


def _micros(shape: Shape, match: re.Match[str], groups: set[str]) -> np.ndarray:
    hours = shape.whole(_span(match, "h"))
    minutes = shape.whole(_span(match, "m", "m2"))
    seconds = shape.whole(_span(match, "s", "s2"))
    half = (match.groupdict().get("half") or match.groupdict().get("half0") or "").lower()
    right = (hours < 24) & (minutes < 60) & (seconds < 61)
    if half:
        right &= (hours >= 1) & (hours <= 12)
        hours = hours % 12 + (12 if half == "p" else 0)
    digits = _span(match, "f", "f2")[:6]
    fraction = shape.whole(digits) * 10 ** (6 - len(digits))
    value = ((hours * 60 + minutes) * 60 + seconds) * 1_000_000 + fraction
    return np.where(right, value, -1)


def _offset(shape: Shape, match: re.Match[str]) -> np.ndarray:
    if match.group("zone") in ("Z", "UTC", "GMT"):
        return np.zeros(len(shape), dtype=np.int64)
    first, last = match.span("zone")
    digits = [p for p in range(first, last) if match.group()[p - match.start()] == "9"]
    minutes = shape.whole(digits[:2]) * 60 + shape.whole(digits[2:])
    return -minutes if match.group("zone").startswith("-") else minutes


def _order(found: list[tuple[Shape, re.Match[str]]], month_first: bool | None) -> tuple[bool, bool]:
    """Whether the month comes first, and whether the column leaves that open."""
    if not found:
        return False, False
    first = max(int(shape.whole(_span(match, "a")).max()) for shape, match in found)
    second = max(int(shape.whole(_span(match, "b")).max()) for shape, match in found)
    if first > 12 or second > 12:
        return second > 12 and first <= 12, False
    dotted = all(match.group("mark") == "." for _, match in found)
    if dotted or month_first is not None:
        return bool(month_first) and not dotted, False
    return False, True


def _once(shape: Shape, match: re.Match[str]) -> Shape:
    """The first row for all, where all have one date: rows that stand together mostly have."""
    digits = [p for name in ("Y", "M", "D", "a", "b", "c") for p in _span(match, name)]
    dates = shape.cells[:, min(digits) : max(digits) + 1]
    if (dates == dates[0]).all():
        return Shape(shape.text, slice(0, 1), shape.cells[:1])
    return shape


def _days(shape: Shape, match: re.Match[str], groups: set[str], month_first: bool) -> np.ndarray:
    if "a" in groups:
        first, second = shape.whole(_span(match, "a")), shape.whole(_span(match, "b"))
        month, day = (first, second) if month_first else (second, first)
        year = shape.whole(_span(match, "c"))
        year = np.where(year < 100, year + 2000, year)
    else:
        year, day = shape.whole(_span(match, "Y")), shape.whole(_span(match, "D"))
        if "month" in groups:
            month = np.full(len(day), _month(match.group("month")))
        else:
            month = shape.whole(_span(match, "M"))
    right = (year >= 1970) & (year < 2200) & (month >= 1) & (month <= 12) & (day >= 1)
    starts = ((np.where(right, year, 1970) - 1970) * 12 + np.where(right, month, 1) - 1).astype(
        "datetime64[M]"
    )
    within = day <= ((starts + 1).astype("datetime64[D]") - starts.astype("datetime64[D]")).astype(
        np.int64
    )
    days = starts.astype("datetime64[D]").astype(np.int64) + day - 1
    return np.where(right & within, days, NO_DAY)


def _month(name: str) -> int:
    folded = name.encode("latin-1").decode("utf-8", "replace").casefold()
    for number, starts in enumerate(_MONTHS, 1):
        if folded.startswith(starts):
            return number
    return 0


def _numbers(column: pa.Array, rest: np.ndarray) -> np.ndarray:
    number = np.full(len(column), np.nan)
    rows = np.flatnonzero(rest)
    if len(rows):
        number[rows] = plain_numbers(column.take(pa.array(rows)).to_pylist())
    return number
