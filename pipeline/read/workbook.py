"""Spreadsheets as text, within bounds: a small file can unpack to more than any machine holds."""

from __future__ import annotations

import csv
import io
import re
import zipfile
import zlib
from datetime import date, datetime, time, timedelta
from typing import Any

from pipeline.read.loading import Text, unusable

LARGEST_BOOK = 50_000_000
LARGEST_UNPACKED = 300_000_000
MOST_CELLS = 20_000_000
_CELL = re.compile(rb'<(?:\w+:)?c\s[^>]*?r="([A-Z]{1,4})(\d{1,8})"')
_REPEATED = re.compile(rb'number-(columns|rows)-repeated="(\d+)"')
_OLD = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def is_workbook(start: bytes) -> bool:
    """True for the first bytes of .xlsx, .ods (zip archives) and .xls."""
    return start.startswith((b"PK\x03\x04", _OLD))


def read_workbook(data: bytes, name: str) -> list[Text]:
    """Each sheet that holds cells, as tab-delimited text with one line a row.

    Raises UserError where it is no spreadsheet, or one that unpacks beyond all bounds.
    """
    from python_calamine import CalamineError, CalamineWorkbook

    if len(data) > LARGEST_BOOK:
        raise unusable(name, f"a spreadsheet of {len(data) / 1e6:.0f} MB", "Export it as CSV.")
    if data.startswith(b"PK"):
        _refuse_bomb(data, name)
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheets = [(title, book.get_sheet_by_name(title)) for title in book.sheet_names[:100]]
        texts = [_as_text(title, sheet.to_python(skip_empty_area=False)) for title, sheet in sheets]
    except (CalamineError, OSError, ValueError, KeyError, zipfile.BadZipFile):
        raise unusable(name, "an archive that is no spreadsheet, or a damaged one") from None
    texts = [text for text in texts if text.data.strip()]
    if not texts:
        raise unusable(name, "a spreadsheet without a filled cell")
    return texts


def _refuse_bomb(data: bytes, name: str) -> None:
    """Unpack piece by piece, counting, and look at how far the cells reach."""
    total = 0
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for entry in archive.infolist():
                total = _count_entry(data, entry, total, name)
    except (zipfile.BadZipFile, zlib.error, ValueError, NotImplementedError, IndexError):
        raise unusable(name, "an archive that is no spreadsheet, or a damaged one") from None


def _count_entry(data: bytes, entry: zipfile.ZipInfo, total: int, name: str) -> int:
    is_sheet = entry.filename.endswith(".xml") and (
        "sheet" in entry.filename or entry.filename == "content.xml"
    )
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise NotImplementedError
    reach = _Reach()
    for piece in _pieces(data, entry):
        total += len(piece)
        if total > LARGEST_UNPACKED:
            raise unusable(name, "a spreadsheet that unpacks to hundreds of megabytes")
        if is_sheet:
            reach.look(piece)
            if reach.cells > MOST_CELLS:
                raise unusable(name, "a spreadsheet that claims millions of empty cells")
    return total


def _pieces(data: bytes, entry: zipfile.ZipInfo) -> Any:
    """The unpacked bytes of an entry, a megabyte at a time, whatever its header claims."""
    start = entry.header_offset
    names, extra = (int.from_bytes(data[start + at : start + at + 2], "little") for at in (26, 28))
    start += 30 + names + extra
    packed = data[start : start + entry.compress_size]
    if entry.compress_type == zipfile.ZIP_STORED:
        yield packed
        return
    unpack = zlib.decompressobj(-15)
    while packed and not unpack.eof:
        piece = unpack.decompress(packed, 1_000_000)
        packed = unpack.unconsumed_tail
        if piece:
            yield piece


class _Reach:
    """How many cells a sheet spans: the rectangle of its cells, or what it repeats."""

    def __init__(self) -> None:
        self.columns = self.rows = 1
        self.tail = b""

    @property
    def cells(self) -> int:
        return self.columns * self.rows

    def look(self, piece: bytes) -> None:
        text = self.tail + piece
        for letters, row in _CELL.findall(text):
            self.columns = max(self.columns, _column(letters))
            self.rows = max(self.rows, int(row))
        self._look_at_repeats(text)
        self.tail = text[-200:]

    def _look_at_repeats(self, text: bytes) -> None:
        """Repeated cells count where they hold a value; empty ones are how .ods ends a sheet."""
        for match in re.finditer(rb"<table:table-cell[^>]*>", text):
            tag = match.group()
            found = _REPEATED.search(tag)
            if found and b"value" in tag:
                self.columns = max(self.columns, int(found.group(2)[:9]))
        for match in re.finditer(rb"<table:table-row[^>]*>\s*<table:table-cell([^>]*)>", text):
            found = _REPEATED.search(match.group().split(b">")[0])
            if found and b"value" in match.group(1):
                self.rows = max(self.rows, int(found.group(2)[:9]))


def _column(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _as_text(title: str, rows: list[list[Any]]) -> Text:
    out = io.StringIO()
    writer = csv.writer(out, delimiter="\t", lineterminator="\n")
    for row in rows:
        cells = [as_written(cell) for cell in row]
        while cells and not cells[-1]:
            cells.pop()
        writer.writerow(cells)
    return Text(out.getvalue().encode("utf-8", "replace"), "spreadsheet", title)


def as_written(cell: Any) -> str:
    """A cell as text that a person would have typed."""
    if isinstance(cell, bool) or cell is None:
        return "" if cell is None else str(cell)
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime):
        moment = cell.isoformat(sep=" ")
        return moment.split(" ")[1] if cell.year <= 1900 else moment
    if isinstance(cell, timedelta):
        return _span(cell)
    if isinstance(cell, date | time):
        return cell.isoformat()
    return " ".join(str(cell).replace("\x00", " ").split())


def _span(length: timedelta) -> str:
    micros = round(length.total_seconds() * 1e6)
    sign, micros = ("-", -micros) if micros < 0 else ("", micros)
    seconds, micros = divmod(micros, 1_000_000)
    return f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{micros:06d}"
