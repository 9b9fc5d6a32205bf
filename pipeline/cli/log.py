"""`backtoback log FILE…`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import team_option


@click.command("log", short_help="Take what logbooks hand on into the team folder.")
@click.argument(
    "files",
    nargs=-1,
    required=True,
    metavar="FILE...",
    type=click.Path(path_type=Path, dir_okay=False),
)
@click.option("--replace", is_flag=True, help="Where a typed row says otherwise, logbooks count.")
@team_option
def command(files: tuple[Path, ...], replace: bool, team: Path) -> None:
    """Take the files of logbooks, or the same columns from a spreadsheet, into the team folder.

    They come to lie in logbooks/, and are read together with setups.csv and feel.csv, in which
    nothing is written. A later file of the same driver and meeting takes the place of what the
    earlier one brought. Where a typed row says otherwise, both are shown and nothing is changed.

    \b
    Examples:
      backtoback log logbook-spring-round-Ida.csv
      backtoback log inbox/logbook-*.csv
      backtoback log logbook-spring-round-Ida.csv --replace
    """
    from pipeline.day.taking import take_logbooks
    from pipeline.team.folder import load_team

    loaded = load_team(team)
    taken = take_logbooks(loaded, files, replace)
    for note in (*loaded.warnings, *taken.notes):
        click.echo(f"note: {note}", err=True)
    click.echo("\n".join(taken.lines or ["No logbook in these files; nothing was changed"]))
