"""A frame under check: each column is read at once, whatever is wrong with it is collected."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Collection, Mapping
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import Problem
from pipeline.team.sheets import column_name, nearest

if TYPE_CHECKING:
    import pandas as pd

    Array = np.ndarray[Any, Any]

TEXT = "text"
DAY = "a date, as 2026-05-03, without a time"
MOMENT = "a local date and time, as 2026-05-03T10:15:00, without a zone"
SHOWN = 3


class Columns:
    """The columns of one frame of R rows; a column that is missing reads as nothing at all.

    problems: one a column and kind of fault, with the first rows that show it, counted from 0.
    """

    def __init__(self, name: str, frame: pd.DataFrame, problems: list[Problem]) -> None:
        self.name, self.frame, self.problems = name, frame, problems
        self.names = list(map(str, frame.columns))

    def __len__(self) -> int:
        return len(self.frame)

    def require(self, needed: Mapping[str, str], optional: Mapping[str, str]) -> None:
        """Faults for columns that are needed and not there, twice there, or nearly so called.

        needed, optional: column -> what stands in it.
        """
        known = {*needed, *optional}
        others = [name for name in self.names if name not in known]
        for name in [name for name in needed if name not in self.names]:
            advice = nearest(name, others, "Is it the column")
            self.fault("no such column", needed[name], name, advice)
        for name in others:
            if column_name(name) in optional and column_name(name) not in self.names:
                self.fault("a column of that name", f"'{column_name(name)}'", name)
        for name in sorted({name for name in known if self.names.count(name) > 1}):
            self.fault("the column twice", "each column once", name)

    def has(self, column: str) -> bool:
        return self.names.count(column) == 1

    def fault(self, found: str, expected: str, column: str, advice: str = "") -> None:
        self.problems.append(Problem(found, expected, self.name, None, column, advice))

    def rows(self, wrong: Array, expected: str, column: str, advice: str = "") -> None:
        """A fault for the rows `wrong` (R,) of a column, if there are any."""
        places = np.flatnonzero(wrong)
        if not len(places):
            return
        cells = [_shown(self.frame[column].iloc[int(place)]) for place in places[:SHOWN]]
        listed = [f"{cell} in row {place}" for cell, place in zip(cells, places, strict=False)]
        more = f" and {len(places) - SHOWN} more" if len(places) > SHOWN else ""
        self.fault(", ".join(listed) + more, expected, column, advice)

    def each(
        self,
        column: str,
        read: Callable[[Any], Any],
        expected: str,
        *,
        needed: bool = False,
        advice: str = "",
    ) -> Array:
        """`read(cell)` of every cell, (R,) objects; None for an empty one.

        A cell that reads as None is a fault, and with `needed` an empty one too.
        """
        import pandas as pd

        if not self.has(column):
            return np.full(len(self), None, dtype=object)
        try:
            codes, cells = pd.factorize(self.frame[column])
        except TypeError:  # cells that cannot be compared, as lists
            self.fault("cells of several values", expected, column, advice)
            return np.full(len(self), None, dtype=object)
        blank = [isinstance(cell, str) and not cell.strip() for cell in cells]
        values = [None if empty else read(cell) for empty, cell in zip(blank, cells, strict=True)]
        empty = np.array([*blank, True])[codes]
        out = np.fromiter((*values, None), object, len(values) + 1)[codes]
        wrong = np.array([value is None for value in (*values, None)])[codes]
        self.rows(wrong & ~empty | (empty if needed else False), expected, column, advice)
        return out

    def text(self, column: str, *, needed: bool = False) -> Array:
        """(R,) texts; whole numbers are taken as their digits."""
        return self.each(column, as_text, f"{TEXT} or a whole number", needed=needed)

    def word(self, column: str, words: Collection[str], *, needed: bool = False) -> Array:
        """(R,) texts that are one of `words`, in any case."""
        known = {word.casefold(): word for word in words}
        expected = f"{', '.join(words)}{'' if needed else ' or nothing'}"
        read = lambda cell: known.get(cell.strip().casefold()) if isinstance(cell, str) else None  # noqa: E731
        return self.each(column, read, expected, needed=needed)

    def flags(self, column: str) -> Array:
        """(R,) True or False."""
        advice = f"From yes and no: {self.name}['{column}'] == 'yes'"
        read = lambda cell: cell if isinstance(cell, bool | np.bool_) else None  # noqa: E731
        found = self.each(column, read, "True or False", needed=True, advice=advice)
        return np.equal(found, True).astype(bool)

    def moments(self, column: str) -> Array:
        """(R,) local times to the microsecond (datetime64), NaT where there is none."""
        if self.has(column) and self.frame[column].dtype.kind == "M":
            cells = self.frame[column]
            if getattr(cells.dtype, "tz", None) is None:
                return cells.to_numpy(dtype="datetime64[us]")
        return self.each(column, as_moment, MOMENT).astype("datetime64[us]")

    def numbers(self, column: str, good: Callable[[Array], Array], expected: str) -> Array:
        """(R,) floats; those that are not `good` are faults, and NaN."""
        if not self.has(column):
            return np.full(len(self), np.nan)
        values = as_numbers(self.frame[column])
        with np.errstate(invalid="ignore"):
            wrong = ~(np.isfinite(values) & good(values))
        self.rows(wrong, expected, column)
        return np.where(wrong, np.nan, values)

    def whole(self, column: str, least: int, most: float = np.inf) -> Array:
        """(R,) whole numbers as floats, NaN for faults."""
        limits = f"from {least}" + (f" to {most:.0f}" if np.isfinite(most) else "")
        good = lambda v: (v == np.floor(v)) & (v >= least) & (v <= most)  # noqa: E731
        return self.numbers(column, good, f"a whole number {limits}")


def as_numbers(column: pd.Series) -> Array:
    """(R,) floats; NaN for what is no number (also text that looks like one)."""
    from pandas.api.types import is_bool_dtype, is_numeric_dtype

    if is_numeric_dtype(column) and not is_bool_dtype(column):
        return column.to_numpy(dtype=float, na_value=np.nan)
    return np.array([float(c) if _is_number(c) else np.nan for c in column], dtype=float)


def holds_numbers(column: pd.Series | pd.DataFrame) -> bool:
    """Whether a column is one of numbers, not all alike."""
    import pandas as pd
    from pandas.api.types import is_bool_dtype, is_numeric_dtype

    if isinstance(column, pd.DataFrame) or not is_numeric_dtype(column) or is_bool_dtype(column):
        return False
    return column.nunique() > 1


def _is_number(cell: Any) -> bool:
    return isinstance(cell, Real) and not isinstance(cell, bool | np.bool_)


def as_text(cell: Any) -> str | None:
    """The text, or a whole number's digits; None for anything else."""
    if isinstance(cell, str):
        return cell.strip()
    whole = isinstance(cell, Integral) and not isinstance(cell, bool | np.bool_)
    return str(int(cell)) if whole else None


def as_day(cell: Any) -> str | None:
    """An ISO day from text, a date, or a timestamp at midnight; None for anything else."""
    if isinstance(cell, datetime.datetime):
        midnight = cell.time() == datetime.time() and cell.tzinfo is None
        return cell.date().isoformat() if midnight else None
    if isinstance(cell, datetime.date):
        return cell.isoformat()
    try:
        return datetime.date.fromisoformat(cell).isoformat()
    except (TypeError, ValueError):
        return None


def as_moment(cell: Any) -> datetime.datetime | None:
    """A local date and time from text or a timestamp; None for anything else, as for a zone."""
    if isinstance(cell, str):
        try:
            cell = datetime.datetime.fromisoformat(cell.strip()) if len(cell) > 10 else None
        except ValueError:
            return None
    local = isinstance(cell, datetime.datetime) and cell.tzinfo is None
    return cell if local else None


def _shown(cell: Any) -> str:
    import pandas as pd

    if isinstance(cell, str):
        return f"'{cell}'" if cell.strip() else "an empty cell"
    return "an empty cell" if pd.api.types.is_scalar(cell) and pd.isna(cell) else str(cell)[:60]
