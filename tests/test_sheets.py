import datetime
import zipfile

import openpyxl
import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

from pipeline.team.sheets import nearest, read_sheet

COLUMNS = ("driver", "transponder", "team")
TEXT = "driver,transponder,team\nJürgen Weiß,101,yes\n\nZoë,102,no\n"


def rows(sheet):
    return sheet.frame.loc[:, list(COLUMNS)].to_numpy().tolist()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_encodings_and_delimiters(tmp_path, encoding, delimiter):
    (tmp_path / "drivers.csv").write_bytes(TEXT.replace(",", delimiter).encode(encoding))
    sheet = read_sheet(tmp_path, "drivers", COLUMNS)
    assert rows(sheet) == [["Jürgen Weiß", "101", "yes"], ["Zoë", "102", "no"]]
    assert sheet.frame.index.to_list() == [2, 4]
    assert sheet.problems == sheet.warnings == ()


def test_lines_count_as_an_editor_does_past_comments_and_line_breaks_in_cells(tmp_path):
    text = '# how to\n\n"driver","transponder","team"\n"A\nB",1,yes\nC,2,no\n'
    (tmp_path / "drivers.csv").write_text(text)
    assert read_sheet(tmp_path, "drivers", COLUMNS).frame.index.to_list() == [4, 6]


def test_xlsx_cells_read_as_typed(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["Driver", "Transponder ", "TEAM", "from"])
    book.active.append([])
    book.active.append(["Ann", 101, True, datetime.date(2026, 5, 3)])
    book.active.append(["Bo", 1.25, "no", datetime.time(13, 45)])
    book.save(tmp_path / "drivers.xlsx")
    sheet = read_sheet(tmp_path, "drivers", (*COLUMNS, "from"))
    assert sheet.frame.to_numpy().tolist() == [
        ["Ann", "101", "yes", "2026-05-03"],
        ["Bo", "1.25", "no", "13:45:00"],
    ]
    assert sheet.frame.index.to_list() == [3, 4]


def test_ods(tmp_path):
    book, table = OpenDocumentSpreadsheet(), Table(name="one")
    for cells in (["driver", "transponder", "team"], ["Ann", "101", "yes"]):
        row = TableRow()
        for cell in cells:
            row.addElement(TableCell(valuetype="string"))
            row.lastChild.addElement(P(text=cell))
        table.addElement(row)
    book.spreadsheet.addElement(table)
    book.save(tmp_path / "drivers.ods")
    assert rows(read_sheet(tmp_path, "drivers", COLUMNS)) == [["Ann", "101", "yes"]]


def test_unknown_columns_are_kept_and_named_but_notes_are_free(tmp_path):
    (tmp_path / "drivers.csv").write_text("driver,colour,note\nAnn,red,fast\n")
    sheet = read_sheet(tmp_path, "drivers", COLUMNS)
    assert sheet.frame.loc[2, ["colour", "note", "team"]].to_list() == ["red", "fast", ""]
    assert sheet.warnings == ("drivers.csv: column 'colour' is not used",)


def test_a_header_s_typo_suggests_the_right_name(tmp_path):
    (tmp_path / "drivers.csv").write_text("driver,trnsponder,team,colour\nAnn,1,yes,red\n")
    (said,) = read_sheet(tmp_path, "drivers", COLUMNS).warnings
    assert said.endswith("'trnsponder' (did you mean 'transponder'?), 'colour' is not used")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"", "no header"),
        (b"\x89PNG\r\n\x1a\n\0\0", "NUL bytes"),
        (b"name,team\nAnn,yes\n", "expected a column 'driver'"),
        (b"driver,driver\nAnn,Bo\n", "the column 'driver' twice"),
        (b"driver,team\nArbor, Ann,yes\n", "line 2: found 3 cells"),
        (b'driver,team\n"' + b"A" * 140_000 + b'",yes\n', "cannot be split"),
    ],
)
def test_what_is_no_such_table_is_a_problem(tmp_path, text, said):
    (tmp_path / "drivers.csv").write_bytes(text)
    sheet = read_sheet(tmp_path, "drivers", COLUMNS, ["driver"])
    assert said in "\n".join(map(str, sheet.problems))


def test_a_broken_or_inflated_spreadsheet_is_a_problem(tmp_path):
    (tmp_path / "drivers.xlsx").write_bytes(b"PK\x03\x04 nothing")
    (problem,) = read_sheet(tmp_path, "drivers", COLUMNS).problems
    assert "no spreadsheet, or a damaged one" in str(problem)
    with zipfile.ZipFile(tmp_path / "drivers.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/workbook.xml", b"0" * 201_000_000)
    (problem,) = read_sheet(tmp_path, "drivers", COLUMNS).problems
    assert "unpacks to over" in str(problem)


def test_two_files_for_one_table_are_a_problem(tmp_path):
    (tmp_path / "drivers.csv").write_text(TEXT)
    (tmp_path / "drivers.ods").write_text("")
    (problem,) = read_sheet(tmp_path, "drivers", COLUMNS).problems
    assert "drivers.csv and drivers.ods" in str(problem)


def test_no_file_is_none(tmp_path):
    assert read_sheet(tmp_path, "drivers", COLUMNS) is None


def test_nearest_names_only_what_is_close():
    assert nearest("Rear_Bra", ["rear_bar", "oil"]) == "Did you mean 'rear_bar'?"
    assert nearest("xyz", ["rear_bar", "oil"]) == ""
    assert nearest("xyz", []) == ""
