"""Effects as figures and tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from pipeline.report import figures
from pipeline.report.axis import percent_ticks, seconds_ticks, span
from pipeline.report.contrasts import Contrast, Row, has_number, records
from pipeline.report.settled import holds, verdict_words
from pipeline.report.svg import inline_svg
from pipeline.report.views import Cell, FigureView, Heading, TableView, cell, table
from pipeline.report.words import (
    NOTHING,
    Number,
    effect_words,
    is_good,
    missing,
    number,
    race_length,
    whole,
)
from pipeline.tables.conditions import condition_words, is_per_step, sort_key
from pipeline.tables.outcomes import PACE, SAME, Outcome, outcome_of

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext

LEGEND = (
    "● shown to be better; ■ shown to be worse; ◆ shown to be too small to matter; ○ not settled. "
    "Each line is the 95 % interval: in 19 such intervals of 20 the true value lies inside."
)
MARKS = {"better": "●", "worse": "■", "level": "◆", "open": "○", "none": ""}


def shown_as(outcome: Outcome | str, row: Row | None) -> str:
    """better, worse, level (shown too small to matter), open, or none (no number)."""
    if row is None or missing(row.estimate):
        return "none"
    if holds(outcome, row):
        return "better" if is_good(outcome, row.estimate) else "worse"
    return "level" if row.verdict == SAME else "open"


def on_axis(outcome: Outcome | str, value: float) -> float:
    """The value with nothing at 0: ratios as logarithms."""
    return math.log(value) if outcome_of(outcome).is_ratio else float(value)


def figure_title(outcome: Outcome | str, context: ReportContext) -> str:
    """The outcome with the unit of its axis."""
    of = outcome_of(outcome)
    return f"{of.label}, {of.axis.format(race=race_length(context.race_seconds))}"


def outcome_figure(
    members: Sequence[Contrast], outcome: Outcome | str, context: ReportContext, key: str
) -> FigureView | None:
    """An outcome's effects in all conditions together, a lane a change."""
    name = outcome_of(outcome).name
    rows = [(c, c.rows[name, "all"]) for c in members if has_number(c.row(name))]
    if not rows:
        return None
    labels = [context.option_label(c.factor, c.level, c.reference) for c, _ in rows]
    return lanes_figure(
        outcome, [row for _, row in rows], labels, context, key, figure_title(outcome, context)
    )


def lanes_figure(
    outcome: Outcome | str,
    rows: Sequence[Row],
    labels: Sequence[str],
    context: ReportContext,
    key: str,
    title: str,
) -> FigureView:
    """Rows with estimate, ci_low, ci_high and verdict, a lane each."""
    of = outcome_of(outcome)
    pairs = list(zip(labels, rows, strict=True))
    about = f"{title}: {of.meaning}. " + "; ".join(
        f"{label}: {effect_words(of, row.estimate)}" for label, row in pairs
    )
    cells = [(label, *_estimate_cells(of, row), _verdict_cell(of, row)) for label, row in pairs]
    heads = ["Change", Heading("Estimate", True), Heading("95 % interval"), "Verdict"]
    lanes = tuple(_lane(of, label, row) for label, row in pairs)
    svg = _drawn_lanes(of, lanes, _band(of, context), key, title, about)
    data = table(f"{key}-data", f"{title}: the figure's data", heads, cells)
    return FigureView(key, title, about, svg, data)


Lane = tuple[str, float, float, float, str]


def _lane(outcome: Outcome, label: str, row: Row) -> Lane:
    estimate, low, high = (on_axis(outcome, v) for v in (row.estimate, row.ci_low, row.ci_high))
    return label, estimate, low, high, shown_as(outcome, row)


@lru_cache(maxsize=32)  # the team's figures are the same in every driver's file
def _drawn_lanes(
    outcome: Outcome, lanes: tuple[Lane, ...], band: float | None, key: str, title: str, about: str
) -> str:
    import pandas as pd

    data = pd.DataFrame(lanes, columns=["label", "estimate", "low", "high", "shown"])
    within = span(list(data["low"]), list(data["high"]))
    ticks = (percent_ticks if outcome.is_ratio else seconds_ticks)(*within)
    plot = figures.lanes(data, outcome.verdicts, ticks, band, within)
    return inline_svg(plot, key, title, about)


def _band(outcome: Outcome, context: ReportContext) -> float | None:
    return context.worthwhile_s if outcome.name == PACE.name else None


def _estimate_cells(outcome: Outcome, row: Row) -> tuple[Number, Cell]:
    digits, signed = outcome.digits, not outcome.is_ratio
    between = _between(outcome, row.ci_low, row.ci_high)
    return number(row.estimate, digits, signed=signed), between


def _between(outcome: Outcome, low: float | None, high: float | None) -> Cell:
    """An interval, from its lower to its upper end."""
    signed = not outcome.is_ratio
    ends = [number(v, outcome.digits, signed=signed) for v in (low, high)]
    words = NOTHING if ends[0].value is None else f"{ends[0].text} to {ends[1].text}"
    return Cell(words, f"{ends[0].raw} {ends[1].raw}".strip())


def _verdict_cell(outcome: Outcome, row: Row) -> Cell:
    return Cell(verdict_words(outcome, row), mark=shown_as(outcome, row))


def trade_figure(members: Sequence[Contrast], context: ReportContext) -> FigureView | None:
    """Pace against spread, a numbered mark a change; far wider intervals are left to the table."""
    import pandas as pd

    found = [c for c in members if has_number(c.row("pace")) and has_number(c.row("spread"))]
    if not found:
        return None
    data = pd.DataFrame([_trade_row(str(i), c) for i, c in enumerate(found, 1)])
    across, upward = (span(list(data[f"{a}_low"]), list(data[f"{a}_high"])) for a in "xy")
    fits = (data["x_low"] >= across[0]) & (data["x_high"] <= across[1])
    fits &= (data["y_low"] >= upward[0]) & (data["y_high"] <= upward[1])
    title = "Pace (s a lap) against spread (%)"
    names = [context.option_label(c.factor, c.level, c.reference) for c in found]
    about = "Pace to the right is slower, spread upwards is wilder. " + "; ".join(
        f"{i} {name}: {_trade_words(c)}"
        for i, (name, c) in enumerate(zip(names, found, strict=True), 1)
    )
    cells = [
        (str(i), name, *_pair(c)) for i, (name, c) in enumerate(zip(names, found, strict=True), 1)
    ]
    heads = ["Mark", "Change", Heading("Pace, s a lap", True), Heading("Spread, ratio", True)]
    marks = (seconds_ticks(*across, 4), percent_ticks(*upward))
    svg = context.drawn(
        (data[fits], marks, title, about),
        lambda: inline_svg(figures.trade(data[fits], *marks), "trade", title, about),
    )
    left = "" if fits.all() else " (interval wider than the figure: not drawn)"
    return FigureView(
        "trade",
        title,
        about,
        svg,
        table("trade-data", "Pace against spread: the figure's data", heads, cells),
        legend=tuple(
            (str(i), name + ("" if drawn else left))
            for i, (name, drawn) in enumerate(zip(names, fits, strict=True), 1)
        ),
    )


def _trade_words(contrast: Contrast) -> str:
    pace, spread = (contrast.rows[o, "all"].estimate for o in ("pace", "spread"))
    return f"{effect_words('pace', pace)}, {effect_words('spread', spread)}"


def _pair(contrast: Contrast) -> tuple[Number, Number]:
    pace, spread = contrast.rows["pace", "all"], contrast.rows["spread", "all"]
    return number(pace.estimate, 3, signed=True), number(spread.estimate, 3)


def _trade_row(mark: str, contrast: Contrast) -> dict[str, object]:
    pace, spread = contrast.rows["pace", "all"], contrast.rows["spread", "all"]
    return {
        "mark": mark,
        "x": pace.estimate,
        "x_low": pace.ci_low,
        "x_high": pace.ci_high,
        "y": math.log(spread.estimate),
        "y_low": math.log(spread.ci_low),
        "y_high": math.log(spread.ci_high),
        "shown": shown_as("pace", pace),
    }


def options_table(
    members: Sequence[Contrast], outcome: Outcome | str, context: ReportContext
) -> TableView | None:
    """Changes against conditions: in each cell the effect in words and what the data say."""
    of = outcome_of(outcome)
    conditions = _conditions(members, of.name)
    if not any(has_number(c.row(of.name)) for c in members):
        return None
    heads = ["Change", *(condition_words(c).capitalize() for c in conditions)]
    rows = [
        (
            context.contrast_label(c.factor, c.level, c.reference),
            *(_option_cell(of, c.row(of.name, condition)) for condition in conditions),
        )
        for c in members
    ]
    title = f"{of.label} by condition ({of.meaning})"
    return table(f"options-{of.name}", title, heads, rows, cards=True)


def _conditions(members: Sequence[Contrast], outcome: str) -> list[str]:
    seen = dict.fromkeys(
        condition for c in members for o, condition in c.rows if o == outcome and condition != "all"
    )
    return ["all", *sorted(seen, key=sort_key)]


def _option_cell(outcome: Outcome, row: Row | None) -> Cell:
    if row is None:
        return cell(NOTHING)
    if missing(row.estimate):
        return Cell(row.verdict, extra="")
    words = effect_words(outcome, row.estimate).replace(" s a lap ", " ")
    extra = "" if holds(outcome, row) else verdict_words(outcome, row)
    return Cell(words, f"{row.estimate:.6g}", shown_as(outcome, row), extra=extra)


def effects_table(effects: pd.DataFrame, context: ReportContext) -> TableView:
    """Every row of the result table."""
    heads = [
        "Change",
        "Outcome",
        "Condition",
        Heading("Estimate", True, "level minus reference; for spread and mistakes the ratio"),
        Heading("95 % interval"),
        Heading("Over all looks", False, "the interval that holds however often one looks"),
        Heading("Standard error", True, "for ratios on the logarithmic scale"),
        Heading("df", True, "degrees of freedom of the t interval"),
        Heading("p", True, "chance of so large an effect if there were none"),
        Heading("q", True, "p allowing for how many changes were looked at"),
        Heading("Runs", True),
        Heading("Drivers", True),
        Heading("Meetings", True),
        Heading("Switches", True, "runs before which the driver changed it"),
        "Verdict",
        "Mixed with",
    ]
    rows = [_effect_row(row, context) for row in records(effects)]
    return table("effects", "All effects (effects.csv)", heads, rows)


def _effect_row(row: Row, context: ReportContext) -> list[Cell | Number | str]:
    of = context.outcomes[row.outcome]
    return [
        context.contrast_label(row.factor, row.level, row.reference),
        row.outcome,
        condition_words(row.condition),
        *_estimate_cells(of, row),
        _between(of, getattr(row, "anytime_low", None), getattr(row, "anytime_high", None)),
        number(row.std_error, of.digits),
        number(row.df, 1),
        number(row.p_value, 4),
        number(row.q_value, 4),
        *(whole(v) for v in (row.n_runs, row.n_drivers, row.n_meetings, row.n_switches)),
        _verdict_cell(of, row),
        "" if missing(row.mixed_with) else mixed_words(row.mixed_with, context),
    ]


def mixed_words(mixed_with: str, context: ReportContext) -> str:
    """Factor names as the team says them, conditions in words; grip, driver and session as they
    are."""
    names = [name.strip() for name in mixed_with.split(",")]
    is_condition = ["=" in name or is_per_step(name) for name in names]
    return ", ".join(
        condition_words(name) if condition else context.factor_label(name)
        for name, condition in zip(names, is_condition, strict=True)
    )
