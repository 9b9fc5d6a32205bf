"""Numbers as a racer says them."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from pipeline.report import words
from pipeline.report.axis import percent_ticks, seconds_ticks
from pipeline.report.words import missing


@pytest.mark.parametrize(
    ("outcome", "value", "said"),
    [
        ("pace", 0.041, "0.04 s a lap slower"),
        ("pace", -0.052, "0.05 s a lap faster"),
        ("pace", 0.003, "0.003 s a lap slower"),
        ("spread", 0.85, "15 % steadier"),
        ("spread", 1.15, "15 % wilder"),
        ("mistakes", 0.7, "30 % fewer mistakes"),
        ("mistakes", 2.5, "2.5 times the mistakes"),
        ("race", -1.06, "1.1 s faster"),
        ("fade", 0.0012, "1.2 ms of fade a lap more"),
    ],
)
def test_effect_says_size_and_direction(outcome: str, value: float, said: str) -> None:
    assert words.effect_words(outcome, value) == said


@pytest.mark.parametrize(
    ("outcome", "low", "high", "said"),
    [
        ("pace", 0.02, 0.06, "between 0.02 and 0.06 s a lap slower"),
        ("pace", -0.06, -0.02, "between 0.02 and 0.06 s a lap faster"),
        ("pace", -0.01, 0.05, "between 0.01 s a lap faster and 0.05 s a lap slower"),
        ("spread", 0.77, 0.94, "between 6 % and 23 % steadier"),
        ("spread", 0.9, 1.05, "between 10 % steadier and 5 % wilder"),
        ("mistakes", 1.4, 3.1, "between 40 % more mistakes and 3.1 times the mistakes"),
    ],
)
def test_interval_names_the_nearer_end_first(
    outcome: str, low: float, high: float, said: str
) -> None:
    assert words.interval_words(outcome, low, high) == said


def test_absent_numbers_are_a_dash_and_never_a_zero() -> None:
    for absent in (None, math.nan, math.inf):
        assert words.number(absent, 2) == words.Number(None, "–")


def test_numbers_have_a_true_minus_and_no_signed_zero() -> None:
    assert words.number(-0.0412, 3).text == "−0.041"
    assert words.number(0.0412, 3, signed=True).text == "+0.041"
    assert words.number(-0.0001, 3, signed=True).text == "0.000"


@pytest.mark.parametrize(
    ("seconds", "said"), [(300, "five minutes"), (60, "one minute"), (510, "8.5 minutes")]
)
def test_length_of_a_race(seconds: float, said: str) -> None:
    assert words.race_length(seconds) == said


def test_dates_as_people_write_them() -> None:
    assert words.date_words("2025-01-18", "2025-06-07") == "18 January to 7 June 2025"
    assert words.date_words("2024-12-30", "2025-01-04") == "30 December 2024 to 4 January 2025"
    assert words.date_words("2025-01-18") == "18 January 2025"


def test_ticks_have_nothing_among_them_and_lie_within() -> None:
    ticks = seconds_ticks(-0.083, 0.064)
    assert ticks[0.0] == "0" and ticks[-0.05] == "−0.05"
    assert all(-0.083 <= place <= 0.064 for place in ticks)
    percent = percent_ticks(math.log(0.7), math.log(1.5))
    assert percent[0.0] == "0" and percent[math.log1p(-0.2)] == "−20 %"


@pytest.mark.parametrize("text", ["None", "nan", "NaT", "<NA>", ""])
def test_a_level_may_be_called_none(text):
    assert not missing(text)


@pytest.mark.parametrize("value", [None, float("nan"), np.nan, pd.NA, pd.NaT])
def test_what_is_not_there_is_missing(value):
    assert missing(value)
