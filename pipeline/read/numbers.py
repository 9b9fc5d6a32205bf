"""Plain numbers in text, many at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

_WIDEST = 30
_FEW = 1_000


def plain_numbers(texts: Sequence[str | None]) -> np.ndarray:
    """Floats of texts such as 16.2, 16,2 and 1.8e-04 (n,); NaN where a text is no finite number."""
    if len(texts) <= _FEW:
        return np.array([_number(text or "") for text in texts], dtype=float)
    import pandas as pd

    column = pd.Series(np.array(texts, dtype=object))
    column = column.where(column.str.len() < _WIDEST).str.replace(",", ".")
    values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
    return np.where(np.isfinite(values), values, np.nan)


def _number(text: str) -> float:
    """The same for one text: without pandas a file of few rows is read in a tenth of the time."""
    if len(text) >= _WIDEST or "_" in text or not text.isascii():
        return np.nan
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return np.nan
    return value if np.isfinite(value) else np.nan
