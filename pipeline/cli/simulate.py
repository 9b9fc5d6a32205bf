"""`simulate`: an invented team folder of chosen size."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.errors import CallError


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--meetings", type=click.IntRange(1, 60), default=6, show_default=True)
@click.option(
    "--drivers",
    type=click.IntRange(1, 200),
    default=36,
    show_default=True,
    help="All drivers, the team's among them.",
)
@click.option("--team-drivers", type=click.IntRange(1, 50), default=5, show_default=True)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    help="The same seed gives the same folder.",
)
@click.option(
    "--log",
    type=click.Choice(["changes", "sheet"]),
    default="changes",
    show_default=True,
    help="Form of the setup log: a row a change, or a row a run.",
)
def command(
    folder: Path, meetings: int, drivers: int, team_drivers: int, seed: int, log: str
) -> None:
    """Write an invented team's folder: exports in all layouts, setup log, drivers, meetings.

    People, places and laps are made up; what the options do comes from a model of track, tyres
    and drivers, so that the tool can be tried and taught before there are own data.

    \b
    A season to play with, then the whole job on it:
      backtoback simulate playground
      backtoback --team playground import playground/exports/round-1 --meeting round-1
    A small one:
      backtoback simulate small --meetings 2 --drivers 12 --team-drivers 2
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise CallError(f"'{folder}' is there already; give a new folder's name")
    if team_drivers > drivers:
        raise CallError(f"{team_drivers} team drivers, but only {drivers} drivers in all")
    from pipeline.simulate.season import TeamSpec, write_team_folder

    spec = TeamSpec(meetings=meetings, drivers=drivers, team_drivers=team_drivers, log=log)
    files = write_team_folder(folder, spec, seed)
    click.echo(f"{len(files)} files in {folder}: {meetings} meetings, {drivers} drivers")
