"""Laps as they are held from reading to writing: what is the same in a whole run, once a run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from pipeline.tables.schema import LAPS

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class LapsByRun:
    """Laps of one or several exports; the texts of a million laps are those of its runs.

    runs (R,): the columns of schema.LAPS that say whose run it is, where and when. laps (n,): its
    other columns, run after run. counts (R,): laps of each run.
    """

    runs: pa.Table
    laps: pa.Table
    counts: np.ndarray

    def __len__(self) -> int:
        return int(self.laps.num_rows)

    def with_runs(self, columns: dict[str, pa.Array]) -> LapsByRun:
        """The same laps with these columns (R,) of the runs replaced."""
        runs = self.runs
        for name, column in columns.items():
            runs = runs.set_column(runs.column_names.index(name), name, column)
        return replace(self, runs=runs)

    def table(self) -> pa.Table:
        """schema.LAPS (n,), texts as codes."""
        columns = {name: self._each_lap(self.runs[name]) for name in self.runs.column_names}
        columns.update(zip(self.laps.column_names, self.laps.columns, strict=True))
        return pa.table([columns[name] for name in LAPS.names], LAPS.arrow(coded=True))

    def head(self, count: int) -> pa.Table:
        """schema.LAPS of the first laps."""
        left = np.clip(count - (np.cumsum(self.counts) - self.counts), 0, self.counts)
        return LapsByRun(self.runs, self.laps.slice(0, count), left).table()

    def frame(self) -> pd.DataFrame:
        """schema.LAPS (n,)."""
        return LAPS.conform(self.table().cast(LAPS.arrow()).to_pandas())

    def _each_lap(self, column: pa.ChunkedArray) -> pa.Array:
        """A column of the runs (R,) as one of the laps (n,)."""
        if pa.types.is_boolean(column.type):
            return pa.array(np.repeat(column.to_numpy(), self.counts))
        coded = column.combine_chunks().dictionary_encode()
        codes = np.repeat(coded.indices.fill_null(-1).to_numpy(), self.counts)
        mask = codes < 0 if column.null_count else None
        indices = pa.array(codes, mask=mask)
        return pa.DictionaryArray.from_arrays(indices, coded.dictionary, safe=False)


def joined(parts: Sequence[LapsByRun]) -> LapsByRun:
    """Laps of several tables or exports, one after the other."""
    if len(parts) == 1:
        return parts[0]
    return LapsByRun(
        pa.concat_tables([part.runs for part in parts]),
        pa.concat_tables([part.laps for part in parts]).unify_dictionaries(),
        np.concatenate([part.counts for part in parts]),
    )
