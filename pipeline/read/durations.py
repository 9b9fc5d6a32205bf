"""Durations as people and programs write them, turned into seconds, many at once."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.read import quick
from pipeline.read.keys import alike
from pipeline.read.numbers import plain_numbers
from pipeline.read.shapes import Shape, common_signs, plain, shapes, text_bytes

SECONDS_OF_A_DAY = 86_400.0
# A spreadsheet keeps 0:16.234 as 0.000187893 of a day. A lap of 0.02 s does not exist, and one of
# 0.02 days would last 29 minutes.
LARGEST_FRACTION = 0.02
SHORTEST_FRACTION = 1e-5
# Whole numbers with a median above this are thousandths of a second: a lap of 50 minutes is not
# one of a short heat.
SMALLEST_MILLISECONDS = 3_000

_FORMS = tuple(
    re.compile(form)
    for form in (
        # 1:02:345 and 16:234: three digits cannot be seconds
        r"\s*(?:(?P<m>9{1,3}):)?(?P<s>9{1,2}):(?P<f>9{3})\s*",
        # 16.234  0:16,234  1:02.3  00:01:02.345  1'02"345  1m02.345s  16.234 s
        r"\s*\+?(?:(?:(?P<h>9{1,3})[:h]\s?)?(?P<m>9{1,3})(?:[:m']|min)\s?)?(?P<s>9{1,9})"
        r"(?:[.,\"](?P<f>9{0,15})|s(?P<f2>9{1,6}))?\s*(?:s|sec|\"|'')?\.?\s*",
        # 1.02.345
        r"\s*(?P<m>9{1,2})[.](?P<s>99)[.,](?P<f>9{1,3})\s*",
        # .234
        r"\s*(?P<s>)[.,](?P<f>9{1,15})\s*",
    )
)
_WORDLESS = re.compile(r"[\s:.,\-–—_/*]*|[A-Za-z][A-Za-z .]{0,15}")
_SIGNS = (("’", "'"), ("′", "'"), ("″", '"'), ("”", '"'), ("分", ":"), ("秒", "."))
_MICRO = 1_000_000


@dataclass(frozen=True)
class Durations:
    """seconds (n,) float, NaN where unreadable; absent (n,) bool: empty, dashes or a word.

    comma: number of rows with a decimal comma; point: with a decimal point.
    """

    seconds: np.ndarray
    absent: np.ndarray
    comma: int
    point: int
    milliseconds: bool = False


def read_durations(column: pa.Array, milliseconds: bool = False) -> Durations:
    """Seconds of a text column (n,).

    Every form may stand in the same column. `milliseconds`: the header says so; whole numbers
    then are thousandths of a second, and so they are where none of the column can be seconds.
    """
    column = common_signs(plain(column), _SIGNS)
    seconds = None if milliseconds else quick.decimals(column)
    # Whole numbers may be thousandths: whether they are is asked below.
    if seconds is None or (seconds == np.floor(seconds)).all():
        return read_any_form(column, milliseconds)
    points = int(np.count_nonzero(text_bytes(column) == ord(".")))
    return Durations(_without_fractions(seconds), alike(False, len(column)), 0, points)


def read_any_form(column: pa.Array, milliseconds: bool = False) -> Durations:
    """The same of a plain string array, shape by shape."""
    seconds = np.full(len(column), np.nan)
    whole = np.zeros(len(column), dtype=bool)
    absent = np.asarray(pc.equal(pc.binary_length(column).fill_null(0), 0))
    comma = point = 0
    for shape in shapes(column):
        match = _match(shape.text)
        if match is None:
            absent[shape.rows] |= _WORDLESS.fullmatch(shape.text) is not None
            continue
        seconds[shape.rows], form = _seconds(shape, match)
        whole[shape.rows] = form == "whole"
        comma += len(shape) if "," in shape.text else 0
        point += len(shape) if "." in shape.text else 0
    _exponents(column, seconds, absent)
    milliseconds = milliseconds or _only_milliseconds(seconds, whole)
    if milliseconds:
        seconds = np.where(seconds >= 1_000, seconds / 1_000, seconds)
    return Durations(_without_fractions(seconds), absent, comma, point, milliseconds)


def read_one(text: str) -> float:
    """Seconds of one duration; NaN where it is none."""
    return float(read_durations(pa.array([text], pa.string())).seconds[0])


@lru_cache(maxsize=4_096)
def _match(text: str) -> re.Match[str] | None:
    for form in _FORMS:
        match = form.fullmatch(text)
        if match and "9" in text:
            return match
    return None


def _seconds(shape: Shape, match: re.Match[str]) -> tuple[np.ndarray, str]:
    """Seconds (k,) and whether the shape is a plain whole number.

    All digits are read as one whole number of the last digit's unit and divided once, so that
    16.234 is the float nearest to 16.234.
    """
    names = match.re.groupindex
    seconds = shape.whole(_positions(match, "s"))
    for unit, size in (("m", 60), ("h", 3_600)):
        if unit in names and match.group(unit):
            seconds = seconds + size * shape.whole(_positions(match, unit))
    digits = _positions(match, "f") or _positions(match, "f2")
    if len(digits) <= 6:
        scale = 10 ** len(digits)
        return (seconds * scale + shape.whole(digits)) / scale, "" if digits else _whole(match)
    scale = 10 ** len(digits)
    return seconds + shape.whole(digits) / scale, ""


def _whole(match: re.Match[str]) -> str:
    return "whole" if match.group().strip().strip("9") == "" else ""


def _positions(match: re.Match[str], name: str) -> list[int]:
    if name not in match.re.groupindex or match.group(name) is None:
        return []
    return list(range(*match.span(name)))


def _exponents(column: pa.Array, seconds: np.ndarray, absent: np.ndarray) -> None:
    """Numbers such as 1.8789e-04 and -3.2, in place; the few that no shape explained."""
    rest = np.flatnonzero(np.isnan(seconds) & ~absent)
    if not len(rest):
        return
    seconds[rest] = plain_numbers(column.take(pa.array(rest)).to_pylist())


def _without_fractions(seconds: np.ndarray) -> np.ndarray:
    """Fractions of a day as seconds."""
    fraction = (seconds > SHORTEST_FRACTION) & (seconds < LARGEST_FRACTION)
    if not fraction.any():
        return seconds
    return np.where(fraction, np.round(seconds * SECONDS_OF_A_DAY, 4), seconds)


def _only_milliseconds(seconds: np.ndarray, whole: np.ndarray) -> bool:
    read = ~np.isnan(seconds) & (seconds > 0)
    return (
        bool(read.any())
        and bool(whole[read].all())
        and (float(np.median(seconds[read])) >= SMALLEST_MILLISECONDS)
    )
