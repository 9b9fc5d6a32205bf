"""The rows of a delimited text as columns of text, with the line of each row.

The parser of pyarrow reads clean files; a plain reader, line by line, reads what it refuses.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from pipeline.read.loading import Text
from pipeline.read.titles import cells_of, is_comment

LONGEST_LINE = 100_000
LONGEST_RAW = 2_000
_QUOTED_LINES = 5


@dataclass(frozen=True)
class Sheet:
    """Columns (each (n,) text) by their place in the header, and the line of each row (n,).

    strays: (line, reason) of lines that are no rows of this table.
    """

    text: Text
    delimiter: str
    columns: dict[int, pa.Array]
    lines: np.ndarray
    strays: tuple[tuple[int, str], ...] = ()

    def __len__(self) -> int:
        return len(self.lines)

    def raw(self, line: int) -> str:
        return self.text.line(line)[:LONGEST_RAW]

    def cells(self, line: int) -> list[str]:
        return cells_of(self.text.line(line)[:LONGEST_LINE], self.delimiter)

    def keep(self, rows: np.ndarray, strays: Iterable[tuple[int, str]] = ()) -> Sheet:
        """The sheet with only these rows (bool mask or indices)."""
        picked = pa.array(rows) if rows.dtype == bool else pa.array(rows, pa.int64())
        take = pc.filter if rows.dtype == bool else pc.take
        columns = {place: take(column, picked) for place, column in self.columns.items()}
        return Sheet(
            self.text,
            self.delimiter,
            columns,
            self.lines[rows],
            tuple(sorted({*self.strays, *strays})),
        )


@dataclass(frozen=True)
class Region:
    """Where a table stands in a text: lines first..last (from 1), width cells each.

    codes: places of columns with few distinct values; texts: the other columns that are needed.
    must: places without which a shorter line cannot be completed.
    """

    first: int
    last: int
    width: int
    codes: frozenset[int]
    texts: frozenset[int]
    must: frozenset[int] = field(default_factory=frozenset)

    @property
    def places(self) -> list[int]:
        return sorted(self.codes | self.texts)


def read_sheet(text: Text, delimiter: str, region: Region) -> Sheet:
    """The table of a region; blank lines and comments are left out."""
    if region.first > region.last:
        return Sheet(
            text, delimiter, {p: pa.array([], pa.string()) for p in region.places}, _none()
        )
    sheet = _by_arrow(text, delimiter, region)
    if sheet is None:
        sheet = read_plainly(text, delimiter, region)
    return _without_blank(sheet)


def _none() -> np.ndarray:
    return np.zeros(0, dtype=np.int64)


def _by_arrow(text: Text, delimiter: str, region: Region) -> Sheet | None:
    """None where the parser and our count of lines do not agree, so that no line is misnamed."""
    data = text.lines(region.first, region.last)
    ragged: list[int | None] = []
    table = _parse(data, delimiter, region, ragged, threads=True)
    if ragged:
        ragged.clear()
        table = _parse(data, delimiter, region, ragged, threads=False)
    count = region.last - region.first + 1
    if table is None or table.num_rows + len(ragged) != count or None in ragged:
        return None
    lines = np.arange(region.first, region.last + 1)
    columns = {int(name): table.column(name).combine_chunks() for name in table.column_names}
    if not ragged:
        return Sheet(text, delimiter, columns, lines)
    wrong = np.array(ragged, dtype=np.int64) + region.first - 1
    sheet = Sheet(text, delimiter, columns, np.setdiff1d(lines, wrong))
    return _completed(sheet, wrong, region)


def _parse(
    data: memoryview, delimiter: str, region: Region, ragged: list[int | None], threads: bool
) -> pa.Table | None:
    def note(row: pa.csv.InvalidRow) -> str:
        ragged.append(row.number)
        return "skip"

    code = pa.dictionary(pa.int32(), pa.string())
    types = {str(p): code if p in region.codes else pa.string() for p in region.places}
    try:
        return pa.csv.read_csv(
            pa.py_buffer(data),
            pa.csv.ReadOptions(
                use_threads=threads, column_names=[str(p) for p in range(region.width)]
            ),
            pa.csv.ParseOptions(
                delimiter=delimiter, ignore_empty_lines=False, invalid_row_handler=note
            ),
            pa.csv.ConvertOptions(
                column_types=types,
                strings_can_be_null=False,
                include_columns=[str(p) for p in region.places],
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError, pa.ArrowCapacityError):
        return None


def _completed(sheet: Sheet, lines: np.ndarray, region: Region) -> Sheet:
    """The sheet with lines of a wrong width put right where that is safe, in order of lines."""
    rows, strays = _fitted(sheet, lines.tolist(), region)
    if not rows:
        return Sheet(sheet.text, sheet.delimiter, sheet.columns, sheet.lines, tuple(strays))
    added = np.array([line for line, _ in rows], dtype=np.int64)
    all_lines = np.concatenate([sheet.lines, added])
    order = np.argsort(all_lines, kind="stable")
    columns = {}
    for place in region.places:
        extra = pa.array([cells[place] for _, cells in rows], pa.string())
        whole = pa.chunked_array([sheet.columns[place].cast(pa.string()), extra]).combine_chunks()
        columns[place] = whole.take(pa.array(order))
    return Sheet(sheet.text, sheet.delimiter, columns, all_lines[order], tuple(strays))


def _fitted(
    sheet: Sheet, lines: list[int], region: Region
) -> tuple[list[tuple[int, list[str]]], list[tuple[int, str]]]:
    rows, strays = [], []
    for line in lines:
        text = sheet.text.line(line)
        if not text.strip() or is_comment(text):
            continue
        if len(text) > LONGEST_LINE:
            strays.append((line, "line_too_long"))
            continue
        cells = fit(sheet.cells(line), region, line == sheet.text.count)
        if cells is None:
            strays.append((line, "wrong_columns"))
        else:
            rows.append((line, cells))
    return rows, strays


def fit(cells: list[str], region: Region, at_the_end: bool) -> list[str] | None:
    """The cells at the region's width; None where something could be lost or invented.

    Spare empty cells are cut. A shorter line is filled up if it has all that is needed and is
    not the file's last, which may have been cut off in the middle of a number.
    """
    if len(cells) >= region.width:
        return None if any(cells[region.width :]) else cells[: region.width]
    if at_the_end or len(cells) < 2 or any(place >= len(cells) for place in region.must):
        return None
    return cells + [""] * (region.width - len(cells))


def read_plainly(text: Text, delimiter: str, region: Region) -> Sheet:
    """The same table read line by line with the csv module; slow and obvious."""
    sheet = Sheet(text, delimiter, {}, _none())
    rows: list[tuple[int, list[str]]] = []
    strays: list[tuple[int, str]] = []
    line = region.first
    while line <= region.last:
        count = _lines_of_record(text, line, region.last, delimiter)
        if count > 1:
            record = "\n".join(text.line(line + i) for i in range(count))
            cells = fit(cells_of(record, delimiter), region, False)
            rows += [(line, cells)] if cells else []
            strays += [] if cells else [(line, "wrong_columns")]
        else:
            more, odd = _fitted(sheet, [line], region)
            rows += more
            strays += odd
        line += count
    columns = {p: pa.array([cells[p] for _, cells in rows], pa.string()) for p in region.places}
    lines = np.array([line for line, _ in rows], dtype=np.int64)
    return Sheet(text, delimiter, columns, lines, tuple(strays))


def _lines_of_record(text: Text, line: int, last: int, delimiter: str) -> int:
    """Lines that one record takes: more than one where a quoted cell holds line ends."""
    first = text.line(line)
    if first.count('"') % 2 == 0 or len(first) > LONGEST_LINE:
        return 1
    quotes = first.count('"')
    for ahead in range(1, min(_QUOTED_LINES, last - line) + 1):
        following = text.line(line + ahead)
        quotes += following.count('"')
        if quotes % 2 == 0:
            return ahead + 1
    return 1


def _without_blank(sheet: Sheet) -> Sheet:
    """Without rows of which every needed cell is empty, if the whole line is; and comments."""
    if not len(sheet):
        return sheet
    empty = np.ones(len(sheet), dtype=bool)
    for column in sheet.columns.values():
        empty &= _is_blank(column)
        if not empty.any():
            break
    drop = [row for row in np.flatnonzero(empty) if _says_nothing(sheet, int(sheet.lines[row]))]
    if not drop:
        return sheet
    kept = np.ones(len(sheet), dtype=bool)
    kept[drop] = False
    return sheet.keep(kept)


def _is_blank(column: pa.Array) -> np.ndarray:
    if pa.types.is_dictionary(column.type):
        blank = np.array([not (v or "").strip() for v in column.dictionary.to_pylist()], dtype=bool)
        return blank[np.asarray(column.indices)] if len(blank) else np.ones(len(column), bool)
    return np.asarray(pc.equal(pc.binary_length(column), 0))


def _says_nothing(sheet: Sheet, line: int) -> bool:
    text = sheet.text.line(line)
    return is_comment(text) or not text.strip(sheet.delimiter + ' \t"')
