"""`backtoback logbook`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import out_option, team_option
from pipeline.errors import CallError


@click.command("logbook", short_help="A page a driver, on which the log is kept, offline.")
@click.option("--meeting", required=True, metavar="NAME", help="The meeting, as in meetings.csv.")
@click.option("--driver", "drivers", multiple=True, metavar="NAME", help="The driver (repeat).")
@click.option("--all", "everyone", is_flag=True, help="A page for each driver of the team.")
@click.option("--together", is_flag=True, help="One page for all of them: for a mechanic.")
@click.option(
    "--plan",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="plan.json of the day: each run shows what was planned.",
)
@out_option("reports/logbooks in the team folder")
@team_option
def command(
    meeting: str,
    drivers: tuple[str, ...],
    everyone: bool,
    together: bool,
    plan: Path | None,
    out: Path | None,
    team: Path,
) -> None:
    """Write pages on which the setup log is kept at the track: each opens on a phone, offline.

    A page starts from what the car had last. It holds the drivers who were asked for and nobody
    else, and no transponder. What is entered stays on the phone until it is handed on as a file,
    which `backtoback log` takes in.

    \b
    Examples:
      backtoback logbook --meeting spring-round --all
      backtoback logbook --meeting spring-round --driver "Ida Holm" --plan test-day/plan.json
      backtoback logbook --meeting spring-round --all --together --out to-send
    """
    if bool(drivers) == everyone:
        raise CallError("say for whom: --driver NAME (repeat) or --all")
    from pipeline.day.handing_out import LogbookCall, write_logbooks
    from pipeline.team.folder import load_team

    loaded = load_team(team)
    call = LogbookCall(meeting, drivers, plan, together)
    done = write_logbooks(loaded, call, out or team / "reports" / "logbooks")
    for note in (*loaded.warnings, *done.notes):
        click.echo(f"note: {note}", err=True)
    for path in done.paths:
        click.echo(f"{path} ({path.stat().st_size / 1000:.0f} kB)")
