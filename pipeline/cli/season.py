"""`backtoback season`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import class_option, force_option, out_option, team_option


@click.command("season", short_help="What each setup change was worth: tables and a report.")
@class_option
@out_option("reports/season in the team folder")
@force_option
@click.option("--second-opinion", is_flag=True, help="Fit pace with statsmodels too, side by side.")
@click.option("--timings", is_flag=True, help="Print the time of each stage on stderr.")
@click.option("--strict", is_flag=True, help="Fail if any row of the exports was set aside.")
@team_option
def command(
    class_name: str | None,
    out: Path | None,
    force: bool,
    second_opinion: bool,
    timings: bool,
    strict: bool,
    team: Path,
) -> None:
    """Analyse the season: what was each setup change worth, in which grip, how surely?

    Writes effects.csv, effects.parquet, runs.parquet, grip.parquet and the report index.html,
    and prints the report's first screen.

    \b
    Examples:
      backtoback season
      backtoback season --class touring --out results
      backtoback --team our-team season --second-opinion
    """
    from pipeline.cli.analysis import load, refuse_set_aside
    from pipeline.cli.steps import Steps

    steps = Steps()
    if strict:
        refuse_set_aside(team)
    loaded = load(team, class_name, steps)
    from pipeline.cli.pages import season_files

    out = out or team / "reports" / "season"
    path = season_files(loaded, out, steps, second_opinion, force=force)
    click.echo(f"\nReport: {path}")
    if timings:
        click.echo(steps.report(), err=True)
