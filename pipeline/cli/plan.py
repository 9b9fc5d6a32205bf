"""`backtoback plan`."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click

from pipeline.cli.options import class_option, force_option, json_option, team_option
from pipeline.cli.steps import Steps
from pipeline.errors import CallError, Problem


@click.command("plan", short_help="A run order for a test day that grip cannot fool.")
@click.option("--factor", "factors", multiple=True, metavar="NAME", help="Factor to try (repeat).")
@click.option(
    "--open",
    "open",
    is_flag=True,
    help="Also the factors that the last season left open.",
)
@click.option(
    "--levels",
    "levels",
    multiple=True,
    metavar="NAME=A,B,…",
    help="Levels to try, the reference first (unless team.toml names it).",
)
@click.option("--drivers", type=int, required=True, help="Number of drivers.")
@click.option(
    "--driver",
    "names",
    multiple=True,
    metavar="NAME",
    help="Their names (repeat) [default: the team's, if the number fits].",
)
@click.option("--runs", type=int, required=True, help="Runs of each driver.")
@click.option(
    "--changes-between-runs",
    type=int,
    default=None,
    metavar="K",
    help="Factors changed at most between two runs [default: 1; 2 for 3 or more].",
)
@click.option(
    "--slow",
    "slow",
    multiple=True,
    metavar="NAME",
    help="Factor that is slow to change: at most twice a driver (repeat).",
)
@click.option(
    "--warm-up",
    type=int,
    default=1,
    show_default=True,
    help="First runs of each driver, at the reference.",
)
@click.option(
    "--minutes",
    type=click.FloatRange(1, 600),
    default=45.0,
    show_default=True,
    help="Minutes from one run of a driver to the next.",
)
@click.option(
    "--difference",
    type=float,
    default=None,
    metavar="S",
    help="Seconds a lap that matter [default: the team's, or 0.03].",
)
@click.option(
    "--skill",
    type=click.Choice(["fast", "club"]),
    default="fast",
    show_default=True,
    help="How well the drivers repeat a lap, where no season says it.",
)
@click.option("--meeting", default="test-day", show_default=True, help="Name of the test day.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    metavar="DIR",
    help="Folder for the sheet to print and its rows for setups.csv.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="Start of the search; the same seed gives the same order.",
)
@force_option
@class_option
@json_option
@team_option
def command(as_json: bool, levels: tuple[str, ...], class_name: str | None, **asked: Any) -> None:
    """Plan a test day: which driver runs what when, and how small a difference that can show.

    The order keeps each change apart from the grip of the day, which moves for all cars alike,
    and from the drivers. It works without a team folder too; then a factor may have any name.

    \b
    One factor, two drivers, eight runs each:
      backtoback plan --factor rear_bar --levels rear_bar=1.3,1.4 --drivers 2 --runs 8
    Two factors, one of them slow to change, with a sheet to print:
      backtoback plan --factor rear_bar --factor diff_oil --slow diff_oil \\
        --drivers 3 --runs 8 --meeting march-test --out march-test
    What the last season left open:
      backtoback plan --open --drivers 2 --runs 8
    """
    from pipeline.plan.output import as_json as json_of
    from pipeline.plan.output import as_text
    from pipeline.public.days import plan_day

    day = plan_day(levels=_levels(levels), racing_class=class_name, progress=Steps(), **asked)
    if as_json:
        click.echo(json.dumps(json_of(day.plan), ensure_ascii=False, allow_nan=False))
        return
    click.echo(as_text(day.plan))
    for path in day.written:
        click.echo(f"Written: {path}")


def _levels(given: Iterable[str]) -> dict[str, list[str]]:
    """`rear_bar=1.3,1.4` as name and levels."""
    out = {}
    for text in given:
        name, equals, listed = text.partition("=")
        if not equals:
            raise CallError(
                "levels that cannot be read",
                [Problem(f"'{text}'", "NAME=LEVEL,LEVEL", where="--levels")],
            )
        out[name.strip()] = [level.strip() for level in listed.split(",")]
    return out
