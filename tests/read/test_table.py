"""The fast reader against the plain one, and lines that are not like the others."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read.loading import Text
from pipeline.read.table import Region, Sheet, read_plainly, read_sheet

CELLS = st.text("ab12. :é", max_size=6)
LINES = st.lists(
    st.one_of(
        st.lists(CELLS, min_size=3, max_size=3),
        st.lists(CELLS, min_size=3, max_size=3),
        st.lists(CELLS, max_size=5),
    ),
    max_size=25,
)


def region(text: Text, must: frozenset[int] = frozenset({0, 2})) -> Region:
    return Region(1, text.count, 3, frozenset({0}), frozenset({1, 2}), must)


def rows(sheet: Sheet) -> list[tuple[int, ...]]:
    columns = [sheet.columns[p].cast(pa.string()).to_pylist() for p in sorted(sheet.columns)]
    cells = [[(cell or "").strip() for cell in column] for column in columns]
    table = zip(sheet.lines.tolist(), *cells, strict=True)
    return [row for row in table if any(row[1:])]


@settings(max_examples=200, deadline=None)
@given(LINES)
def test_fast_and_plain_agree(lines: list[list[str]]) -> None:
    text = Text("".join(";".join(line) + "\n" for line in lines).encode() or b"\n", "utf-8")
    fast, plain = (read(text, ";", region(text)) for read in (read_sheet, read_plainly))
    assert rows(fast) == rows(plain)
    assert fast.strays == plain.strays


def test_lines_keep_their_numbers() -> None:
    text = Text(b'a;1;2\n\n# remark\nb;3;4\nc;5\n"d;d";6;7\ne;8;9;10\nf;1;2;;\n', "utf-8")
    sheet = read_sheet(text, ";", region(text, frozenset({0, 1})))
    assert rows(sheet) == [
        (1, "a", "1", "2"), (4, "b", "3", "4"), (5, "c", "5", ""), (6, "d;d", "6", "7"),
        (8, "f", "1", "2"),
    ]  # fmt: skip
    assert sheet.strays == ((7, "wrong_columns"),)


def test_a_last_line_that_was_cut_is_not_completed() -> None:
    text = Text(b"a;1;2\nb;3;4\nc;1", "utf-8")
    sheet = read_sheet(text, ";", region(text, frozenset({0, 1})))
    assert sheet.strays == ((3, "wrong_columns"),)


def test_a_quoted_line_end_belongs_to_its_cell() -> None:
    text = Text(b'a;1;"x\ny"\nb;2;3\n', "utf-8")
    sheet = read_sheet(text, ";", region(text))
    assert sheet.lines.tolist() == [1, 3]
    assert sheet.columns[1].cast(pa.string()).to_pylist() == ["1", "2"]
    np.testing.assert_array_equal(text.starts, [0, 7, 10, 16])
