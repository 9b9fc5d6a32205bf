"""`backtoback share`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import class_option, force_option, fresh_option, out_option, team_option
from pipeline.errors import CallError


@click.command("share", short_help="One file for one driver, with nobody else's data in it.")
@click.option("--driver", metavar="NAME", help="The driver, as in drivers.csv.")
@click.option("--all", "everyone", is_flag=True, help="A file for each driver of the team.")
@click.option("--guide", is_flag=True, help="A page to publish: options by grip, nobody's name.")
@class_option
@out_option("reports/share in the team folder")
@force_option
@fresh_option
@team_option
def command(
    driver: str | None,
    everyone: bool,
    guide: bool,
    class_name: str | None,
    out: Path | None,
    force: bool,
    fresh: bool,
    team: Path,
) -> None:
    """One self-contained page for one driver, to send on: it opens on a phone, offline.

    It says what this driver should fit at each grip, beside what the car had on, and holds the
    driver's own runs, own effects where they differ, and what the team found. Other people's names
    and transponders are taken out. Team-mates' effects stand there, with their names, once all of
    the team (three or more) have `yes` in the column share of drivers.csv; before that nobody's do,
    so that nobody can be told by who is missing. What the team found has everybody in: in a team of
    two, each can reckon the other's share of it.

    With --guide the page is for publishing: which option in which grip, with its evidence, without
    any person's name and without free text of the team but labels.

    \b
    Examples:
      backtoback share --driver "Ida Holm"
      backtoback share --all --out to-send
      backtoback share --guide
    """
    if bool(driver) + everyone + guide != 1:
        raise CallError("say for whom: --driver NAME or --all, or --guide")
    from pipeline.cli.pages import driver_files, guide_file, opened
    from pipeline.cli.steps import SEASON, Steps

    steps = Steps(SEASON)
    joined = opened(team, steps).join(class_name)
    drivers = [joined.team_driver(driver)] if driver else joined.team_drivers
    season = joined.season(fresh=fresh, keep=True, progress=steps)
    out = out or team / "reports" / "share"
    if guide:
        files = [guide_file(season, out, steps, force=force)]
    else:
        files = driver_files(season, drivers, out, steps, force=force)
    for path in files:
        click.echo(f"{path} ({path.stat().st_size / 1000:.0f} kB)")
