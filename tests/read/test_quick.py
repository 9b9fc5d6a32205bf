"""Arrow's parsers against the reader of every form, on columns of one form and with odd rows."""

from __future__ import annotations

import dataclasses

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read import clocks, durations, quick, shapes
from pipeline.read.instants import local_of

DECIMALS = st.one_of(
    st.integers(0, 10**8).map(lambda n: f"{n / 1000:.3f}"),
    st.from_regex(r"[0-9]{1,7}|[0-9]{1,3}\.[0-9]{0,5}|\.[0-9]{1,7}|0\.0[0-9]{1,5}", fullmatch=True),
)
INSTANTS = st.builds(
    lambda moment, sign, digits: moment.isoformat(sign, "microseconds")[: 20 + digits].rstrip("."),
    st.datetimes(), st.sampled_from(" T"), st.integers(0, 6),
)  # fmt: skip
ODD = ["", " ", "--", "16,2", "1:02.3", "16.2 s", "1e2", "nan", "1.2.3", "/", "10:32:05",
       "2026-03-28", "2026-03-28 10:32", "2026-03-28 10:32:60", "2026-02-30 10:32:05",
       "2026-03-28 10:32:05Z", "28.03.2026 10:32:05", "46109.43"]  # fmt: skip


def columns(cells: st.SearchStrategy[str]) -> st.SearchStrategy[pa.Array]:
    """Columns of one form; in every third some rows are odd."""
    odd = st.one_of(cells, cells, st.sampled_from(ODD))
    texts = st.one_of(
        st.lists(cells, max_size=30), st.lists(cells, max_size=30), st.lists(odd, max_size=30)
    )
    return texts.map(lambda rows: pa.array(rows, pa.string()))


def assert_same(one: object, other: object) -> None:
    """All fields of two records agree, to the last bit."""
    for field in dataclasses.fields(one):
        mine, theirs = getattr(one, field.name), getattr(other, field.name)
        np.testing.assert_array_equal(mine, theirs, err_msg=field.name)


@settings(max_examples=300, deadline=None)
@given(columns(DECIMALS), st.booleans())
def test_durations_are_the_same(column: pa.Array, milliseconds: bool) -> None:
    found = durations.read_durations(column, milliseconds)
    assert_same(found, durations.read_any_form(column, milliseconds))


@settings(max_examples=300, deadline=None)
@given(columns(INSTANTS))
def test_clocks_are_the_same(column: pa.Array) -> None:
    found = quick.instants(column)
    if found is not None:
        plain = clocks.read_clocks(column)
        assert (plain.day != clocks.NO_DAY).all()
        assert (plain.offset == clocks.NO_DAY).all()
        np.testing.assert_array_equal(found, local_of(plain, None, None))


@pytest.mark.parametrize("odd", ODD)
def test_one_odd_row_leaves_the_column_to_the_reader_of_every_form(odd: str) -> None:
    if odd != "46109.43":
        assert quick.decimals(pa.array(["16.234", odd])) is None
    assert quick.instants(pa.array(["2026-03-28 10:32:05.123", odd])) is None


def test_the_usual_columns_are_read_at_once() -> None:
    laps = quick.decimals(pa.array(["skipped", "16.234", "9.1", "102"]).slice(1))
    assert laps is not None
    assert laps.tolist() == [16.234, 9.1, 102.0]
    found = quick.instants(pa.array(["1970-01-02 00:00:01.5", "1970-01-01T00:00:00"]))
    assert found is not None
    assert found.tolist() == [86_401_500_000, 0]


@pytest.mark.parametrize("block", [1, 7, 64])
def test_blocks_of_rows_are_read_as_the_whole_is(
    block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    chance = np.random.default_rng(block)
    cells = ["16.234", "9.1", "1:02.3", "16,25", "2026-03-28 10:32:05.1", "10:32:06", *ODD]
    for column in (pa.array(chance.choice(cells, 300)), pa.array(["03.04.2026 10:32:05"] * 300)):
        whole = durations.read_durations(column), clocks.read_clocks(column)
        with monkeypatch.context() as patch:
            patch.setattr(shapes, "BLOCK", block)
            assert_same(durations.read_durations(column), whole[0])
            assert_same(clocks.read_clocks(column), whole[1])
