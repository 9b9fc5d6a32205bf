"""The run sheet of one meeting: what the day's changes did, the grip, a row a run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.report.cautions import TEAM_ONLY
from pipeline.report.changes import (
    change_groups,
    changed_words,
    changes_summary,
    day_group,
    difference_verdict,
    without_counters,
)
from pipeline.report.contrasts import Row, records
from pipeline.report.grip_views import ROOM, curves, grip_figure
from pipeline.report.layers import driver_shapes
from pipeline.report.method_views import provenance_section
from pipeline.report.plan_answers import plan_group
from pipeline.report.views import (
    Cell,
    FigureView,
    Heading,
    Page,
    Section,
    TableView,
    table,
    without_empty,
)
from pipeline.report.words import (
    MINUS,
    NOTHING,
    Number,
    date_words,
    hour_words,
    missing,
    number,
    plural,
    sentence,
    whole,
)

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.plan.answers import Answers
    from pipeline.report.context import ReportContext
    from pipeline.tables.records import MeetingResult


def meeting_page(
    result: MeetingResult, context: ReportContext, planned: Answers | None = None
) -> Page:
    """All that the run sheet says. planned: what came of the day's plan, if it had one."""
    runs = without_counters(result.runs, context).sort_values(["date", "hour", "driver"])
    groups = change_groups(runs, context)
    over_the_day = day_group(result, context)
    asked = plan_group(planned, context) if planned else None
    return Page(
        title=f"Run sheet: {result.meeting}",
        kicker=" · ".join(part for part in (context.team, context.class_name) if part),
        facts=_facts(runs),
        summary=changes_summary(groups),
        groups=tuple(group for group in (asked, over_the_day, *groups) if group),
        answer_title="What the day's changes did",
        sections=without_empty(
            [
                _runs(result, runs, context),
                _grip(result, runs),
                _notes(result),
                _terms(),
                provenance_section(context),
            ]
        ),
        footer=(TEAM_ONLY,),
    )  # fmt: skip


def _runs(result: MeetingResult, runs: pd.DataFrame, context: ReportContext) -> Section:
    sheet = run_sheet(runs, context)
    return Section("runs", "The runs", lead=(sentence(result.reference),), tables=(sheet,))


def _facts(runs: pd.DataFrame) -> tuple[str, ...]:
    days = sorted(runs["date"].dropna().unique())
    when = f"{date_words(days[0], days[-1])}. " if days else ""
    drivers = plural(runs["driver"].nunique(), "driver")
    return (f"{when}{plural(len(runs), 'run')} of {drivers} of the team.",)


def run_sheet(runs: pd.DataFrame, context: ReportContext) -> TableView:
    """A row a run of the team."""
    heads = [
        "Time",
        "Driver, run",
        "Session",
        "Laps and time",
        Heading("Best three", True, "mean of the best three laps in a row, s"),
        Heading(
            "Pace, corrected",
            True,
            "mean clean lap at the meeting's reference grip, s; below it its 95 % interval",
        ),
        Heading("Spread", True, "scatter of the clean laps about the run's own trend, s"),
        Heading("Mistakes", True, "laps lost to an incident"),
        "Changed before it",
        Heading(
            "Difference",
            True,
            "corrected pace against the same driver's run before, "
            "s a lap; below it its 95 % interval",
        ),
    ]
    many = runs["date"].nunique() > 1
    rows = [_run_row(run, context, many) for run in records(runs)]
    return table("sheet", "The team's runs", heads, rows, cards=True)


def _run_row(run: Row, context: ReportContext, many_days: bool) -> list[Any]:
    shown = difference_verdict(run)
    mark = {"faster": "better", "slower": "worse"}.get(shown, "")
    difference = number(run.difference_s, 2, signed=True)
    left_out = "" if missing(run.excluded) or not run.excluded else f"left out: {run.excluded}"
    changed = "" if missing(run.changed) else changed_words(run.changed, context)
    return [
        clock(run, many_days),
        f"{run.driver}, {run.run_no}",
        Cell(run.session, extra=left_out),
        laps_and_time(run),
        number(run.best_three_s, 2),
        _with_interval(number(run.corrected_s, 2), run.corrected_low, run.corrected_high),
        number(run.spread_s, 2),
        whole(run.mistakes),
        changed or NOTHING,
        _with_interval(difference, run.difference_low, run.difference_high, mark),
    ]


def clock(run: Row, with_day: bool = False) -> str:
    """The time of the start, or the session's place where it is unknown."""
    if missing(run.start):
        return NOTHING
    return f"{run.start[:10]} {run.start[11:16]}" if with_day else str(run.start[11:16])


def laps_and_time(run: Row) -> Cell:
    """The result as racers give it: '19 / 5:04.21'."""
    if missing(run.total_s):
        return Cell(str(run.laps), f"{run.laps}")
    minutes, seconds = divmod(float(run.total_s), 60)
    return Cell(f"{run.laps} / {minutes:.0f}:{seconds:05.2f}", f"{run.laps} {run.total_s:.6g}")


def _with_interval(value: Number, low: Any, high: Any, mark: str = "") -> Cell:
    """A number with its interval below it: '15.80', '15.69 to 15.91'."""
    if value.value is None or missing(low) or missing(high):
        return Cell(value.text, value.raw, mark)
    signed = value.text.startswith(("+", MINUS))
    ends = [number(end, 2, signed=signed) for end in (low, high)]
    raw = " ".join([value.raw, *(end.raw for end in ends)])
    return Cell(value.text, raw, mark, extra=" to ".join(end.text for end in ends))


def _grip(result: MeetingResult, runs: pd.DataFrame) -> Section | None:
    """A figure a day: the curve, the team's runs by driver, the field behind."""
    if not len(result.grip):
        return None
    grip = curves(result.grip)
    level = {day: float(curve["seconds"].mean()) for day, curve in grip.groupby("day")}
    own = _about_grip(runs, level)
    top = max(float(grip["high"].max()), float(own["seconds"].max())) + ROOM
    figures = tuple(
        _day(i, result, day, curve, own, _about_grip(result.field, level), top)
        for i, (day, curve) in enumerate(grip.groupby("day"), 1)
    )
    return Section(
        "grip",
        "Grip over the day",
        lead=(_grip_words(alone=not len(result.field)), *_slow_words(result.neutralised)),
        figures=figures,
    )


def _grip_words(alone: bool) -> str:
    """How the figures are read; `alone`: no other cars ran."""
    whose = "the team's own laps alone" if alone else "everybody's laps"
    marks = "by driver" if alone else "the team's by shape, the others as dots"
    return (
        f"The line is what the track cost in seconds a lap against its best, read from {whose}, "
        "with its 95 % interval. Each mark is a run against the mean of its driver's runs: "
        f"{marks}. A run below the line was better than the track."
    )


def _slow_words(slow: pd.DataFrame | None) -> tuple[str, ...]:
    """When the whole field was slow, and what became of those laps."""
    if slow is None or not len(slow):
        return ()
    many = slow["date"].nunique() > 1
    times = [
        f"{row.date + ' ' if many else ''}{hour_words(row.begin)} to {hour_words(row.end)}"
        for row in records(slow)
    ]
    laps = plural(int(slow["laps"].sum()), "lap")
    return (
        f"The whole field was slow from {', '.join(times)}: {laps} of then count neither for pace "
        "nor as mistakes, and say nothing of the grip.",
    )


def _about_grip(runs: pd.DataFrame, level: dict[Any, float]) -> pd.DataFrame:
    """Runs as seconds about their driver's mean, set on the day's mean grip."""
    seconds = (
        runs["seconds"]
        if "seconds" in runs
        else runs["mean_s"] - runs.groupby("driver")["mean_s"].transform("mean")
    )
    day = runs["date"].map(level).astype(float)  # no rows: the type of the days, not of numbers
    out = runs.assign(seconds=seconds + day)
    return out[out["seconds"].notna()]


def _day(
    index: int,
    result: MeetingResult,
    day: Any,
    curve: pd.DataFrame,
    own: pd.DataFrame,
    field: pd.DataFrame,
    top: float,
) -> FigureView:
    today = own[own["date"] == day]
    slow = result.neutralised
    slow = None if slow is None else slow[slow["date"] == day]
    view = grip_figure(
        f"grip-{index}",
        f"{result.meeting}, {date_words(str(day))}",
        curve,
        top,
        runs=today,
        field=field[(field["date"] == day) & (field["seconds"] < top)],
        slow=slow,
        height=2.9,
    )
    legend = tuple((mark, name) for name, (_, mark) in driver_shapes(today["driver"]).items())
    if slow is not None and len(slow):
        legend = (*legend, ("▮", "the whole field was slow"))
    return FigureView(view.key, view.title, view.description, view.svg, view.table, legend)


def _notes(result: MeetingResult) -> Section | None:
    if not result.notes:
        return None
    return Section(
        "notes", "What to know about this day", points=tuple(map(sentence, result.notes))
    )


def _terms() -> Section:
    return Section(
        "method",
        "How it was computed",
        points=(
            "Grip is the part of the lap times that all cars share at one time of day: a smooth "
            "curve with its smoothness estimated (REML), beside each driver's own pace, each "
            "driver's day and each run's luck.",
            "Corrected pace is the mean of a run's clean laps brought to the grip named above. Its "
            "interval holds the run's own scatter and what is not known of the grip.",
            "A difference between two runs holds both runs' luck: one run each rarely settles a "
            "change. It is called gained or lost where it is sure at 95 % after allowing for how "
            "many differences the day has (q of Benjamini and Hochberg 1995, 5 %).",
            "Over the day, all back-to-backs of an option are put together by the season's model "
            "of pace and spread, on this meeting's runs alone.",
        ),
    )


__all__ = ["meeting_page"]
