"""`backtoback season`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import class_option, force_option, fresh_option, out_option, team_option
from pipeline.errors import UserError


@click.command("season", short_help="What each setup change was worth: tables and a report.")
@class_option
@out_option("reports/season in the team folder")
@force_option
@click.option("--name", metavar="NAME", help="One season, where team.toml names several.")
@click.option(
    "--until",
    metavar="DATE",
    help="As it would have been seen on that day: later meetings are left out.",
)
@click.option("--alone", is_flag=True, help="From this season's laps alone, without earlier ones.")
@click.option(
    "--without", metavar="NAME", multiple=True, help="Leave an earlier season out; may be repeated."
)
@click.option("--second-opinion", is_flag=True, help="Fit pace with statsmodels too, side by side.")
@click.option("--timings", is_flag=True, help="Print the time of each stage on stderr.")
@click.option("--strict", is_flag=True, help="Fail if any row of the exports was set aside.")
@fresh_option
@team_option
def command(
    class_name: str | None,
    out: Path | None,
    force: bool,
    name: str | None,
    until: str | None,
    alone: bool,
    without: tuple[str, ...],
    second_opinion: bool,
    timings: bool,
    strict: bool,
    fresh: bool,
    team: Path,
) -> None:
    """Analyse the season: what was each setup change worth, in which grip, how surely?

    Writes effects.csv, effects.parquet, runs.parquet, grip.parquet and the report index.html,
    and prints the report's first screen.

    \b
    Examples:
      backtoback season
      backtoback season --class touring --out results
      backtoback season --until 2026-06-30
      backtoback season --name 2025 --alone
      backtoback --team our-team season --second-opinion
    """
    from pipeline.cli.pages import opened, say_season
    from pipeline.cli.steps import SEASON, Steps

    steps = Steps(SEASON)
    if strict:
        _refuse_set_aside(team)
    out = out or team / "reports" / "season"
    season = opened(team, steps).season(
        class_name, name, until, out, alone=alone, without=without, force=force, fresh=fresh,
        second_opinion=second_opinion, progress=steps,
    )  # fmt: skip
    say_season(season, steps)
    click.echo(f"\nReport: {out / 'index.html'}")
    if timings:
        click.echo(steps.report(), err=True)


def _refuse_set_aside(folder: Path) -> None:
    """With --strict: rows that were set aside on import are a reason to stop."""
    from pipeline.checking import set_aside_reasons

    count = sum(rows for _, rows in set_aside_reasons(folder))
    if count:
        raise UserError(
            f"with --strict: {count} rows of the exports were set aside on import; nothing was "
            "written. `backtoback check` lists them with their reasons"
        )
