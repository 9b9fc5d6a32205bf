"""Spreadsheets as exports, and spreadsheets as weapons."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P
from openpyxl.styles import PatternFill

from pipeline.errors import UserError
from pipeline.read import Export, ReadOptions, read_export

OPTIONS = ReadOptions(meeting="spring", date="2026-03-28", timezone="Europe/Berlin")


def read(data: bytes, folder: Path, name: str = "export.xlsx") -> Export:
    path = folder / name
    path.write_bytes(data)
    return read_export(path, OPTIONS)


def saved(book: openpyxl.Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_durations_as_the_spreadsheet_keeps_them(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Qualifying 2"])
    sheet.append(["Start:", dt.time(10, 32, 5)])
    sheet.append(["Driver", "Transponder", "Lap", "Lap time", "Time of day"])
    at = dt.datetime(2026, 3, 28, 10, 32, 5)
    kept = [dt.timedelta(seconds=16.25), 16.25 / 86_400, "0:16.25", 16.25, "16,25"]
    for lap, value in enumerate(kept, 1):
        at += dt.timedelta(seconds=16.25)
        sheet.append(["Ada Quill", 1234567, lap, value, at])
    export = read(saved(book), tmp_path)
    np.testing.assert_allclose(export.laps["lap_s"], 16.25, atol=1e-3)
    assert set(export.laps["transponder"]) == {"1234567"}
    assert set(export.laps["session"]) == {"Qualifying 2"}
    assert str(export.laps["at"].iloc[0]) == "2026-03-28 09:32:21.250000+00:00"
    assert export.laps["source_line"].tolist() == [4, 5, 6, 7, 8]


def test_each_sheet_is_a_session(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for title in ("Heat 1", "Heat 2"):
        sheet = book.create_sheet(title)
        sheet.append(["Lap", "Ada", "Bo"])
        for lap in range(1, 5):
            sheet.append([lap, 16.2 + lap / 100, 16.5])
    book.active["A1"] = "notes"
    export = read(saved(book), tmp_path)
    assert export.sessions["session"].tolist() == ["Heat 1", "Heat 2"]
    assert export.rows_in == export.rows_kept == 16
    assert "sheet 'Sheet' was left out" in export.warnings[0]


def _ods(rows: list[list[str]], **repeat: str) -> bytes:
    document, table = OpenDocumentSpreadsheet(), Table(name="S")
    for cells in rows:
        row = TableRow(**{k: v for k, v in repeat.items() if "rows" in k})
        for text in cells:
            kind = {"valuetype": "float", "value": "1"} if repeat else {"valuetype": "string"}
            columns = {k: v for k, v in repeat.items() if "columns" in k}
            cell = TableCell(**kind, **columns)
            cell.addElement(P(text=text))
            row.addElement(cell)
        table.addElement(row)
    document.spreadsheet.addElement(table)
    out = io.BytesIO()
    document.save(out)
    return out.getvalue()


def test_open_document(tmp_path: Path) -> None:
    rows = [["Fahrer", "Runde", "Rundenzeit"], *(["Ada", str(i), f"16,{i}"] for i in range(1, 6))]
    export = read(_ods(rows), tmp_path, "q1.ods")
    assert export.laps["lap_s"].tolist() == [16.1, 16.2, 16.3, 16.4, 16.5]


def test_bombs_are_refused(tmp_path: Path) -> None:
    """tests/weapons.py has more of them."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<a/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 50_000_000)
    with pytest.raises(UserError, match="unpacks to over 30 MB"):
        read(packed.getvalue(), tmp_path)
    book = openpyxl.Workbook()
    book.active["A1"], book.active["XFD1048576"] = "Driver", 1
    with pytest.raises(UserError, match="1,048,576 rows and 16,384 columns"):
        read(saved(book), tmp_path)
    wide = _ods([["1"]], numberrowsrepeated="1000000", numbercolumnsrepeated="10000")
    with pytest.raises(UserError, match="over 10,000 million letters"):
        read(wide, tmp_path, "bomb.ods")


def test_far_cells_that_are_only_coloured_are_no_matter(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for row in (["Lap", "Ada"], *([lap, 16.5] for lap in range(1, 6))):
        book.active.append(row)
    for place in ("XFD1", "A1048576", "Z900"):
        book.active[place].fill = PatternFill("solid", "FFFF00")
    assert len(read(saved(book), tmp_path).laps) == 5


def test_a_days_worth_of_passings_in_one_sheet(tmp_path: Path) -> None:
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("passings")
    sheet.append(["Time of day", "Transponder", "Driver", "Class", "Heat", "Remark"])
    begin = dt.datetime(2026, 3, 28, 9)
    for number in range(20_000):
        at = begin + dt.timedelta(seconds=1.6 * number)
        car = number % 10
        sheet.append([at, 7_000_000 + car, f"Driver {car}", "touring", "1", "as it was" * 9])
    assert read(saved(book), tmp_path).rows_in == 20_000


def test_a_cut_or_changed_spreadsheet_is_refused_or_read(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["Lap", "Ada"])
    for lap in range(1, 5):
        book.active.append([lap, 16.5])
    data = saved(book)
    chance = np.random.default_rng(8)
    for _ in range(60):
        broken = bytearray(data[: chance.integers(10, len(data))])
        broken[chance.integers(0, len(broken))] ^= 0xFF
        try:
            export = read(bytes(broken), tmp_path)
        except UserError:
            continue
        assert export.rows_in == export.rows_kept + len(export.set_aside)
