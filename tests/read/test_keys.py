"""Codes, their order and their groups, against numpy's and pandas' own ways."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read.keys import alike, distinct, first_of, order_of, picked, places_in

KEYS = st.one_of(
    st.lists(st.integers(0, 5), max_size=40),
    st.lists(st.integers(0, 2**17), max_size=40),
    st.lists(st.integers(0, 2**40), max_size=40),
    st.lists(st.integers(0, 3), max_size=12).map(lambda keys: sorted(keys * 3)),
).map(lambda keys: np.array(keys, dtype=np.int64))


@settings(max_examples=200, deadline=None)
@given(KEYS)
def test_the_order_is_that_of_a_stable_sort(keys: np.ndarray) -> None:
    np.testing.assert_array_equal(order_of(keys), np.argsort(keys, kind="stable"))


def test_long_columns_are_ordered_alike() -> None:
    keys = np.random.default_rng(1).integers(0, 2**16, 100_000)
    np.testing.assert_array_equal(order_of(keys), np.argsort(keys, kind="stable"))


@settings(max_examples=200, deadline=None)
@given(KEYS)
def test_distinct_keys_come_in_order_of_appearance(keys: np.ndarray) -> None:
    unique, codes = distinct(keys)
    expected_codes, expected = pd.factorize(keys)
    np.testing.assert_array_equal(unique, expected)
    np.testing.assert_array_equal(codes, expected_codes)


def test_rows_know_their_group_and_their_place_in_it() -> None:
    opens = np.array([True, False, False, True, True, False])
    assert first_of(opens).tolist() == [0, 0, 0, 3, 4, 4]
    assert places_in(opens).tolist() == [0, 1, 2, 0, 0, 1]


def test_what_is_alike_takes_no_room_and_is_picked_as_any_other() -> None:
    values = alike(7, 1_000)
    assert values.strides == (0,)
    rows = np.array([3, 999, 3])
    assert picked(values, rows).tolist() == [7, 7, 7]
    assert picked(values, rows).strides == (0,)
    assert picked(np.arange(1_000), rows).tolist() == rows.tolist()
    assert picked(alike(7, 0), rows[:0]).tolist() == []
    with pytest.raises(ValueError, match="read-only"):
        values[0] = 8
