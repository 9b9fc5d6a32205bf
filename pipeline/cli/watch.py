"""`backtoback watch DIR --meeting NAME`."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from pipeline.cli.options import class_option, counted, force_option, out_option, team_option


@click.command("watch", short_help="Import exports as they appear, and redraw the run sheet.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--meeting", required=True, metavar="NAME", help="The meeting, as in meetings.csv.")
@click.option(
    "--plan",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="plan.json of the day: what comes next is said too.",
)
@class_option
@out_option("reports/meetings in the team folder")
@force_option
@team_option
def command(
    folder: Path,
    meeting: str,
    plan: Path | None,
    class_name: str | None,
    out: Path | None,
    force: bool,
    team: Path,
) -> None:
    """Look at the folder DIR, into which the timing computer writes or exports are dropped.

    What is new or has grown is imported, and the run sheet redrawn; a half-written file waits.
    Logbooks that are dropped there are taken in too. One line a change; Ctrl-C ends it, with
    nothing half done.

    \b
    Examples:
      backtoback watch exports/spring-round --meeting spring-round
      backtoback watch timing --meeting test-day --plan test-day/plan.json
    """
    from pipeline.day.watching import WatchCall, watch

    draw = _drawing(team, meeting, plan, class_name, out or team / "reports" / "meetings", force)
    stop = _stopped_by_interrupt()
    # A second Ctrl-C breaks off: what was being imported is whole or not there.
    with contextlib.suppress(KeyboardInterrupt):
        watch(WatchCall(team, folder, meeting, draw, plan), _say, stop)
    _say("stopped; nothing is half done")


def _say(words: str) -> None:
    click.echo(f"{time.strftime('%H:%M:%S')}  {words}")


def _stopped_by_interrupt() -> threading.Event:
    """Set by Ctrl-C, so that what is being done is done to its end; a second one breaks it off."""
    stop = threading.Event()

    def interrupted(*_: Any) -> None:
        stop.set()
        signal.signal(signal.SIGINT, signal.default_int_handler)

    signal.signal(signal.SIGINT, interrupted)
    return stop


def _drawing(
    team: Path,
    meeting: str,
    plan: Path | None,
    class_name: str | None,
    out: Path,
    force: bool,
) -> Callable[[], tuple[Path, str]]:
    """Draws the run sheet of the meeting; its path, and what is to be said about it.

    The log may be ahead of the exports while the day goes on: faults are said, and what they are
    about is left out.
    """
    from pipeline.public.joined import Joined
    from pipeline.report.meeting_page import meeting_page
    from pipeline.report.render import render, write_page
    from pipeline.runs.gathering import read_season
    from pipeline.store.parquet import file_stem
    from pipeline.team.folder import load_team

    def draw() -> tuple[Path, str]:
        folder = load_team(team)
        joined = Joined(folder, read_season(folder, class_name))
        sheet = joined.meeting(meeting, plan)
        result = sheet.result
        faults = len(joined.source.setups.problems)
        words = f"the setup log has {counted(faults, 'fault')} (backtoback check)" if faults else ""
        said = f"While this was drawn {words}; what is wrong in it is left out." if faults else ""
        noted = replace(result, notes=(*result.notes, said) if said else result.notes)
        page = meeting_page(noted, joined.context("meeting"), sheet.planned)
        path = out / f"{file_stem(result.meeting)}.html"
        return write_page(path, render(page), force=force), words

    return draw
