"""How far the cells of an old spreadsheet (.xls) reach, before it is opened.

A compound file (MS-CFB) holds streams as chains of sectors; the stream of the workbook is records
of a kind, a length and a body (MS-XLS). From memory of both.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from pipeline.tables.reach import Bounds

_LAST = 0xFFFFFFFA  # sector numbers from here on are marks: end of chain, free, list of sectors
_STREAMS = ("workbook", "book")
_ENTRY, _SMALL, _SMALL_SECTOR = 128, 4096, 64
_SHEET = 0x0809  # a stream of records begins: the workbook's own or a sheet's
# Number, label, yes/no or error, formula, text by number, small number, rich text, and the two
# older forms without shared texts; rows of small numbers and of blanks end with their last column.
_CELLS = frozenset((0x0203, 0x0204, 0x0205, 0x0006, 0x00FD, 0x027E, 0x00D6, 0x0002, 0x0003, 0x0004))
_ROWS_OF_CELLS = frozenset((0x00BD, 0x00BE))


def old_reach(data: bytes, bounds: Bounds) -> None:
    """Count the cells of a file. Raises TooFarError, or ValueError where it is damaged."""
    try:
        stream = _Compound(data).workbook()
        bounds.largest = len(stream)
        rows = columns = 0
        for kind, body in _records(stream):
            if kind == _SHEET:
                bounds.reached += rows * columns
                rows = columns = 0
            elif kind in _CELLS or kind in _ROWS_OF_CELLS:
                row, column = struct.unpack_from("<HH", body)
                if kind in _ROWS_OF_CELLS:
                    (column,) = struct.unpack_from("<H", body, len(body) - 2)
                rows, columns = max(rows, row + 1), max(columns, column + 1)
                bounds.check_area(rows, columns)
    except (struct.error, IndexError):
        raise ValueError("a compound file that breaks off") from None


def _records(stream: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    while at + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, at)
        yield kind, stream[at + 4 : at + 4 + length]
        at += 4 + length


class _Compound:
    """The streams of a compound file."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.size = 1 << min(struct.unpack_from("<H", data, 30)[0], 16)
        first, _, _, small_first, _, more = struct.unpack_from("<6I", data, 48)
        self.next = _numbers(b"".join(map(self._sector, self._lists(more))))
        self.small_next = _numbers(self._chain(small_first))
        self.entries = self._chain(first)

    def _sector(self, number: int) -> bytes:
        return self.data[(number + 1) * self.size : (number + 2) * self.size]

    def _lists(self, more: int) -> Iterator[int]:
        """The sectors that hold the list of which sector follows which."""
        numbers = _numbers(self.data[76:512])
        for _ in range(len(self.data) // self.size + 1):
            yield from (number for number in numbers if number < _LAST)
            if more >= _LAST:
                return
            *numbers, more = _numbers(self._sector(more))

    def _chain(self, sector: int) -> bytes:
        found: list[bytes] = []
        while sector < _LAST and len(found) <= len(self.next):
            found.append(self._sector(sector))
            sector = self.next[sector]
        return b"".join(found)

    def workbook(self) -> bytes:
        """The records. Raises ValueError where there is no such stream."""
        for at in range(0, len(self.entries), _ENTRY):
            name = self.entries[at : at + 64].decode("utf-16-le", "replace").split("\0")[0]
            if name.casefold() in _STREAMS:
                sector, length = struct.unpack_from("<II", self.entries, at + 116)
                chain = self._chain(sector) if length >= _SMALL else self._small(sector)
                return chain[:length]
        raise ValueError("a compound file without a workbook")

    def _small(self, sector: int) -> bytes:
        """A short stream: sectors of 64 bytes inside the stream of the first entry."""
        inside = self._chain(struct.unpack_from("<I", self.entries, 116)[0])
        found: list[bytes] = []
        while sector < _LAST and len(found) <= len(self.small_next):
            found.append(inside[sector * _SMALL_SECTOR : (sector + 1) * _SMALL_SECTOR])
            sector = self.small_next[sector]
        return b"".join(found)


def _numbers(raw: bytes) -> list[int]:
    return list(struct.unpack(f"<{len(raw) // 4}I", raw[: len(raw) // 4 * 4]))
