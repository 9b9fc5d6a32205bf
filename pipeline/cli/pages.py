"""Results → pages, with the answer printed: shared by season, meeting, share and demo."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.steps import Steps
from pipeline.errors import UserError

if TYPE_CHECKING:
    from pipeline.public.joined import MeetingSheet
    from pipeline.public.seasons import TeamSeason
    from pipeline.public.teams import OpenTeam
    from pipeline.report.context import ReportContext
    from pipeline.report.privacy import Others
    from pipeline.tables.records import SeasonResult

PAGE = 2.0  # share of a driver's file, where a season's analysis is 87 (steps.SEASON)


def opened(folder: Path, steps: Steps) -> OpenTeam:
    """The team folder; what is to be said about its files is said on stderr."""
    from pipeline.public.teams import open_team

    steps("reading")
    team = open_team(folder)
    say(team.notes)
    return team


def say(notes: tuple[str, ...]) -> None:
    """On stderr: what was set aside, what cannot be told."""
    for note in notes:
        click.echo(f"note: {note}", err=True)


def say_season(season: TeamSeason, steps: Steps) -> None:
    """Print the first screen of a season's report: what to fit for the team, at each grip."""
    from pipeline.report.contrasts import without_counters
    from pipeline.report.terminal_choices import choice_lines

    spent = season.result.timings
    steps.side_by_side = {
        outcome.name: spent[outcome.name]
        for outcome in season.joined.data.outcomes
        if outcome.name in spent
    }
    steps("")
    say(season.notes)
    decisions = season.result.decisions
    if decisions is not None:
        rows = without_counters(decisions.choices, season.result.runs)
        rows = rows[(rows["driver"] == "") & (rows["surface"] == "")]
        tests = without_counters(decisions.tests, season.result.runs)
        click.echo("\n".join(choice_lines(rows, tests, season.joined.context("season"))))


def meeting_file(
    sheet: MeetingSheet, out: Path, steps: Steps, *, lines: bool = True, force: bool = False
) -> Path:
    """The run sheet of one meeting, printed with a line a run if wanted; its path."""
    from pipeline.report.groups import as_text
    from pipeline.report.meeting_page import meeting_page
    from pipeline.report.render import render, write_page
    from pipeline.report.terminal import run_lines
    from pipeline.store.parquet import file_stem

    steps("report")
    result, context = sheet.result, sheet.joined.context("meeting")
    page = meeting_page(result, context, sheet.planned)
    path = write_page(out / f"{file_stem(result.meeting)}.html", render(page), force=force)
    steps("")
    say(result.notes)
    click.echo(f"{page.title}. {' '.join(page.facts)}\n{page.summary}")
    if lines:
        click.echo("\n" + as_text(tuple(g for g in page.groups if g.name in ("plan", "day"))))
        click.echo("\n" + "\n".join(run_lines(result.runs, context)))
    return path


def driver_files(
    season: TeamSeason, drivers: list[str], out: Path, steps: Steps, *, force: bool = False
) -> list[Path]:
    """One file a driver, with nobody else's data in it."""
    import pipeline.report.privacy
    import pipeline.report.share_page  # noqa: F401 - loaded before processes are split
    from pipeline.models.stages import Watch
    from pipeline.report.render import environment
    from pipeline.store.records import lettered_stem
    from pipeline.tables.outputs import write_files

    environment().get_template("page.html")  # read once, not by each of the processes
    words = season.joined.context("share")
    steps.expect({"files": PAGE * len(drivers)})
    jobs = {
        f"{lettered_stem(driver)}.html": partial(
            driver_html, season.result, words, driver, season.joined.others(driver)
        )
        for driver in drivers
    }
    done = Watch(steps, workers=os.cpu_count() or 1).side_by_side(jobs, stage="files")
    steps("")
    return write_files(out, {name: html.encode() for name, html in done.items()}, force=force)


def guide_file(season: TeamSeason, out: Path, steps: Steps, *, force: bool = False) -> Path:
    """The page for publishing. Raises UserError where a person's name would stand in it."""
    from pipeline.report.guide_page import guide_page, published
    from pipeline.report.privacy import leaks
    from pipeline.report.render import render, write_page

    steps("guide")
    words = season.joined.context("share")
    html = render(guide_page(published(season.result, words), words))
    found = leaks(html, season.joined.everybody())
    if found:
        raise UserError(
            f"the guide was not written: it would hold {len(found)} names or transponders of "
            "people. Look for them in labels, levels and properties of team.toml"
        )
    steps("")
    return write_page(out / "guide.html", html, force=force)


def driver_html(result: SeasonResult, words: ReportContext, driver: str, others: Others) -> str:
    """The page of one driver. Raises UserError where a name of others would stand in it."""
    from pipeline.report.privacy import context_for_driver, for_driver, leaks
    from pipeline.report.render import render
    from pipeline.report.share_page import share_page

    tables, context = for_driver(result, driver, others), context_for_driver(words, others)
    html = render(share_page(tables, context, driver))
    found = leaks(html, others)
    if found:
        raise UserError(
            f"the file of {driver} was not written: it would hold {len(found)} names or "
            "transponders of others. Look for them in labels, levels and claims of team.toml"
        )
    return html
