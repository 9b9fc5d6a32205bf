"""The rows of an export as they stand in it, for what is set aside after reading."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import UserError
from pipeline.read.loading import decode, read_bytes
from pipeline.read.table import LONGEST_RAW
from pipeline.read.workbook import read_workbook
from pipeline.tables.workbook import is_workbook


def raw_rows(path: Path, lines: Iterable[int]) -> dict[int, str]:
    """Line -> its text. Empty where the file cannot be read any more, or has several sheets, whose
    lines are numbered alike."""
    try:
        data = read_bytes(path, path.name)
        texts = read_workbook(data, path.name) if is_workbook(data) else [decode(data, path.name)]
    except UserError:
        return {}
    text = texts[0]
    return (
        {n: text.line(n)[:LONGEST_RAW] for n in lines if n <= text.count} if not texts[1:] else {}
    )
