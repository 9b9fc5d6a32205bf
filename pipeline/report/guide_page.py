"""A page to publish: which option in which grip, with its evidence and no person's name."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from pipeline.report.cautions import BATTERIES, ONE_DRIVER, UNPLUG
from pipeline.report.contrasts import records
from pipeline.report.effect_views import mixed_words
from pipeline.report.screen import screen
from pipeline.report.share_page import reading_section
from pipeline.report.views import Page, Section, without_empty
from pipeline.report.words import missing, plural
from pipeline.tables.decisions import TESTS

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.report.context import ReportContext
    from pipeline.tables.decisions import Decisions
    from pipeline.tables.records import SeasonResult


def guide_page(result: SeasonResult, context: ReportContext) -> Page:
    """The page, from tables that `published` has been through."""
    answer = screen(result, context, [""])
    if answer is not None:
        answer = replace(answer, without_tests="")
    return Page(
        title="What to fit, by grip",
        kicker="Measured on the track, with the grip of the day taken out",
        facts=_facts(result.runs),
        screen=answer,
        sections=without_empty([_care(result), reading_section()]),
    )


def _facts(runs: pd.DataFrame) -> tuple[str, ...]:
    team = runs[runs["team"].astype(bool)]
    drivers, meetings = team["driver"].nunique(), team["meeting"].nunique()
    return (
        f"From {plural(len(team), 'run')} of {plural(drivers, 'driver')} at "
        f"{plural(meetings, 'meeting')}.",
    )


def _care(result: SeasonResult) -> Section:
    choices = result.decisions.choices if result.decisions is not None else None
    alone = choices is not None and bool((choices["n_drivers"] == 1).any())
    said = f"Where the page says 1 driver: {ONE_DRIVER[0].lower()}{ONE_DRIVER[1:]}"
    return Section("care", "With care", points=(*((said,) if alone else ()), UNPLUG, BATTERIES))


def published(result: SeasonResult, context: ReportContext) -> SeasonResult:
    """The tables with which the page is made: the team's numbers, and no text that somebody typed
    but labels of factors, levels and properties.

    Names of meetings, surfaces and drivers, notes, claims and the reasons of the log stay away;
    why a factor cannot be told is said anew, from what it is mixed with.
    """
    if result.decisions is None:
        return result
    mixed = {row.factor: row.mixed_with for row in records(result.cannot_tell)}
    decisions = _published(result.decisions, mixed, context)
    return replace(
        result,
        decisions=decisions,
        changes=None,
        alone=None,
        seasons=(),
        notes=(),
        claims=result.claims.iloc[:0],
        by_driver=result.by_driver.iloc[:0],
        effects=result.effects.assign(remark=None),
    )


def _published(decisions: Decisions, mixed: dict[str, str], context: ReportContext) -> Decisions:
    choices = decisions.choices
    choices = choices[(choices["driver"] == "") & (choices["surface"] == "")]
    told = choices["reason"].isna()
    reasons: list[Any] = [
        None if known else _reason(mixed.get(str(factor)), context)
        for factor, known in zip(choices["factor"], told, strict=True)
    ]
    return replace(
        decisions,
        choices=choices.assign(reason=reasons, sentence=None),
        tests=TESTS.empty(),
        surfaces=(),
        notes=(),
        felt={},
    )


def _reason(mixed_with: str | None, context: ReportContext) -> str:
    if missing(mixed_with) or not mixed_with:
        return "too little was run to tell"
    return f"these laps cannot tell it from {mixed_words(mixed_with, context)}"
