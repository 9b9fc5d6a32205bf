"""One file, one or several tables: titles, header, rows, then perhaps titles and header again."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import pyarrow as pa

from pipeline.errors import UserError
from pipeline.read.dialect import (
    HEAD_LINES,
    find_header,
    headers_above,
    rows_below,
)
from pipeline.read.loading import Text
from pipeline.read.matching import SAMPLE_ROWS, match_columns
from pipeline.read.records import Header, Match, ReadOptions
from pipeline.read.rows import CODE_FIELDS
from pipeline.read.table import Region, Sheet, read_sheet
from pipeline.read.titles import (
    Titles,
    cells_of,
    is_comment,
    is_section,
    read_titles,
    whole_records,
)
from pipeline.read.words import compact, field_of, is_footer, names_a_session

MOST_SUSPECTS = 20_000
_FIGURES = re.compile(r"[\d\s.,:/+-]*")
_PEOPLE = frozenset({"driver", "transponder", "car_number"})


@dataclass(frozen=True)
class Block:
    """A table of the file: its header, what the titles above it say, and its rows."""

    header: Header
    match: Match
    titles: Titles
    sheet: Sheet


def read_blocks(text: Text, options: ReadOptions, name: str) -> list[Block]:
    """All tables of a text, in order. Raises UserError, CallError (see `dialect`, `matching`)."""
    lines = whole_records(text.head(HEAD_LINES))
    header = find_header(lines, options, name)
    header = _table_above(lines, header, options, name) or header
    top = lines[: header.line - 1] if header.line else _titles_without_header(lines, header)
    first = header.line or len(top)
    titles = read_titles(top, header.delimiter)
    match = _match(header, lines, options, name, titles)
    last = text.count
    sheet = _sheet(text, header, match, first + 1, last)
    suspects = _suspects(sheet, header, match)
    marks = _marks(sheet, header, suspects)
    blocks, own = [], header
    for place, mark in enumerate(marks):
        until = marks[place + 1].line - 1 if place + 1 < len(marks) else last
        if mark.line:
            titles = titles.updated(read_titles(mark.titles, header.delimiter))
        if mark.header is not None and mark.header.cells != own.cells:
            below = whole_records(text.head(until)[mark.last :]) if until < 5_000 else []
            match = _match(mark.header, [*[""] * mark.header.line, *below], options, name, titles)
        own = mark.header or own
        start = (mark.last if mark.line else first) + 1
        body = sheet
        if len(marks) > 1:
            body = _sheet(text, own, match, start, until)
            suspects = _suspects(body, own, match)
        body = _without_footers(body, suspects, own)
        blocks.append(Block(own, match, titles, body))
    return blocks


def _table_above(
    lines: list[str], header: Header, options: ReadOptions, name: str
) -> Header | None:
    """The header of an earlier table of laps: of exports pasted together the best header need not
    be the first. Tables of another kind above (results, entries) are read as titles.
    """
    part = lines[: header.line - 1]
    for above in headers_above(part, header, options):
        titles = read_titles(part[: above.line - 1], above.delimiter)
        try:
            match = _match(above, part, options, name, titles)
        except UserError:
            continue
        if _comes_again(above, match, part):
            return above
    return None


def _comes_again(header: Header, match: Match, lines: list[str]) -> bool:
    """A car has several rows, as laps are and results are not."""
    car = match.columns.get("transponder", match.columns.get("driver"))
    rows = [cells_of(line, header.delimiter) for line in rows_below(lines, header)]
    cars = [row[car] if car is not None else "" for row in rows if len(row) == len(header.cells)]
    return len(set(cars)) < len(cars)


def _titles_without_header(lines: list[str], header: Header) -> list[str]:
    """Lines above the first row of a file without header."""
    rows = rows_below(lines, header)
    if not rows:
        return []
    return lines[: lines.index(rows[0])]


def _match(
    header: Header, lines: list[str], options: ReadOptions, name: str, titles: Titles
) -> Match:
    if header.layout:
        return Match(header.layout, {})
    below = rows_below(lines, header)[:SAMPLE_ROWS]
    rows = [cells_of(line[:10_000], header.delimiter) for line in below]
    rows = [row for row in rows if _is_row(row, header) or not _says_something(row)]
    return match_columns(header, rows, options, name, bool(titles.facts.keys() & _PEOPLE))


def _says_something(row: list[str]) -> bool:
    """A line among the rows that is about them: a footer or a section."""
    return not _FIGURES.fullmatch("".join(row)) and (is_footer(row) or is_section(row))


def _sheet(text: Text, header: Header, match: Match, first: int, last: int) -> Sheet:
    width = len(header.cells)
    if header.layout:
        places = frozenset(p for p in range(width) if p == 0 or header.cells[p])
        region = Region(first, last, width, frozenset(), places, frozenset({0}))
    else:
        codes = frozenset(p for f, p in match.columns.items() if f in CODE_FIELDS)
        texts = frozenset(match.columns.values()) - codes
        needed = {"driver", "transponder", "lap_s", "at"} & match.columns.keys()
        must = frozenset(match.columns[field] for field in needed)
        region = Region(first, last, width, codes, texts, must)
    return read_sheet(text, header.delimiter, region)


@dataclass(frozen=True)
class _Mark:
    """Where a block begins: its first line (0: the file's first block), the last line above its
    rows, its title lines, and its header if it brings one."""

    line: int
    last: int
    titles: tuple[str, ...] = ()
    header: Header | None = None


def _marks(sheet: Sheet, header: Header, suspects: list[int]) -> list[_Mark]:
    """Blocks that begin among the rows; titles and headers there look unlike rows."""
    found = [(line, _what(sheet, line, header)) for line in suspects]
    special = {line: what for line, what in found if what}
    marks = [_Mark(0, 0)]
    line = 0
    for line in sorted(special):
        previous = marks[-1]
        if previous.line and _only_blank(sheet, previous.last, line, special):
            marks[-1] = _grown(sheet, previous, line, special[line], header)
        else:
            marks.append(_grown(sheet, _Mark(line, line), line, special[line], header))
    return [m for m in marks if not m.line or m.header is not None or _tells(m, header)]


def _tells(mark: _Mark, header: Header) -> bool:
    titles = read_titles(mark.titles, header.delimiter)
    return bool(titles.facts) or titles.names_session


def _grown(sheet: Sheet, mark: _Mark, line: int, what: str, header: Header) -> _Mark:
    if what == "header":
        cells = sheet.cells(line)
        # The row below may be wider than its header; the table of the file's top is no matter.
        row = sheet.cells(line + 1) if line < sheet.text.count else []
        cells += [""] * (len(row) - len(cells))
        own = Header(line, tuple(cells), header.delimiter, header.layout)
        return replace(mark, last=line, header=own)
    return replace(mark, last=line, titles=(*mark.titles, sheet.raw(line)))


def _only_blank(sheet: Sheet, first: int, last: int, special: dict[int, str]) -> bool:
    """No row stands between two special lines."""
    if last - first > 20:
        return False
    between = (sheet.text.line(n) for n in range(first + 1, last) if n not in special)
    return all(not text.strip(sheet.delimiter + " \t") or is_comment(text) for text in between)


def _suspects(sheet: Sheet, header: Header, match: Match) -> list[int]:
    """Lines that may be no rows: strays, and rows whose time (or lap) begins with no digit."""
    strays = [line for line, reason in sheet.strays if reason == "wrong_columns"]
    place = match.columns.get("lap_s", match.columns.get("at", match.columns.get("elapsed", 0)))
    if header.layout:
        place = 0
    column = sheet.columns.get(place)
    if column is None or not len(sheet):
        return strays[:MOST_SUSPECTS]
    odd = np.flatnonzero(~_begins_with_digit(column))[:MOST_SUSPECTS]
    return sorted({*strays[:MOST_SUSPECTS], *(int(n) for n in sheet.lines[odd])})


def _begins_with_digit(column: pa.Array) -> np.ndarray:
    """(n,) bool: the cell's first byte is a digit (a full-width one counts too)."""
    text = column.cast(pa.string()) if column.type != pa.string() else column
    offsets = np.frombuffer(text.buffers()[1], dtype=np.int32)[text.offset :][: len(text) + 1]
    data = np.frombuffer(text.buffers()[2] or b"", dtype=np.uint8)
    if not len(data):
        return np.zeros(len(text), dtype=bool)
    first = data[np.minimum(offsets[:-1], len(data) - 1)]
    digit = (first >= 48) & (first <= 57) | (first == 0xEF)
    return digit & (np.diff(offsets) > 0)


def _what(sheet: Sheet, line: int, header: Header) -> str:
    """'header', 'section' or '' for a suspected line."""
    cells = sheet.cells(line)
    filled = [cell for cell in cells if cell]
    if not filled:
        return ""
    if _is_header(cells, filled, header):
        return "header"
    if len(filled) == 1 and len(filled[0]) < 60 and names_a_session(filled[0]):
        return "section"
    return "section" if is_section(cells) and not _is_row(filled, header) else ""


def _is_row(filled: list[str], header: Header) -> bool:
    """As many cells as a row has, and more than a label and its value."""
    return len(filled) > 2 and len(filled) >= len(header.cells) - 1


def _is_header(cells: list[str], filled: list[str], header: Header) -> bool:
    if not header.line:
        return False
    if tuple(cells[: len(header.cells)]) == header.cells and len(filled) > 1:
        return True
    if header.layout:
        same = compact(cells[0]) == compact(header.cells[0]) and bool(cells[0])
        return (
            same
            and len(filled) > 1
            and not any(c.replace(".", "").isdigit() for c in filled[1:2] if len(c) < 4)
        )
    known = sum(1 for cell in filled if field_of(cell) is not None)
    return known >= 3 and known == len(filled)


def _without_footers(sheet: Sheet, suspects: list[int], header: Header) -> Sheet:
    """Without lines that end a table or remark on it: they are no rows."""
    footers = {line for line in suspects if _is_remark(sheet, line, header)}
    if not footers:
        return sheet
    kept = ~np.isin(sheet.lines, np.array(sorted(footers)))
    thinned = sheet.keep(kept) if not kept.all() else sheet
    strays = tuple(s for s in sheet.strays if s[0] not in footers)
    return Sheet(thinned.text, thinned.delimiter, thinned.columns, thinned.lines, strays)


def _is_remark(sheet: Sheet, line: int, header: Header) -> bool:
    cells = sheet.cells(line)
    filled = [cell for cell in cells if cell]
    if header.layout and filled and field_of(filled[0]) in _PEOPLE | {"class", "heat"}:
        return False
    return is_footer(cells) or _repeats_header(filled)


def _repeats_header(filled: list[str]) -> bool:
    return len(filled) > 2 and all(field_of(cell) is not None for cell in filled)
