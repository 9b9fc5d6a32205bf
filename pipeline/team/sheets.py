"""The team's own tables (`.csv`, `.xlsx`, `.ods`) as frames of text with their line numbers."""

from __future__ import annotations

import csv
import datetime
import io
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import Problem, refusal
from pipeline.tables.workbook import BookError, read_sheets

if TYPE_CHECKING:
    import pandas as pd

SUFFIXES = (".csv", ".xlsx", ".ods")
FREE_TEXT = ("note", "notes", "comment", "comments")
_LIMIT = 50_000_000
_DELIMITERS = ",;\t|"
_CODE_PAGES = ["cp1252", "cp1250", "cp1251", "cp932", "cp1253"]


@dataclass(frozen=True)
class Sheet:
    """A table: text cells ('' where empty), the index named `line` counts as an editor does.

    header: the columns that the file itself has.
    """

    name: str
    frame: pd.DataFrame
    problems: tuple[Problem, ...] = ()
    warnings: tuple[str, ...] = ()
    header: frozenset[str] = frozenset()


def read_sheet(
    folder: Path, stem: str, columns: Sequence[str], required: Sequence[str] = ()
) -> Sheet | None:
    """The table `stem` of the team folder, or None where there is none.

    Columns that are not in `columns` are kept and named in a warning (free text such as `note`
    is kept silently). Columns of `columns` that the file lacks come back empty; faults come back
    as problems, never as exceptions.
    """
    paths = [folder / f"{stem}{suffix}" for suffix in SUFFIXES]
    paths = [path for path in paths if path.is_file()]
    if not paths:
        return None
    if len(paths) > 1:
        names = " and ".join(path.name for path in paths)
        return _nothing(stem, columns, Problem(names, f"one table of {stem}", advice="Remove one"))
    return read_file(paths[0], columns, required)


def read_file(
    path: Path, columns: Sequence[str], required: Sequence[str] = (), name: str = ""
) -> Sheet:
    """The same of one file; `name` is how messages call it."""
    name = name or path.name
    try:
        rows = _cells(path)
    except OSError as error:
        problem = Problem(refusal(error), "a file that can be read", name)
        return _nothing(name, columns, problem)
    except _UnreadableError as error:
        return _nothing(name, columns, Problem(str(error), "a table", name, advice=error.advice))
    if not rows:
        found = Problem("no header", f"the columns {', '.join(required)}", where=name)
        return _nothing(name, columns, found)
    return _to_sheet(name, rows, columns, required)


def _nothing(name: str, columns: Sequence[str], problem: Problem) -> Sheet:
    import pandas as pd

    empty = pd.DataFrame(columns=list(columns), index=pd.Index([], name="line", dtype=int))
    return Sheet(name, empty.astype(object), (problem,))


def _to_sheet(
    name: str,
    rows: list[tuple[int, list[str]]],
    columns: Sequence[str],
    required: Sequence[str],
) -> Sheet:
    import pandas as pd

    line, header = rows[0]
    names = [column_name(cell) for cell in header]
    problems = _header_problems(name, line, names, required)
    problems += [
        Problem(
            f"{len(cells)} cells", f"at most {len(names)}, as in the header", name, number,
            advice="Quote a cell that holds the delimiter",
        )
        for number, cells in rows[1:]
        if len(cells) > len(names)
    ]  # fmt: skip
    data = [(cells + [""] * len(names))[: len(names)] for _, cells in rows[1:]]
    index = pd.Index([number for number, _ in rows[1:]], name="line", dtype=int)
    frame = pd.DataFrame(data, columns=names, index=index, dtype=object)
    frame = frame.loc[:, (~frame.columns.duplicated()) & (frame.columns != "")]
    for missing in [column for column in columns if column not in names]:
        frame[missing] = ""
    unknown = [n for n in dict.fromkeys(names) if n and n not in {*columns, *FREE_TEXT}]
    spare = [column for column in columns if column not in names]
    warning = f"{name}: column {columns_with_nearest(unknown, spare)} is not used"
    warnings = (warning,) if unknown else ()
    return Sheet(name, frame, tuple(problems), warnings, frozenset(names))


def _header_problems(
    name: str, line: int, names: list[str], required: Sequence[str]
) -> list[Problem]:
    problems = [
        Problem(f"the column '{column}' twice", "each column once", name, line)
        for column, times in sorted(Counter(names).items())
        if column and times > 1
    ]
    for column in required:
        if column not in names:
            advice = nearest(column, [n for n in names if n not in required], "Is it the column")
            found = f"columns {', '.join(filter(None, names)) or 'without names'}"
            problems.append(Problem(found, f"a column '{column}'", name, line, advice=advice))
    return problems


def column_name(cell: str) -> str:
    """A header cell as a name: ' Rear Bar ' is `rear_bar`."""
    return re.sub(r"[\s\-]+", "_", cell.strip().casefold())


def nearest(word: str, names: Iterable[str], question: str = "Did you mean") -> str:
    """'Did you mean '…'?' for the known name closest to `word`, or '' if none is close."""
    from rapidfuzz import fuzz, process

    choices = [str(name) for name in names]
    best = process.extractOne(word, choices, scorer=fuzz.ratio, processor=str.casefold)
    return f"{question} '{best[0]}'?" if best and best[1] >= 60 else ""


def columns_with_nearest(unused: Iterable[str], spare: Sequence[str]) -> str:
    """Quoted names of columns, each with that of the spare ones that may be meant."""
    close = {name: nearest(name, spare, "did you mean") for name in unused}
    return ", ".join(f"'{name}'" + (f" ({said})" if said else "") for name, said in close.items())


class _UnreadableError(Exception):
    """The file is no table; the message is what was found."""

    def __init__(self, found: str, advice: str = "") -> None:
        super().__init__(found)
        self.advice = advice


def _cells(path: Path) -> list[tuple[int, list[str]]]:
    """Rows that hold anything, with their line; `#` starts a comment line."""
    if path.stat().st_size > _LIMIT:
        raise _UnreadableError(f"{path.stat().st_size // 1_000_000} MB")
    packed = path.suffix.lower() in (".xlsx", ".ods")
    rows = _workbook_cells(path) if packed else _csv_cells(path)
    return [(n, c) for n, c in rows if any(c) and not c[0].startswith("#")]


def _csv_cells(path: Path) -> list[tuple[int, list[str]]]:
    raw = path.read_bytes()
    text = raw.decode(encoding_of(raw), errors="replace")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter_of(text))
    rows, line = [], 1
    try:
        for cells in reader:
            rows.append((line, _trim(cells)))
            line = reader.line_num + 1
    except csv.Error as error:
        raise _UnreadableError(f"line {line} that cannot be split ({error})") from None
    return rows


def _trim(cells: list[str]) -> list[str]:
    """Cells without outer space; empty cells past the last full one go."""
    cells = [cell.strip().replace("\u00a0", " ") for cell in cells]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def delimiter_of(text: str) -> str:
    """What parts the cells of a table: that which its first line has most of."""
    lines = text.splitlines()
    first = next((n for n in lines if n.strip() and not n.lstrip('"').startswith("#")), "")
    return max(_DELIMITERS, key=first.count)


def encoding_of(raw: bytes) -> str:
    """How a table's text is written, by its marks, as UTF-8, or else by what it looks like."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    if b"\0" in raw:
        raise _UnreadableError("NUL bytes (not a text file)")
    try:
        raw.decode("utf-8")
        return "utf-8-sig" if raw.startswith(b"\xef\xbb\xbf") else "utf-8"
    except UnicodeDecodeError:
        from charset_normalizer import from_bytes

        best = from_bytes(raw, cp_isolation=_CODE_PAGES).best()
        return best.encoding if best else "cp1252"


def _workbook_cells(path: Path) -> list[tuple[int, list[str]]]:
    try:
        _, rows = next(read_sheets(path.read_bytes()), ("", []))
    except BookError as error:
        raise _UnreadableError(error.found, error.advice) from None
    return [(n, _trim([_cell_text(v) for v in row])) for n, row in enumerate(rows, start=1)]


def _cell_text(value: Any) -> str:
    """A spreadsheet's cell as a person would have typed it into a CSV."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, datetime.datetime):
        midnight = value.time() == datetime.time()
        return value.date().isoformat() if midnight else value.isoformat(sep=" ")
    return str(value)
