"""Cells of a row of a decision's tables, read by kind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.tables.schema import missing

Row = Mapping[str, Any]


def text(row: Row, name: str) -> str:
    """The cell as text; '' where it is empty."""
    value = row.get(name)
    return "" if missing(value) else str(value)


def number(row: Row, name: str) -> float | None:
    """The cell as a number; None where it is empty."""
    value: Any = row.get(name)
    return None if missing(value) else float(value)


def count(row: Row, name: str) -> int:
    """The cell as a whole number; 0 where it is empty."""
    return int(number(row, name) or 0)


def plural(number_of: int, noun: str, nouns: str = "") -> str:
    """'1 run', '2 runs'."""
    return f"{number_of} {noun if number_of == 1 else nouns or noun + 's'}"
