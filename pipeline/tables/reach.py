"""How far the cells of a spreadsheet reach and how much text they hold, before it is opened.

The parts of .xlsx and .ods are told by their elements, not by their names (ECMA-376 part 1,
section 18.3.1; OpenDocument 1.2 part 1, section 9; from memory, and tried against the reader).
"""

from __future__ import annotations

import re
from array import array
from xml.parsers import expat

# Exports and team tables take 3 bytes of a packed file or more for a cell. Half a million cells
# are more than a meeting; what is allowed beyond grows with the file, up to what a laptop holds.
CELLS, CELLS_A_BYTE, MOST_CELLS = 500_000, 2, 20_000_000
BYTES_A_CELL, TEXT_A_CELL, ELEMENTS_A_CELL = 50, 20, 4
MOST_BYTES = 300_000_000

_PLACE = re.compile(r"([A-Za-z]{1,4})(\d{1,8})")
# Without one of these words no part can hold cells or texts of cells.
_WORDS = re.compile(rb"sheetData|<(?:\w+:)?s(?:st|i)\b|table-cell")
_LONGEST_WORD = 80


class TooFarError(Exception):
    """The cells reach beyond all bounds; the message is what was found."""


class Bounds:
    """What a file of so many bytes may come to, and what its parts have come to so far.

    largest: bytes of the largest part that holds cells.
    """

    def __init__(self, size: int) -> None:
        self.cells = min(CELLS + CELLS_A_BYTE * size, MOST_CELLS)
        self.reached = self.unpacked = self.elements = self.text = self.largest = 0

    def check(self, elements: int, text: int) -> None:
        """Bytes unpacked, and elements and letters of a part, beside those of the parts before."""
        if self.unpacked > min(BYTES_A_CELL * self.cells, MOST_BYTES):
            raise TooFarError(f"a spreadsheet that unpacks to over {self.unpacked // 10**6} MB")
        if self.elements + elements > ELEMENTS_A_CELL * self.cells:
            raise TooFarError(f"a spreadsheet of over {self.elements + elements:,} elements")
        if self.text + text > TEXT_A_CELL * self.cells:
            letters = f"{(self.text + text) // 10**6:,} million letters"
            raise TooFarError(f"a spreadsheet whose texts come to over {letters}")

    def take(self, elements: int, text: int) -> None:
        """A part that has ended, or text that stands once in the file and in many cells."""
        self.check(elements, text)
        self.elements += elements
        self.text += text

    def check_area(self, rows: int, columns: int) -> None:
        """A part's rectangle, beside those of the parts before it."""
        if self.reached + rows * columns > self.cells:
            raise TooFarError(
                f"a sheet that reaches over {_count(rows, 'row')} and {_count(columns, 'column')} "
                f"(a file of this size may fill {self.cells:,} cells)"
            )

    def check_sheets(self, sheets: int, cells: int = 0) -> None:
        """Several sheets may be one and the same part of the file; `cells`: what they hold."""
        if sheets * self.largest > MOST_BYTES or cells > self.cells:
            raise TooFarError(f"{sheets} sheets that are one and the same, over and over")


def _count(number: int, thing: str) -> str:
    return f"{number:,} {thing}{'s' * (number != 1)}"


class Reach:
    """One part of an archive, looked at piece by piece as it unpacks."""

    def __init__(self, bounds: Bounds) -> None:
        self.bounds = bounds
        self.excel, self.open = _ExcelCells(), _OpenCells()
        self._size = self._elements = 0
        self._broken, self._worded, self._tail = False, False, b""
        self._parser = expat.ParserCreate()
        self._parser.buffer_text = True
        self._parser.StartElementHandler = self._start
        self._parser.EndElementHandler = self._end
        self._parser.CharacterDataHandler = self._characters

    def look(self, piece: bytes) -> None:
        """Take the next piece in. Raises TooFarError as soon as it is too much."""
        text = self._tail + piece
        self._worded = self._worded or _WORDS.search(text) is not None
        self._tail = text[-_LONGEST_WORD:]
        self._parse(piece, last=False)
        self._size += len(piece)
        self.bounds.unpacked += len(piece)
        self.bounds.check(self._elements, self.excel.text + self.open.text)
        for cells in (self.excel, self.open):
            self.bounds.check_area(cells.rows, cells.columns)

    def close(self) -> None:
        """The part has ended. Raises ValueError where it holds cells but is not whole."""
        self._parse(b"", last=True)
        if self._broken and self._worded:
            raise ValueError("cells in a part that is no XML")
        self.bounds.take(self._elements, self.excel.text + self.open.text)
        for cells in (self.excel, self.open):
            self.bounds.reached += cells.rows * cells.columns
        if self._worded:
            self.bounds.largest = max(self.bounds.largest, self._size)

    def _parse(self, piece: bytes, last: bool) -> None:
        """Pictures and printer settings are no XML; nor is any cell in them."""
        if not self._broken:
            try:
                self._parser.Parse(piece, last)
            except expat.ExpatError:
                self._broken = True

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self._elements += 1
        local = name.rpartition(":")[2]
        if local in _EXCEL:
            self.excel.start(local, attributes)
        elif local in _OPEN:
            self.open.start(local, {n.rpartition(":")[2]: v for n, v in attributes.items()})

    def _end(self, name: str) -> None:
        local = name.rpartition(":")[2]
        if local in _EXCEL:
            self.excel.end(local)
        elif local in _OPEN:
            self.open.end(local)

    def _characters(self, text: str) -> None:
        self.excel.characters(text)
        self.open.characters(len(text))


_EXCEL = frozenset(("row", "c", "v", "is", "f", "si"))


class _ExcelCells:
    """Cells by their places (`B7`), or one after the other where none is given.

    rows, columns: how far those with a value reach. strings: lengths of the texts that cells may
    share. shared: for each cell that shows one of these, which.
    """

    def __init__(self) -> None:
        self.rows = self.columns = self.text = 0
        self.strings: list[int] = []
        self.shared = array("L")
        self._row = self._column = self._before = 0
        self._shares, self._index = False, ""

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "row":
            self._row = int(attributes.get("r", self._row + 1))
            self._column = 0
        elif name == "c":
            self._place(attributes.get("r"))
            self._shares = attributes.get("t") == "s"
        elif name == "si":
            self._before = self.text
        else:
            self.rows, self.columns = max(self.rows, self._row), max(self.columns, self._column)
            self._index = ""

    def _place(self, place: str | None) -> None:
        found = _PLACE.fullmatch(place) if place is not None else None
        if place is not None and found is None:
            raise ValueError(f"a cell at {place[:20]}")
        self._column += 1
        if found is not None:
            letters = found[1].upper()
            self._column = sum(
                (ord(letter) - 64) * 26**power for power, letter in enumerate(letters[::-1])
            )
            self._row = max(self._row, int(found[2]))

    def characters(self, text: str) -> None:
        self.text += len(text)
        if self._shares:
            self._index += text[:20]

    def end(self, name: str) -> None:
        if name == "si":
            self.strings.append(self.text - self._before)
        elif name == "v" and self._shares and self._index.strip().isdigit():
            self.shared.append(min(int(self._index), 2**31))
        elif name == "c":
            self._shares = False


_OPEN = frozenset(("table", "table-row", "table-cell", "covered-table-cell", "s"))


class _OpenCells:
    """Cells and rows one after the other, each perhaps many times.

    Empty ones at the end of a row or of a table are not kept by the reader; before a full one
    they are.
    """

    def __init__(self) -> None:
        self.rows = self.columns = self.text = 0
        self._table_rows = self._empty_rows = 0
        self._place = self._empty_cells = self._row_text = 0
        self._row_times = self._cell_times = 1
        self._in_cell = self._full = False
        self._cell_text = 0

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if self._in_cell and name != "s":
            raise ValueError("a table inside a cell")
        if name == "table":
            self._table_rows = self._empty_rows = 0
        elif name == "table-row":
            self._row_times = int(attributes.get("number-rows-repeated", 1))
            self._place = self._empty_cells = self._row_text = 0
        elif name == "s":
            self.characters(int(attributes.get("c", 1)))
        else:
            self._cell_times = int(attributes.get("number-columns-repeated", 1))
            self._in_cell = True
            self._full = not attributes.keys().isdisjoint(("value-type", "formula"))
            self._cell_text = len(attributes.get("string-value", ""))

    def characters(self, count: int) -> None:
        if self._in_cell:
            self._cell_text += count
            self._full = True

    def end(self, name: str) -> None:
        if name == "table-row":
            self._end_row()
        elif name.endswith("table-cell"):
            self._in_cell = False
            if self._full:
                self._place += self._empty_cells + self._cell_times
                self._row_text += self._cell_text * self._cell_times
                self._empty_cells = 0
            else:
                self._empty_cells += self._cell_times

    def _end_row(self) -> None:
        if not self._place:
            self._empty_rows += self._row_times
            return
        self._table_rows += self._empty_rows + self._row_times
        self._empty_rows = 0
        self.rows, self.columns = max(self.rows, self._table_rows), max(self.columns, self._place)
        self.text += self._row_text * self._row_times
