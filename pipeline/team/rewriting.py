"""One column of a team table changed in place: comments, order and all other cells stay."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import UserError
from pipeline.team.sheets import column_name, delimiter_of, encoding_of, read_file
from pipeline.team.tables import plain

# A field of a CSV and what ends it, as Python's csv module reads it: a quote opens at the start
# alone, two stand for one, and what follows the closing one belongs to the field.
_FIELD = r'("(?:[^"]|"")*(?:"[^{0}\r\n]*|\Z)|[^{0}\r\n]*)({0}|\r\n|\r|\n|\Z)'


def with_new_names(path: Path, column: str, names: Mapping[str, str], where: str) -> bytes | None:
    """The file's bytes with the cells of `column` by their new names; None where none is meant.

    names: plain name -> new name. where: how messages call the file. Raises UserError, with the
    lines, for a spreadsheet that has such cells: only a person can change it as it stands.
    """
    if path.suffix.lower() != ".csv":
        _refuse_spreadsheet(path, column, names, where)
        return None
    raw = path.read_bytes()
    if not raw.strip():
        return None
    encoding = encoding_of(raw)
    text = raw.decode(encoding, errors="replace")
    new = _changed(text, column, names)
    if new == text:
        return None
    if text.encode(encoding, errors="replace") != raw or not _can_hold(new, encoding):
        raise UserError(f"{where} cannot be changed without loss; save it as UTF-8 text first")
    return new.encode(encoding)


def _refuse_spreadsheet(path: Path, column: str, names: Mapping[str, str], where: str) -> None:
    frame = read_file(path, (), (), where).frame
    if column not in frame:
        return
    found = [(line, names[plain(cell)]) for line, cell in frame[column].items()
             if plain(cell) in names]  # fmt: skip
    if found:
        lines = ", ".join(str(line) for line, _ in found)
        raise UserError(
            f"{where} is a spreadsheet and is not changed by a command; nothing was changed. Write "
            f"'{found[0][1]}' into its column '{column}' (line {lines}), then give the command "
            "again: it does the rest"
        )


def _can_hold(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def _changed(text: str, column: str, names: Mapping[str, str]) -> str:
    delimiter = delimiter_of(text)
    rows = _split(text, delimiter)
    head = next((row for row in rows if any(row[::2]) and not _is_comment(row)), [])
    places = [n for n, cell in enumerate(head[::2]) if column_name(_value(cell)) == column]
    for row in rows if places else []:
        place = 2 * places[0]
        name = names.get(plain(_value(row[place]))) if place < len(row) else None
        if name is not None and row is not head and not _is_comment(row):
            row[place] = _quoted(name, delimiter)
    return "".join(part for row in rows for part in row)


def _split(text: str, delimiter: str) -> list[list[str]]:
    """Rows of fields as they are written, each followed by what ends it."""
    field = re.compile(_FIELD.format(re.escape(delimiter)))
    rows: list[list[str]] = [[]]
    place = 0
    while place < len(text):
        match = field.match(text, place)
        assert match is not None
        rows[-1] += match.groups()
        place = match.end()
        if match[2] != delimiter:
            rows.append([])
    return rows


def _is_comment(row: list[str]) -> bool:
    return bool(row) and _value(row[0]).startswith("#")


def _value(field: str) -> str:
    quoted = re.match(r'"((?:[^"]|"")*)"?(.*)', field, re.DOTALL)
    return (quoted[1].replace('""', '"') + quoted[2] if quoted else field).strip()


def _quoted(name: str, delimiter: str) -> str:
    return '"' + name.replace('"', '""') + '"' if re.search(rf'["\r\n{delimiter}]', name) else name
