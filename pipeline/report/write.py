"""The files that a season leaves behind, written as one set."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.tables.outputs import write_files
from pipeline.tables.safecsv import csv_bytes
from pipeline.tables.schema import EFFECTS, GRIP, RUNS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.records import SeasonResult

MORE_RUN_COLUMNS = ("team", "date", "class", "heat", "excluded", "corrected_low", "corrected_high")


def write_season(
    result: SeasonResult, context: ReportContext, out: Path, *, force: bool = False
) -> Path:
    """Result tables and page into `out`, see outputs.write_files; the page's path."""
    from pipeline.report.render import render
    from pipeline.report.season_page import season_page

    files = tables(result, tuple(context.factors))
    files["index.html"] = render(season_page(result, context)).encode()
    return write_files(out, files, force=force)[-1]


def tables(result: SeasonResult, factors: tuple[str, ...]) -> dict[str, bytes]:
    """effects.csv, effects.parquet, runs.parquet and grip.parquet, and the tables of decisions.

    runs.parquet: the team's runs alone, since it lies beside a page that people send on;
    schema.RUNS, a column a factor, then MORE_RUN_COLUMNS.
    """
    effects = EFFECTS.conform(result.effects)
    columns = [*RUNS.names, *factors, *MORE_RUN_COLUMNS]
    runs = result.runs[result.runs["team"]]
    files = {
        "effects.csv": csv_bytes(effects),
        "effects.parquet": parquet(effects),
        "runs.parquet": parquet(runs[[c for c in columns if c in runs]]),
        "grip.parquet": parquet(GRIP.conform(result.grip)),
    }
    for table, rows in result.decisions.tables() if result.decisions else ():
        files |= {f"{table}.csv": csv_bytes(rows), f"{table}.parquet": parquet(rows)}
    if result.changes is not None:
        files |= {
            "changes.csv": csv_bytes(result.changes),
            "changes.parquet": parquet(result.changes),
        }
    return files


def parquet(frame: pd.DataFrame) -> bytes:
    """A table as parquet."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    target = pa.BufferOutputStream()
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False), target, compression="zstd")
    return bytes(target.getvalue().to_pybytes())
