"""Days as people and spreadsheets write them."""

from __future__ import annotations

import datetime
import re

_DOTS = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")
_SLASHES = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{4})")
_YEAR_FIRST = re.compile(r"(\d{4})[/.](\d{1,2})[/.](\d{1,2})")
_OTHER = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-](\d{2}|\d{4})")
# Years in which a meeting can be: timing exports are read within the same.
FIRST_YEAR, LAST_YEAR = 1970, 2199


def read_day(text: str) -> str | None:
    """An ISO day of '2026-03-28', '28.03.2026', or with slashes where only one reading is possible;
    None for anything else."""
    readings = _readings(text)
    return readings[0] if len(readings) == 1 else None


def _readings(text: str) -> list[str]:
    """The ISO days that a text may mean; dots are day first."""
    numbers: list[tuple[str, str, str]] = []
    if match := _DOTS.fullmatch(text):
        numbers = [(match[3], match[2], match[1])]
    elif match := _YEAR_FIRST.fullmatch(text):
        numbers = [(match[1], match[2], match[3])]
    elif match := _SLASHES.fullmatch(text):
        numbers = [(match[3], match[2], match[1]), (match[3], match[1], match[2])]
    elif match := re.fullmatch(r"(\d{4})-(\d\d)-(\d\d)", text):
        numbers = [(match[1], match[2], match[3])]
    days = (_iso(*(int(number) for number in each)) for each in numbers)
    return list(dict.fromkeys(day for day in days if day))


def _iso(year: int, month: int, day: int) -> str:
    try:
        return datetime.date(year, month, day).isoformat()
    except ValueError:
        return ""


def is_of_our_time(day: str) -> bool:
    """An ISO day on which a meeting can be."""
    return FIRST_YEAR <= int(day[:4]) <= LAST_YEAR


def date_advice(text: str) -> str:
    """How a day is to be written that cannot be read, or in two ways."""
    readings = _readings(text)
    if len(readings) > 1:
        return f"It may be {' or '.join(readings)}: write which"
    if readings and not is_of_our_time(readings[0]):
        return f"The year is not between {FIRST_YEAR} and {LAST_YEAR}"
    match = _OTHER.fullmatch(text)
    return "Write year, month, day (2026-05-03), or day.month.year (03.05.2026)" if match else ""
