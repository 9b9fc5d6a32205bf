"""The season's page: what to run, then the evidence, then how it was computed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.report.cautions import TEAM_ONLY
from pipeline.report.contrasts import Contrast, contrasts, has_numbers
from pipeline.report.driver_views import driver_section
from pipeline.report.effect_views import (
    LEGEND,
    effects_table,
    options_table,
    outcome_figure,
    trade_figure,
)
from pipeline.report.felt_views import felt_section
from pipeline.report.grip_views import grip_figures
from pipeline.report.limits_views import cannot_section, quality_section
from pipeline.report.method_views import method_section, provenance_section
from pipeline.report.same_runs import said_once
from pipeline.report.screen import screen
from pipeline.report.settled import looks_words
from pipeline.report.views import Cell, Page, Section, table, without_empty
from pipeline.report.words import (
    certainty,
    date_words,
    missing,
    plural,
    race_length,
    sentence,
)
from pipeline.tables.conditions import condition_words

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.records import SeasonResult

CLAIM_MARKS = {"supported": "better", "contradicted": "worse", "open": "open"}


def season_page(result: SeasonResult, context: ReportContext) -> Page:
    """All that the season's page says. Pure: the same tables give the same page."""
    answer, once = screen(result, context), said_once(result)
    members = contrasts(once)
    return Page(
        title="What each change was worth" if answer is None else "What to fit",
        kicker=_kicker(context),
        facts=(*_facts(result.runs), *result.seasons, *filter(None, [result.placebo])),
        first=_warning(result.placebo_warning),
        sections=without_empty(
            [
                options_section(members, context),
                effects_section(members, context),
                race_section(members, context),
                felt_section(members, result.agreement, context),
                driver_section(result, members, context),
                claims_section(result.claims, context),
                grip_section(result.grip),
                cannot_section(once.cannot_tell, context),
                quality_section(result, context),
                method_section(result, context),
                all_effects_section(result, context),
                provenance_section(context),
            ]
        ),
        footer=(TEAM_ONLY,),
        screen=answer,
    )


def _warning(text: str) -> tuple[Section, ...]:
    return (Section("warning", "Read this first", points=(text,)),) if text else ()


def _kicker(context: ReportContext) -> str:
    return " · ".join(part for part in (context.team, context.class_name, "season") if part)


def _facts(runs: pd.DataFrame) -> tuple[str, ...]:
    team = runs[runs["team"]]
    rivals = runs.loc[~runs["team"], "driver"].nunique()
    days = sorted(runs["date"].dropna().unique())
    span = f", {date_words(days[0], days[-1])}" if days else ""
    grip = f"; grip read from the laps of {plural(rivals, 'other driver')} too" if rivals else ""
    return (
        f"{plural(runs['meeting'].nunique(), 'meeting')}{span}. {plural(len(team), 'run')} of "
        f"{plural(team['driver'].nunique(), 'team driver')}{grip}.",
    )


def options_section(members: list[Contrast], context: ReportContext) -> Section | None:
    """Changes against conditions: pace in sight, spread and race behind a fold."""
    if not has_numbers(members):
        return None
    views = {o: options_table(members, context.outcomes[o], context) for o in _asked(context)}
    pace = views.pop("pace")
    return Section(
        "options",
        "Pace and the rest by condition",
        lead=(
            "Grip is how much the track holds: it is low, medium or high by the team's own word in "
            "meetings.csv. Pace is the mean clean lap, corrected for the grip of the moment.",
        ),
        tables=(pace,) if pace else (),
        folded=tuple(v for v in views.values() if v and len(v.headings) > 2),
    )


def _asked(context: ReportContext) -> list[str]:
    """Outcomes that are drawn, in the order in which a racer asks for them."""
    drawn = [outcome.name for outcome in context.outcomes.values() if outcome.figure]
    return list(dict.fromkeys(["pace", "spread", "race", *drawn]))


def effects_section(members: list[Contrast], context: ReportContext) -> Section | None:
    if not has_numbers(members):
        return None
    found = [
        outcome_figure(members, outcome, context, f"effects-{outcome.name}")
        for outcome in context.outcomes.values()
        if outcome.figure == "effects"
    ]
    worth = f"{context.worthwhile_s:g}"
    return Section(
        "effects",
        "What each change did, and how sure that is",
        lead=(
            LEGEND,
            f"The grey band is what does not matter: up to {worth} s a lap.",
            *filter(None, [looks_words(members)]),
        ),
        figures=tuple(f for f in found if f),
        terms=(
            ("Spread", "how far one driver's clean laps scatter within a run; 10 % steadier means "
             "a tenth less scatter."),
            ("Mistakes", "laps lost to an incident, per lap driven."),
        ),
    )  # fmt: skip


def race_section(members: list[Contrast], context: ReportContext) -> Section | None:
    if not has_numbers(members):
        return None
    found = [trade_figure(members, context), outcome_figure(members, "race", context, "race")]
    length = race_length(context.race_seconds)
    return Section(
        "race",
        f"One lap or {length}",
        lead=(
            "The quickest car over a lap is not always the quickest over a race: wild laps and "
            f"mistakes cost time. Race is the seconds gained or lost over {length}, all timed laps "
            "counted, incidents included.",
        ),
        figures=tuple(f for f in found if f),
    )


def claims_section(claims: pd.DataFrame, context: ReportContext) -> Section | None:
    if not len(claims):
        return None
    rows = [_claim(row, context) for row in claims.to_dict("records")]
    heads = [
        "What the team believes",
        "Verdict",
        "What the data say",
    ]
    view = table("claims", "The team's claims", heads, rows, cards=True)
    return Section("claims", "What the team believes, tested", tables=(view,))


def _claim(row: dict[Any, Any], context: ReportContext) -> list[Any]:
    found = "no estimate"
    if not missing(row["estimate"]):
        where = condition_words(str(row["condition"]))
        words = certainty(context.outcomes[row["outcome"]], row["ci_low"], row["ci_high"])
        found = sentence(f"{where}, {words}")
    verdict = str(row["verdict"])
    return [
        str(row["text"]),
        Cell(verdict, mark=CLAIM_MARKS.get(verdict, "level")),
        found,
    ]


def grip_section(grip: pd.DataFrame) -> Section | None:
    if not len(grip):
        return None
    return Section(
        "grip",
        "Grip over each day",
        lead=(
            "Seconds a lap that the track was slower than at the meeting's best, read from "
            "everybody's laps; all days on the same scale. The grey band is the 95 % interval: "
            "it widens where nobody drove.",
        ),
        figures=grip_figures(grip),
        small=True,
    )


def all_effects_section(result: SeasonResult, context: ReportContext) -> Section | None:
    if not len(result.effects):
        return None
    return Section(
        "all",
        "Every number",
        lead=("The whole result table, as in effects.csv. Headings sort.",),
        folded=(effects_table(result.effects, context),),
    )
