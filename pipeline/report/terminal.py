"""The run sheet for the terminal: a line a run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.report.changes import changed_words, without_counters
from pipeline.report.contrasts import Row, records
from pipeline.report.meeting_page import clock, laps_and_time
from pipeline.report.words import missing, number

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from pipeline.report.context import ReportContext


def run_lines(runs: pd.DataFrame, context: ReportContext) -> Iterator[str]:
    """A heading, then a line a run in order of time."""
    ordered = without_counters(runs, context).sort_values(["date", "hour", "driver"])
    many = ordered["date"].nunique() > 1
    width = max((len(str(d)) for d in ordered["driver"]), default=6)
    heads = f"{'time':{16 if many else 5}}  {'driver':{width}}  run  {'laps and time':14}"
    yield f"{heads}  corrected  change, and s a lap against the run before"
    for run in records(ordered):
        yield _line(run, context, width, many)


def _line(run: Row, context: ReportContext, width: int, many: bool) -> str:
    text = f"{clock(run, many):{16 if many else 5}}  {run.driver:{width}}  {run.run_no:3}  "
    text += f"{laps_and_time(run).text:14}  {number(run.corrected_s, 2).text:>9}"
    if missing(run.changed) or not run.changed:
        return text
    difference = number(run.difference_s, 2, signed=True)
    low, high = (number(v, 2, signed=True) for v in (run.difference_low, run.difference_high))
    between = f" ({low.text} to {high.text})" if low.value is not None else ""
    return f"{text}  {changed_words(run.changed, context)}: {difference.text}{between}"
