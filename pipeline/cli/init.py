"""`backtoback init DIR`."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("init", short_help="A new team folder, each file explained by an example.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def command(folder: Path) -> None:
    """Make a new team folder in DIR; nothing that is already there is touched.

    \b
    Each file holds an invented example and says what it is for. Put your own in its place:
      team.toml      the team, what can be changed on the car, what you believe about it
      drivers.csv    who drives with which transponder, and who is in the team
      meetings.csv   date, surface and grip of each meeting
      sessions.csv   only what the exports do not say
      setups.csv     the setup log
      exports/       timing exports, a folder a meeting

    \b
    Example:
      backtoback init our-team
    """
    from pipeline.team.new_team import write_new_team

    made = write_new_team(folder)
    click.echo(f"Made the team folder '{folder}': {', '.join(made)}")
    click.echo("Next: put your own names into these files, then import a meeting's exports:")
    click.echo(f"  backtoback --team {folder} import {folder}/exports/spring-round --meeting "
               "spring-round")  # fmt: skip
