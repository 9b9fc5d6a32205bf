"""Spreadsheets as text, a line a row."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime, time, timedelta
from typing import Any

from pipeline.read.loading import Text, unusable
from pipeline.tables.workbook import BookError, read_sheets


def read_workbook(data: bytes, name: str) -> list[Text]:
    """Each sheet that holds cells, as tab-delimited text with one line a row.

    Raises UserError where it is no spreadsheet, or one that reaches beyond all bounds.
    """
    try:
        texts = [_as_text(title, rows) for title, rows in read_sheets(data)]
    except BookError as error:
        raise unusable(name, error.found, error.advice) from None
    texts = [text for text in texts if text.data.strip()]
    if not texts:
        raise unusable(name, "a spreadsheet without a filled cell")
    return texts


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
