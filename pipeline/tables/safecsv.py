"""CSV for spreadsheets: no cell of ours runs as a formula."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

# A spreadsheet takes these first characters for the start of a formula (OWASP, "CSV Injection").
# So it does of their full-width forms, and behind signs of no width.
_NO_WIDTH = "\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff\u00ad"
_FORMULA = rf"^[\s{_NO_WIDTH}]*[=+\-@\t\r\uff1d\uff0b\uff0d\uff20]|^[\t\r]"
_NUMBER = r"^[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?$"

_SUSPECT = re.compile(f"{_FORMULA}|\r")


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """`frame` as UTF-8 CSV without its index; text that looks like a formula gets a `'`.

    Numbers stay as they are, also signed ones in text columns (`+1`).
    """
    return neutralise(frame).to_csv(index=False, lineterminator="\n").encode()


def neutralise(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with every text cell, and column name, that would run made harmless."""
    out = frame.copy()
    for name in out.columns:
        if out[name].dtype.kind in "OSU" or str(out[name].dtype) in ("str", "string", "category"):
            out[name] = _harmless(out[name])
    out.columns = _harmless(out.columns.to_series()).to_list()
    return out


def _harmless(column: pd.Series) -> pd.Series:
    if not any(map(_SUSPECT.search, column.dropna().astype(str).unique())):
        return column
    column = column.astype(object)
    text = column.where(column.notna(), "").astype(str)
    column = column.where(~text.str.contains("\r"), text.str.replace("\r", " "))
    bad = text.str.contains(_FORMULA, regex=True) & ~text.str.match(_NUMBER)
    return column.where(~bad, "'" + text.str.replace("\r", " "))


def bare(text: str) -> str:
    """A cell without the sign that keeps a spreadsheet from running it."""
    return text[1:] if text.startswith("'") and re.match(_FORMULA, text[1:]) else text
