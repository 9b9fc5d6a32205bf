"""Every way of writing a duration, alone and mixed in one column."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read.durations import read_durations
from pipeline.read.numbers import plain_numbers

FORMS = {
    "16.234": 16.234,
    "16,234": 16.234,
    "16": 16.0,
    "16.": 16.0,
    ".234": 0.234,
    " 16.234 ": 16.234,
    "+16.234": 16.234,
    "16.234 s": 16.234,
    "16.234sec": 16.234,
    "0:16.234": 16.234,
    "1:02,345": 62.345,
    "01:02.3": 62.3,
    "00:01:02.345": 62.345,
    "1:00:01.5": 3601.5,
    "1:02:345": 62.345,
    "16:234": 16.234,
    "1.02.345": 62.345,
    "1'02\"345": 62.345,
    "0'16.234": 16.234,
    "1’02”345": 62.345,
    "16\"234": 16.234,
    "1m02.345s": 62.345,
    "1min02.345": 62.345,
    "1h02m03.4s": 3723.4,
    "１６．２３４": 16.234,
    "16秒234": 16.234,
    "1分02秒345": 62.345,
    "0.00018789351852": 16.234,
    "1.8789351852e-04": 16.234,
    "-3.2": -3.2,
}  # fmt: skip
NONE = [
    "",
    "--:--.---",
    "-",
    "DNF",
    "pit",
    "n/a",
    "16.2x4",
    "1:2:3:4",
    "16..2",
    "٣",
    "=1+1",
    "nan",
    "inf",
]


def test_each_form_alone() -> None:
    for text, seconds in FORMS.items():
        assert read_durations(pa.array([text])).seconds[0] == pytest.approx(seconds, abs=1e-4), text


def test_all_forms_in_one_column() -> None:
    column = pa.array([*FORMS, *NONE])
    times = read_durations(column)
    np.testing.assert_allclose(times.seconds[: len(FORMS)], list(FORMS.values()), atol=1e-4)
    assert np.isnan(times.seconds[len(FORMS) :]).all()


def test_absent_is_not_unreadable() -> None:
    times = read_durations(pa.array(["", "--", "DNF", "16.2x4", "16.2"]))
    assert times.absent.tolist() == [True, True, True, False, False]


def test_whole_numbers_are_thousandths_where_seconds_make_no_sense() -> None:
    assert read_durations(pa.array(["16234", "15999"])).seconds.tolist() == [16.234, 15.999]
    assert read_durations(pa.array(["16", "15"])).seconds.tolist() == [16.0, 15.0]
    assert read_durations(pa.array(["980"]), milliseconds=True).seconds.tolist() == [980.0]


@settings(deadline=None)
@given(st.lists(st.integers(1_000, 3_599_999), min_size=1, max_size=30), st.sampled_from(".,"))
def test_reads_what_was_written(thousandths: list[int], mark: str) -> None:
    written = [
        f"{t // 60_000}:{t // 1000 % 60:02d}{mark}{t % 1000:03d}" if t % 2 else
        f"{t // 1000}{mark}{t % 1000:03d}"
        for t in thousandths
    ]  # fmt: skip
    assert read_durations(pa.array(written)).seconds.tolist() == [t / 1000 for t in thousandths]


@settings(deadline=None)
@given(st.lists(st.text(max_size=50), max_size=20))
def test_no_text_is_too_strange(cells: list[str]) -> None:
    times = read_durations(pa.array(cells, pa.string()))
    assert len(times.seconds) == len(times.absent) == len(cells)


def test_few_and_many_numbers_are_read_alike() -> None:
    texts = ["16.2", "16,2", "1.8e-04", "nan", "inf", "1_0", "x", "", None, "9" * 40, " 5 ", "-3"]
    few, many = plain_numbers(texts), plain_numbers(texts * 100)
    np.testing.assert_array_equal(few, many[: len(texts)])
