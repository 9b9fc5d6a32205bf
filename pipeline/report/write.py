"""The files that a season leaves behind, each written whole or not at all."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.tables.safecsv import write_csv, write_whole
from pipeline.tables.schema import EFFECTS, GRIP, RUNS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.records import SeasonResult

MORE_RUN_COLUMNS = ("team", "date", "class", "heat", "excluded", "corrected_low", "corrected_high")


def write_season(result: SeasonResult, context: ReportContext, out: Path) -> Path:
    """Result tables and page into `out`; the page's path."""
    from pipeline.report.render import render, write_page
    from pipeline.report.season_page import season_page

    html = render(season_page(result, context))
    write_tables(result, tuple(context.factors), out)
    return write_page(out / "index.html", html)


def write_tables(result: SeasonResult, factors: tuple[str, ...], out: Path) -> None:
    """effects.csv, effects.parquet, runs.parquet and grip.parquet.

    runs.parquet: the team's runs alone, since it lies beside a page that people send on;
    schema.RUNS, a column a factor, then MORE_RUN_COLUMNS.
    """
    effects = EFFECTS.conform(result.effects)
    write_csv(effects, out / "effects.csv")
    write_parquet(effects, out / "effects.parquet")
    columns = [*RUNS.names, *factors, *MORE_RUN_COLUMNS]
    runs = result.runs[result.runs["team"]]
    write_parquet(runs[[c for c in columns if c in runs]], out / "runs.parquet")
    write_parquet(GRIP.conform(result.grip), out / "grip.parquet")


def write_parquet(frame: pd.DataFrame, path: Path) -> None:
    """A table as parquet."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    target = pa.BufferOutputStream()
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False), target, compression="zstd")
    write_whole(path, target.getvalue().to_pybytes())
