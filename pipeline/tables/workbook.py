"""Spreadsheets as rows of cells, within bounds: a small file can claim more than a machine holds.

A sheet is held as the whole rectangle from its first cell to its last, so that one cell in a far
corner costs gigabytes. Before a spreadsheet is opened, every part of the file is looked at as it
unpacks, whatever it is called: how far its cells reach and how much text they come to. What may
be is in proportion to the file's size.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from typing import Any

from pipeline.tables.compound import old_reach
from pipeline.tables.reach import Bounds, Reach, TooFarError

LARGEST_BOOK = 50_000_000  # bytes of the file
MOST_SHEETS = 100
_OLD = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ARCHIVE_END = b"PK\x05\x06"
_PIECE = 1_000_000
_DAMAGED = "an archive that is no spreadsheet, or a damaged one"


class BookError(Exception):
    """The file is no spreadsheet that can be read: what was found, and what to do."""

    def __init__(self, found: str, advice: str = "") -> None:
        super().__init__(found)
        self.found, self.advice = found, advice


def is_workbook(start: bytes) -> bool:
    """True for the first bytes of .xlsx, .ods (zip archives) and .xls."""
    return start.startswith((b"PK\x03\x04", _OLD))


def read_sheets(data: bytes) -> Iterator[tuple[str, list[list[Any]]]]:
    """Title and rows of each sheet, from its cell A1 on; the rows of a sheet are equally long.

    Raises BookError where it is no spreadsheet, or one that reaches beyond all bounds.
    """
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError

    try:
        bounds = _within_bounds(data)
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        titles = book.sheet_names[:MOST_SHEETS]
        bounds.check_sheets(len(titles))
        reached = 0
        for place, title in enumerate(titles):
            rows = book.get_sheet_by_index(place).to_python(skip_empty_area=False)
            reached += len(rows) * len(rows[0]) if rows else 0
            bounds.check_sheets(place + 1, reached)
            yield title, rows
    except TooFarError as error:
        advice = "Delete what stands far from the table, or export it as CSV."
        raise BookError(str(error), advice) from None
    except PasswordError:
        raise BookError("a spreadsheet with a password", "Save it without one.") from None
    except (CalamineError, OSError, ValueError, KeyError, zipfile.BadZipFile, zlib.error):
        raise BookError(_DAMAGED) from None
    except BaseException as error:
        # What the reader's own language calls a panic is no Exception of Python's.
        if type(error).__name__ == "PanicException":
            raise BookError(_DAMAGED) from None
        raise


def _within_bounds(data: bytes) -> Bounds:
    """Look at how far the cells of the file reach. Raises TooFarError, BookError."""
    if len(data) > LARGEST_BOOK:
        raise BookError(f"a spreadsheet of {len(data) / 1e6:.0f} MB", "Export it as CSV.")
    bounds = Bounds(len(data))
    if data.startswith(_OLD):
        old_reach(data, bounds)
        return bounds
    # Two lists of contents, or one that does not end the file, could be read in two ways.
    if data[-22:-18] != _ARCHIVE_END:
        raise BookError(_DAMAGED)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        entries = archive.infolist()
    if any(entry.filename.casefold().endswith("workbook.bin") for entry in entries):
        raise BookError("a binary workbook (.xlsb)", "Save it as .xlsx, or export it as CSV.")
    lengths: list[int] = []
    shared: Counter[int] = Counter()
    for entry in entries:
        part = Reach(bounds)
        for piece in _pieces(data, entry):
            part.look(piece)
        part.close()
        lengths += part.excel.strings
        shared.update(part.excel.shared)
    bounds.take(0, sum(shared[place] * length for place, length in enumerate(lengths)))
    return bounds


def _pieces(data: bytes, entry: zipfile.ZipInfo) -> Iterator[bytes]:
    """The unpacked bytes of an entry, a megabyte at a time, whatever its header claims."""
    start = entry.header_offset
    names, extra = (int.from_bytes(data[start + at : start + at + 2], "little") for at in (26, 28))
    start += 30 + names + extra
    packed = data[start : start + entry.compress_size]
    if entry.compress_type == zipfile.ZIP_STORED:
        for first in range(0, len(packed), _PIECE):
            yield packed[first : first + _PIECE]
        return
    if entry.compress_type != zipfile.ZIP_DEFLATED:
        raise BookError(_DAMAGED)
    unpack = zlib.decompressobj(-15)
    while packed and not unpack.eof:
        piece = unpack.decompress(packed, _PIECE)
        packed = unpack.unconsumed_tail
        if piece:
            yield piece
