"""Effects by driver, where drivers differ."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.report.contrasts import Contrast, has_number, records
from pipeline.report.effect_views import lanes_figure
from pipeline.report.views import FigureView, Heading, Section, TableView, table
from pipeline.report.words import NOTHING, Number, missing, number, whole

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.records import SeasonResult

MOST = 6  # figures; the table has them all


def driver_section(
    result: SeasonResult, members: list[Contrast], context: ReportContext
) -> Section | None:
    """A figure for each change on which the drivers differ by what matters; a table of all."""
    frame = result.by_driver
    if not len(frame):
        return None
    apart = [found for c in members if (found := _apart(frame, c, context)) is not None]
    figures = tuple(
        _figure(rows, contrast, context, f"driver-{i}")
        for i, (contrast, rows) in enumerate(apart[:MOST], 1)
    )
    lead = (
        "A driver's own effect a lap, drawn towards the team's as far as that driver's runs are "
        "few. Whether another option is to be fitted for it stands at the top of the page."
    )
    return Section(
        "drivers",
        "By driver",
        lead=(lead,),
        figures=figures,
        folded=(by_driver_table(frame, context),),
    )


def _apart(
    frame: pd.DataFrame, contrast: Contrast, context: ReportContext
) -> tuple[Contrast, pd.DataFrame] | None:
    """The rows of pace if the drivers' estimates lie further apart than what matters."""
    rows = of_contrast(frame, contrast, "pace")
    rows = rows[rows["estimate"].notna()]
    if len(rows) < 2 or not has_number(contrast.row("pace")):
        return None
    span = rows["estimate"].max() - rows["estimate"].min()
    return (contrast, rows) if span > context.worthwhile_s else None


def of_contrast(frame: pd.DataFrame, contrast: Contrast, outcome: str) -> pd.DataFrame:
    """The rows of a table by driver that belong to a contrast."""
    keep = (
        (frame["outcome"] == outcome)
        & (frame["factor"] == contrast.factor)
        & (frame["level"] == contrast.level)
        & (frame["reference"] == contrast.reference)
    )
    return frame[keep]


def _figure(rows: pd.DataFrame, contrast: Contrast, context: ReportContext, key: str) -> FigureView:
    title = context.contrast_label(contrast.factor, contrast.level, contrast.reference)
    team = contrast.rows["pace", "all"]
    verdicts = [interval_verdict(r.ci_low, r.ci_high) for r in records(rows)]
    lanes: list[Any] = [team, *records(rows.assign(verdict=verdicts))]
    return lanes_figure("pace", lanes, ["The team", *rows["driver"]], context, key, title)


def interval_verdict(low: float, high: float) -> str:
    """What an interval shows by itself: faster, slower, or nothing."""
    if missing(low) or low <= 0 <= high:
        return "not settled"
    return "faster" if high < 0 else "slower"


def by_driver_table(frame: pd.DataFrame, context: ReportContext) -> TableView:
    """All rows, a driver and change each."""
    heads = [
        "Change",
        "Driver",
        "Outcome",
        Heading("Estimate", True),
        Heading("95 % interval"),
        Heading("Runs", True),
    ]
    rows = [
        (
            context.contrast_label(r.factor, r.level, r.reference),
            r.driver,
            r.outcome,
            number(r.estimate, 3, signed=r.outcome == "pace"),
            Number(r.ci_low if not missing(r.ci_low) else None, _interval(r)),
            whole(r.n_runs),
        )
        for r in records(frame)
    ]
    return table("by-driver", "Effects by driver", heads, rows)


def _interval(row: Any) -> str:
    if missing(row.ci_low):
        return NOTHING
    signed = row.outcome == "pace"
    low, high = (number(v, 3, signed=signed).text for v in (row.ci_low, row.ci_high))
    return f"{low} to {high}"
