"""`backtoback rename OLD NEW`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import team_option


@click.command("rename", short_help="Give a meeting another name, everywhere at once.")
@click.argument("old")
@click.argument("new")
@team_option
def command(old: str, new: str, team: Path) -> None:
    """Give a meeting another name: in the store, exports/, logbooks/ and the rows of all tables.

    Comments, the order of rows and other columns stay. It is done everywhere or nowhere; tables in
    which the meeting has its new name already are left as they are. Pages that were made before
    keep the old name: make them again, logbooks for the track too.

    \b
    Examples:
      backtoback rename spring-round spring-cup
      backtoback rename "Round 1" "Round 1, postponed"
    """
    from pipeline.day.renaming import rename_meeting

    done = rename_meeting(team, old, new)
    click.echo(f"'{done.old}' is '{done.new}' now, in {', '.join(done.places)}")
