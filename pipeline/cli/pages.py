"""Results → files, with the answer printed: shared by season, meeting, share and demo."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.analysis import Loaded, analyse, say_left_out
from pipeline.cli.steps import Steps
from pipeline.errors import CallError, UserError

if TYPE_CHECKING:
    from pipeline.report.context import ReportContext
    from pipeline.report.privacy import Others
    from pipeline.tables.records import SeasonResult


def season_files(loaded: Loaded, out: Path, steps: Steps, second_opinion: bool = False) -> Path:
    """Analyse, write tables and page, print the first screen; the page's path."""
    result = analyse(loaded, steps, second_opinion=second_opinion)
    return season_page_files(loaded, result, out, steps)


def season_page_files(loaded: Loaded, result: SeasonResult, out: Path, steps: Steps) -> Path:
    """The same for a season that has been analysed."""
    from pipeline.report.advice import advice, as_text, summary
    from pipeline.report.write import write_season

    steps("report")
    context = loaded.context("season")
    path = write_season(result, context, out)
    steps("")
    say_left_out(loaded, result)
    groups = advice(result, context)
    click.echo(f"{summary(groups)}\n\n{as_text(groups)}")
    return path


def meeting_file(
    loaded: Loaded, meeting: str, out: Path, steps: Steps, *, lines: bool = True
) -> Path:
    """The run sheet of one meeting, printed with a line a run if wanted; its path."""
    from pipeline.models.meeting import analyse_meeting
    from pipeline.report.advice import as_text
    from pipeline.report.meeting_page import meeting_page
    from pipeline.report.render import render, write_page
    from pipeline.report.terminal import run_lines
    from pipeline.store.parquet import file_stem

    steps("meeting")
    result = analyse_meeting(loaded.data, meeting)
    carried = (sentence for name, sentence in loaded.season.carried if name == meeting)
    result = replace(result, notes=(*result.notes, *carried))
    context = loaded.context("meeting")
    steps("report")
    page = meeting_page(result, context)
    path = write_page(out / f"{file_stem(meeting)}.html", render(page))
    steps("")
    for note in result.notes:
        click.echo(f"note: {note}", err=True)
    click.echo(f"{page.title}. {' '.join(page.facts)}\n{page.summary}")
    if lines:
        click.echo("\n" + as_text(tuple(g for g in page.groups if g.name == "day")))
        click.echo("\n" + "\n".join(run_lines(result.runs, context)))
    return path


def known_meeting(loaded: Loaded, name: str) -> str:
    """The meeting's name as the store has it. Raises CallError, with the list, if unknown."""
    from pipeline.team.sheets import nearest

    names = list(dict.fromkeys(loaded.data.runs["meeting"]))
    for known in names:
        if known.casefold() == name.casefold().strip():
            return known
    raise CallError(
        f"no meeting '{name}' has runs in the store. It has {', '.join(names)}. "
        f"{nearest(name, names)}".rstrip()
    )


def driver_files(
    loaded: Loaded, result: SeasonResult, drivers: list[str], out: Path, steps: Steps
) -> list[Path]:
    """One file a driver, with nobody else's data in it."""
    from pipeline.report.render import write_page
    from pipeline.store.parquet import file_stem

    paths, words = [], loaded.context("share")
    for driver in drivers:
        steps(f"file of {driver}")
        path = out / f"{file_stem(driver)}.html"
        html = driver_html(result, words, driver, loaded.others(driver))
        paths.append(write_page(path, html))
    steps("")
    return paths


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


def known_driver(loaded: Loaded, name: str) -> str:
    """A team driver with runs, in any case. Raises CallError, with the list, if unknown."""
    from pipeline.team.sheets import nearest

    names = team_drivers(loaded)
    for known in names:
        if known.casefold() == " ".join(name.split()).casefold():
            return known
    raise CallError(
        f"no team driver '{name}' has runs. The team's are {', '.join(names)}. "
        f"{nearest(name, names)}".rstrip()
    )


def team_drivers(loaded: Loaded) -> list[str]:
    """Drivers of the team that have runs in this class."""
    runs = loaded.data.runs
    return sorted(runs.loc[runs["team"], "driver"].unique())
