"""One driver's page: what to fit, own effects where they differ, own runs, the team's findings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.report.contrasts import Contrast, contrasts, has_number, has_numbers, records
from pipeline.report.driver_views import by_driver_table, interval_verdict
from pipeline.report.effect_views import LEGEND, lanes_figure, options_table, outcome_figure
from pipeline.report.felt_views import own_felt_section
from pipeline.report.limits_views import cannot_section
from pipeline.report.method_views import provenance_section
from pipeline.report.own_views import runs_section
from pipeline.report.screen import screen
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
from pipeline.report.words import date_words, number, plural, sentence, whole
from pipeline.tables.outcomes import OUTCOMES

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.report.screen_views import Screen
    from pipeline.tables.records import SeasonResult

READING = (
    "Every effect is against the option it replaces, with the grip of the day taken out by "
    "everybody's laps",
    "19 chances in 20: a procedure whose intervals hold the true value 19 times in 20",
    "Nothing is printed for a change that cannot be separated from something else",
)


def share_page(result: SeasonResult, context: ReportContext, driver: str) -> Page:
    """The page of one driver, from tables that privacy has been through."""
    members = contrasts(result)
    answer = screen(result, context, [driver])
    return Page(
        title=f"{driver}: what to fit",
        kicker=" · ".join(part for part in (context.team, context.class_name, "season") if part),
        facts=_facts(result.runs),
        screen=answer,
        sections=without_empty(
            [
                own_section(_differing(result, driver, answer), members, context),
                own_felt_section(result.by_driver, result.agreement, driver, context),
                runs_section(result.runs, context),
                team_section(members, context),
                mates_section(result.by_driver, driver, context),
                cannot_section(result.cannot_tell, context),
                reading_section(),
                provenance_section(context),
            ]
        ),
    )


def _facts(runs: pd.DataFrame) -> tuple[str, ...]:
    days = sorted(runs["date"].dropna().unique())
    when = f", {date_words(days[0], days[-1])}" if days else ""
    count, meetings = plural(len(runs), "run"), plural(runs["meeting"].nunique(), "meeting")
    return (f"Your {count} at {meetings}{when}.",)


def _differing(result: SeasonResult, driver: str, answer: Screen | None) -> pd.DataFrame:
    """Own effects of the parts in which the driver's choice is another than the team's."""
    own = result.by_driver
    own = own[(own["driver"] == driver) & own["estimate"].notna()]
    own = own[own["outcome"].isin(OUTCOMES)]
    return own[own["factor"].isin(answer.apart if answer is not None else ())]


def own_section(
    own: pd.DataFrame, members: list[Contrast], context: ReportContext
) -> Section | None:
    """The driver's own effects beside the team's."""
    if not len(own):
        return None
    figure = _own_figure(own[own["outcome"] == "pace"], context)
    return Section(
        "own",
        "With you at the wheel",
        lead=(
            "Where you should fit something else than the team: your own effects, drawn towards "
            "the team's as far as your runs are few.",
            LEGEND,
        ),
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


def reading_section() -> Section:
    """What the words of a page mean, for those who did not make it."""
    return Section("method", "How to read this", points=tuple(map(sentence, READING)))
