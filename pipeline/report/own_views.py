"""A driver's own runs as a figure and a sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.report.contrasts import records
from pipeline.report.figures_time import own_runs
from pipeline.report.meeting_page import clock, laps_and_time
from pipeline.report.svg import inline_svg
from pipeline.report.views import Cell, FigureView, Heading, Section, TableView, table
from pipeline.report.words import NOTHING, missing, number, plural, whole

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext


def runs_section(runs: pd.DataFrame, context: ReportContext) -> Section | None:
    """The driver's runs in order: a figure of the corrected pace, and the sheet."""
    if not len(runs):
        return None
    ordered = runs.sort_values(["date", "hour", "run_no"])
    figure = _runs_figure(ordered[ordered["corrected_s"].notna()])
    return Section(
        "runs",
        "Your runs",
        lead=(
            "Corrected pace is your mean clean lap with the grip of the moment taken out: what "
            "the car and you did, not the track.",
        ),
        figures=(figure,) if figure else (),
        folded=(_runs_table(ordered, context),),
    )


def _runs_figure(runs: pd.DataFrame) -> FigureView | None:
    """Each run against the mean of its meeting, in order."""
    if not len(runs):
        return None
    centre = runs.groupby("meeting")["corrected_s"].transform("mean")
    data = runs.assign(place=range(1, len(runs) + 1), seconds=runs["corrected_s"] - centre)
    data = data.assign(
        low=runs["corrected_low"].fillna(runs["corrected_s"]) - centre,
        high=runs["corrected_high"].fillna(runs["corrected_s"]) - centre,
    )
    first = data.drop_duplicates("meeting")
    title = "Corrected pace against your mean of the meeting, s a lap"
    about = f"{title}: " + "; ".join(
        f"{meeting}: {plural(len(rows), 'run')}, best {rows['seconds'].min():.2f}"
        for meeting, rows in data.groupby("meeting", sort=False)
    )
    plot = own_runs(data, {float(place): str(i) for i, place in enumerate(first["place"], 1)})
    rows = [
        (r.meeting, whole(r.run_no), number(r.corrected_s, 2), number(r.corrected_low, 2),
         number(r.corrected_high, 2))
        for r in records(data)
    ]  # fmt: skip
    heads = ["Meeting", *(Heading(h, True) for h in ("Run", "Corrected pace, s", "Low", "High"))]
    return FigureView(
        "own-runs",
        title,
        about,
        inline_svg(plot, "own-runs", title, about),
        table("own-runs-data", "Your runs: the figure's data", heads, rows),
        legend=tuple((str(i), meeting) for i, meeting in enumerate(first["meeting"], 1)),
    )


def _runs_table(runs: pd.DataFrame, context: ReportContext) -> TableView:
    factors = [name for name in context.factors if name in runs]
    heads = [
        "Meeting, run",
        "Time",
        "Session",
        "Laps and time",
        Heading("Best lap", True),
        Heading("Pace, corrected", True),
        Heading("Spread", True),
        Heading("Mistakes", True),
        *(context.factor_label(name) for name in factors),
    ]
    rows = [
        [
            f"{run.meeting}, {run.run_no}",
            clock(run, True),
            Cell(run.session, extra="" if missing(run.excluded) else f"left out: {run.excluded}"),
            laps_and_time(run),
            number(run.best_s, 2),
            number(run.corrected_s, 2),
            number(run.spread_s, 2),
            whole(run.mistakes),
            *(_setting(getattr(run, name), name, context) for name in factors),
        ]
        for run in records(runs)
    ]
    return table("own-sheet", "Every run of yours", heads, rows, cards=True)


def _setting(value: Any, name: str, context: ReportContext) -> str:
    return NOTHING if missing(value) else context.level_label(name, str(value))
