"""Spreadsheets of at most 100 kB that claim far more: `python -m tests.weapons FOLDER [NAME…]`.

Writes them into the folder, reads each as an export and as a table of the team, and prints a line
of JSON with what that said and took.
"""

from __future__ import annotations

import io
import json
import random
import struct
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
RELATED = "http://schemas.openxmlformats.org/package/2006/relationships"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
OPEN = "urn:oasis:names:tc:opendocument:xmlns:"
CELL = '<table:table-cell office:value-type="string"{0}><text:p>{1}</text:p></table:table-cell>'


def archive(parts: dict[str, str]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        for name, text in parts.items():
            packed.writestr(name, text)
    return out.getvalue()


def relations(kind: str, target: str) -> str:
    relation = f'<Relationship Id="rId1" Type="{OFFICE}/{kind}" Target="{target}"/>'
    return f'<Relationships xmlns="{RELATED}">{relation}</Relationships>'


def excel(
    cells: str,
    *,
    part: str = "worksheets/sheet1.xml",
    sheets: int = 1,
    strings: str = "",
    picture: int = 0,
) -> bytes:
    """An .xlsx; cells: what stands in sheetData. All sheets are one part. picture: its bytes."""
    names = "".join(f'<sheet name="S{i}" sheetId="{i + 1}" r:id="rId1"/>' for i in range(sheets))
    parts = {
        "[Content_Types].xml": "<Types/>",
        "_rels/.rels": relations("officeDocument", "xl/workbook.xml"),
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets>{names}</sheets>'
        "</workbook>",
        "xl/_rels/workbook.xml.rels": relations("worksheet", part),
        f"xl/{part}": f'<worksheet xmlns="{MAIN}"><sheetData>{cells}</sheetData></worksheet>',
    }
    if strings:
        parts["xl/sharedStrings.xml"] = f'<sst xmlns="{MAIN}">{strings}</sst>'
    noise = "".join(map(chr, random.Random(1).choices(range(128), k=picture)))
    return archive({**parts, "xl/media/a.png": noise})


def open_document(rows: str) -> bytes:
    """An .ods; rows: what stands in the table."""
    spaces = " ".join(f'xmlns:{n}="{OPEN}{n}:1.0"' for n in ("office", "table", "text"))
    content = (
        f"<office:document-content {spaces}><office:body><office:spreadsheet>"
        f'<table:table table:name="S">{rows}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = f'<m:manifest xmlns:m="{OPEN}manifest:1.0"/>'
    return archive({"mimetype": kind, "META-INF/manifest.xml": manifest, "content.xml": content})


def far(place: str, mark: str = '"', prefix: str = "") -> str:
    cells = (
        f"<{prefix}c r={mark}{p}{mark}><{prefix}v>1</{prefix}v></{prefix}c>" for p in ("A1", place)
    )
    return f"<{prefix}row>" + "".join(cells) + f"</{prefix}row>"


def old_spreadsheet(row: int, column: int) -> bytes:
    """An .xls with a number in one cell: a compound file with one stream of records."""

    def record(kind: int, body: bytes) -> bytes:
        return struct.pack("<HH", kind, len(body)) + body

    def begin(kind: int) -> bytes:
        return record(0x0809, struct.pack("<HHHHII", 0x0600, kind, 0, 0, 0, 0))

    end, name = record(0x000A, b""), b"S"
    sheet = begin(0x0010) + record(0x0203, struct.pack("<HHHd", row, column, 0, 1.0)) + end
    globals_ = begin(0x0005)
    length = len(globals_) + 4 + 8 + len(name) + len(end)
    globals_ += record(0x0085, struct.pack("<IHBB", length, 0, len(name), 0) + name) + end
    stream = (globals_ + sheet).ljust(4096, b"\0")
    entries = b"".join(
        title.encode("utf-16-le").ljust(64, b"\0")
        + struct.pack("<HBB3I", 2 * len(title) + 2, kind, 1, 0xFFFFFFFF, 0xFFFFFFFF, child)
        + bytes(36) + struct.pack("<IQ", start, size)
        for title, kind, child, start, size in (
            ("Root Entry", 5, 1, 0xFFFFFFFE, 0), ("Workbook", 2, 0xFFFFFFFF, 2, len(stream)),
        )
    ).ljust(512, b"\0")  # fmt: skip
    sectors = len(stream) // 512
    follows = [0xFFFFFFFD, 0xFFFFFFFE, *range(3, sectors + 2), 0xFFFFFFFE]
    follows += [0xFFFFFFFF] * (128 - len(follows))
    header = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(16)
    header += struct.pack("<HHHHH6x", 0x3E, 3, 0xFFFE, 9, 6)
    header += struct.pack("<9I", 0, 1, 1, 0, 4096, 0xFFFFFFFE, 0, 0xFFFFFFFE, 0)
    header += struct.pack("<109I", 0, *[0xFFFFFFFF] * 108)
    return header + struct.pack("<128I", *follows) + entries + stream


def shared(length: int, cells: int, more: str = "", at: str = "A1", picture: int = 0) -> bytes:
    """One long text in many cells, with more cells beside each, and one at a place."""
    rows = f'<row><c t="s"><v>0</v></c>{more}</row>' * cells + far(at)
    return excel(rows, strings=f"<si><t>{'x' * length}</t></si>", picture=picture)


def two_ends() -> bytes:
    """Two lists of contents: readers that look for another one see another file."""
    bad = excel(far("XFD1048576"))
    return bad[:-2] + struct.pack("<H", 30) + bytes(30)


COLUMNS, ROWS = ' table:number-columns-repeated="{}"', ' table:number-rows-repeated="{}"'
ROW = "<table:table-row{0}>{1}</table:table-row>"
WEAPONS: dict[str, Callable[[], bytes]] = {
    "far corner.xlsx": lambda: excel(far("XFD1048576")),
    "far row.xlsx": lambda: excel(far("A1048576")),
    "far beyond the program.xlsx": lambda: excel(far("ZZZZ99999999")),
    "another part.xlsx": lambda: excel(far("XFD1048576"), part="data.bin"),
    "a prefix.xlsx": lambda: excel(far("XFD1048576", prefix="x:")),
    "single quotes, small letters.xlsx": lambda: excel(far("xfd1048576", mark="'")),
    "a far row by its number.xlsx": lambda: excel(
        f'{far("XFD1")}<row r="1048576"><c><v>1</v></c></row>'
    ),
    "no places.xlsx": lambda: excel("<row><c><v>1</v></c></row>" * 200_000 + far("XFD9")),
    "one far cell in each sheet.xlsx": lambda: excel(far("A600000"), sheets=100),
    "shared text.xlsx": lambda: shared(32_000, 60_000),
    "one text of many megabytes.xlsx": lambda: shared(60_000_000, 2),
    "elements without end.xlsx": lambda: excel("<c/>" * 15_000_000),
    "nothing but blanks.xlsx": lambda: excel(" " * 90_000_000),
    "not whole.xlsx": lambda: excel(far("XFD1048576") + "</wrong>"),
    "two ends.xlsx": two_ends,
    "columns repeated.ods": lambda: open_document(
        ROW.format("", CELL.format(COLUMNS.format(10**9), "a"))
    ),
    "rows repeated.ods": lambda: open_document(
        ROW.format(ROWS.format(10**8), CELL.format(COLUMNS.format(100), "a"))
    ),
    "empty columns before a full one.ods": lambda: open_document(
        ROW.format("", f"<table:table-cell{COLUMNS.format(10**9)}/>" + CELL.format("", "a"))
    ),
    "empty rows before a full one.ods": lambda: open_document(
        ROW.format(ROWS.format(10**9), "<table:table-cell/>") + ROW.format("", CELL.format("", "a"))
    ),
    "spaces by number.ods": lambda: open_document(
        ROW.format("", CELL.format("", 'a<text:s text:c="4000000000"/>'))
    ),
    "long text repeated.ods": lambda: open_document(
        ROW.format("", CELL.format(COLUMNS.format(10_000), "x" * 1_000_000))
    ),
    # As much as is let through: cells, texts and elements at once.
    "the most of all.xlsx": lambda: shared(
        100, 120_000, "<c><v>1</v></c>" * 4, at="E135000", picture=69_000
    ),
    "far corner.xls": lambda: old_spreadsheet(65_535, 255),
}  # fmt: skip


def cost(name: str, folder: Path) -> dict[str, object]:
    """What reading one as an export and as a team's table said and took, the dearer of the two.

    megabytes: the most that this process has held, beyond what it held before; so weapons that
    are read in one process can only hide behind dearer ones before them.
    """
    from pipeline.errors import UserError
    from pipeline.read.export import ReadOptions, read_export
    from pipeline.team.sheets import read_sheet

    data = WEAPONS[name]()
    export, table = folder / name, folder / f"drivers{Path(name).suffix}"
    export.write_bytes(data)
    table.write_bytes(data)
    before, began = _megabytes(), time.process_time()
    said = []
    try:
        read_export(export, ReadOptions("spring", date="2026-03-28"))
    except UserError as error:
        said.append(str(error))
    between = time.process_time()
    sheet = read_sheet(folder, "drivers", ())
    table.unlink()
    said += [str(problem) for problem in sheet.problems] if sheet else []
    seconds = max(between - began, time.process_time() - between)
    about = {"name": name, "bytes": len(data), "said": said, "seconds": seconds}
    return about | {"megabytes": _megabytes() - before}


def _megabytes() -> float:
    """The most that this process has held at once; 0 where the system does not say."""
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.exists() else []
    return sum(int(line.split()[1]) / 1000 for line in lines if line.startswith("VmHWM"))


if __name__ == "__main__":
    for weapon in sys.argv[2:] or WEAPONS:
        print(json.dumps(cost(weapon, Path(sys.argv[1]))), flush=True)
