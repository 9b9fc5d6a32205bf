"""One driver's page: what to fit next, their own effects and runs, the team's findings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.report.advice import advice, summary
from pipeline.report.cautions import RULES
from pipeline.report.contrasts import SPEED, Contrast, contrasts, has_number, records
from pipeline.report.driver_views import by_driver_table, interval_verdict
from pipeline.report.effect_views import lanes_figure, options_table, outcome_figure
from pipeline.report.limits_views import cannot_section, needs_section
from pipeline.report.method_views import provenance_section
from pipeline.report.own_views import runs_section
from pipeline.report.season_page import LEGEND, has_numbers, in_order
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
from pipeline.report.words import NOTHING, date_words, is_good, number, plural, sentence, whole
from pipeline.tables.conditions import condition_words
from pipeline.tables.outcomes import SAME, is_definite, is_leaning

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.records import SeasonResult


def share_page(result: SeasonResult, context: ReportContext, driver: str) -> Page:
    """The page of one driver, from tables that privacy has been through."""
    members = in_order(contrasts(result))
    groups = advice(result, context)
    return Page(
        title=f"{driver}: what to run",
        kicker=" · ".join(part for part in (context.team, context.class_name, "season") if part),
        facts=_facts(result.runs),
        summary=summary(groups),
        groups=groups,
        answer_title="What the team found",
        first=without_empty([next_section(members, context)]),
        sections=without_empty(
            [
                own_section(result.by_driver, driver, members, context),
                runs_section(result.runs, context),
                team_section(members, context),
                mates_section(result.by_driver, driver, context),
                cannot_section(result.cannot_tell, context),
                needs_section(result.needs, context),
                _method(),
                provenance_section(context),
            ]
        ),
    )


def _facts(runs: pd.DataFrame) -> tuple[str, ...]:
    days = sorted(runs["date"].dropna().unique())
    when = f", {date_words(days[0], days[-1])}" if days else ""
    count, meetings = plural(len(runs), "run"), plural(runs["meeting"].nunique(), "meeting")
    return (f"Your {count} at {meetings}{when}.",)


def next_section(members: list[Contrast], context: ReportContext) -> Section | None:
    """For each condition: what to fit and what to leave, by that condition's own verdicts."""
    if not has_numbers(members):
        return None
    conditions = list(dict.fromkeys(c for member in members for c in member.conditions)) or ["all"]
    rows = [(condition_words(c).capitalize(), *_choices(members, c, context)) for c in conditions]
    heads = ["Condition", "Fit", "Leave", "Try, if there is time for back-to-backs"]
    view = table("next", "What to fit, by condition", heads, rows, cards=True)
    return Section(
        "next",
        "For the next meeting",
        lead=(
            "Fit and leave: shown in that condition, or in all conditions together and not against "
            f"it there. {RULES}",
        ),
        tables=(view,),
    )


def _choices(members: list[Contrast], condition: str, context: ReportContext) -> list[Cell]:
    found: dict[int, list[str]] = {1: [], -1: [], 0: []}
    for contrast in members:
        told = None if contrast.counts_up else choice(contrast, condition)
        if told is not None:
            label = context.option_label(contrast.factor, contrast.level, contrast.reference)
            found[told].append(label)
    return [Cell("; ".join(found[key]) or NOTHING) for key in (1, -1, 0)]


def choice(contrast: Contrast, condition: str) -> int | None:
    """+1 fit it, -1 leave it, 0 still open, None nothing to choose (no number, or no matter).

    What is shown in the condition counts; what is shown overall counts too unless the condition
    so much as leans the other way.
    """
    here = _signs(contrast, condition)
    overall = _signs(contrast, "all")
    shown_here, leans_here = here
    shown, leans = overall
    if len(shown_here | shown) == 2 or (not shown_here and shown and leans_here - shown):
        return 0
    if shown_here or shown:
        return next(iter(shown_here or shown))
    level = any(contrast.verdict(o) == SAME for o in SPEED)
    return 0 if (leans or leans_here) and not level else None


def _signs(contrast: Contrast, condition: str) -> tuple[set[int], set[int]]:
    """Directions shown, and directions leant to, of race and pace: +1 better, -1 worse."""
    rows = [row for o in SPEED if has_number(row := contrast.row(o, condition))]
    signs = [(row, 1 if is_good(row.outcome, row.estimate) else -1) for row in rows]
    shown = {sign for row, sign in signs if is_definite(row.verdict)}
    return shown, {sign for row, sign in signs if is_leaning(row.verdict)}


def own_section(
    by_driver: pd.DataFrame, driver: str, members: list[Contrast], context: ReportContext
) -> Section | None:
    """The driver's own effects beside the team's."""
    own = by_driver[(by_driver["driver"] == driver) & by_driver["estimate"].notna()]
    if not len(own):
        return None
    figure = _own_figure(own[own["outcome"] == "pace"], context)
    return Section(
        "own",
        "With you at the wheel",
        lead=("Your own effects, drawn towards the team's as far as your runs are few.", LEGEND),
        figures=(figure,) if figure else (),
        tables=(_own_table(own, members, context),),
    )


def _own_figure(own: pd.DataFrame, context: ReportContext) -> FigureView | None:
    if not len(own):
        return None
    verdicts = [interval_verdict(r.ci_low, r.ci_high) for r in records(own)]
    rows = list(records(own.assign(verdict=verdicts)))
    labels = [context.option_label(r.factor, r.level, r.reference) for r in rows]
    return lanes_figure("pace", rows, labels, context, "own-pace", "Your pace, s a lap")


def _own_table(own: pd.DataFrame, members: list[Contrast], context: ReportContext) -> TableView:
    team = {(c.factor, c.level, c.reference): c for c in members}
    rows = []
    for r in records(own):
        contrast = team.get((r.factor, r.level, r.reference))
        theirs: Any = contrast.row(r.outcome) if contrast is not None else None
        signed = r.outcome == "pace"
        low, high = (number(v, 3, signed=signed) for v in (r.ci_low, r.ci_high))
        rows.append(
            [
                context.contrast_label(r.factor, r.level, r.reference),
                r.outcome,
                number(r.estimate, 3, signed=signed),
                Cell(f"{low.text} to {high.text}", f"{low.raw} {high.raw}"),
                number(theirs.estimate if has_number(theirs) else None, 3, signed=signed),
                whole(r.n_runs),
            ]
        )
    heads = [
        "Change",
        "Outcome",
        Heading("You", True, "pace in s a lap, spread as a ratio: below nothing, or 1, is better"),
        "95 % interval",
        Heading("Team", True),
        Heading("Your runs", True),
    ]
    return table("own-effects", "Your effects and the team's", heads, rows, cards=True)


def team_section(members: list[Contrast], context: ReportContext) -> Section | None:
    if not has_numbers(members):
        return None
    figures = [outcome_figure(members, o, context, f"team-{o}") for o in ("pace", "race")]
    pace = options_table(members, "pace", context)
    return Section(
        "team",
        "The whole team's evidence",
        lead=("All drivers of the team together, by condition.",),
        figures=tuple(f for f in figures if f),
        folded=(pace,) if pace else (),
    )


def mates_section(by_driver: pd.DataFrame, driver: str, context: ReportContext) -> Section | None:
    others = by_driver[by_driver["driver"] != driver]
    if not len(others):
        return None
    lead = "All of the team agreed to stand in each other's files (drivers.csv, share)."
    view = by_driver_table(others, context)
    return Section("mates", "With team-mates at the wheel", lead=(lead,), folded=(view,))


def _method() -> Section:
    return Section(
        "method",
        "How to read this",
        points=tuple(
            sentence(text)
            for text in (
                "Every effect is against the option it replaces, with the grip of the day taken "
                "out by everybody's laps",
                "19 chances in 20: a procedure whose intervals hold the true value 19 times in 20",
                "Nothing is printed for a change that cannot be separated from something else",
            )
        ),
    )
