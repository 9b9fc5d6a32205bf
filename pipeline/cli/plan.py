"""`backtoback plan`."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import click

from pipeline.cli.options import class_option, force_option, fresh_option, json_option, team_option
from pipeline.cli.steps import SEASON, Steps
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
@click.option("--drivers", type=int, default=None, help="Number of drivers.")
@click.option(
    "--driver",
    "names",
    multiple=True,
    metavar="NAME",
    help="Their names (repeat) [default: the team's, if the number fits].",
)
@click.option("--runs", type=int, default=None, help="Runs of each driver.")
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
    "--hold",
    "hold",
    multiple=True,
    metavar="NAME=LEVEL",
    help="Factor that stays as it is all day (repeat).",
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
    "--first",
    "first",
    default=None,
    metavar="HH:MM",
    help="Start of the first run [default: 09:00]; with --resume of the next.",
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
    help="Folder for the sheet to print, its rows for setups.csv, and plan.json.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=None,
    help="Number that the lot is drawn by [default: from the day's name and drivers].",
)
@click.option(
    "--resume",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    metavar="FILE",
    help="plan.json of a day that has begun: plan the rest anew from what was really run.",
)
@click.option(
    "--without",
    multiple=True,
    metavar="NAME",
    help="With --resume: driver who does not run on (repeat).",
)
@force_option
@fresh_option
@class_option
@json_option
@team_option
@click.pass_context
def command(
    context: click.Context,
    as_json: bool,
    levels: tuple[str, ...],
    hold: tuple[str, ...],
    class_name: str | None,
    **asked: Any,
) -> None:
    """Plan a test day: which driver runs what when, and how small a difference that can show.

    The order keeps each change apart from the grip of the day, which moves for all cars alike,
    and from the drivers. It is drawn by lot from all that are as good as the best, so that the run
    sheet can say afterwards how many of them would have shown as much. It works without a team
    folder too; then a factor may have any name.

    A day that went otherwise is planned anew from where it is: --resume takes who ran what from the
    store and the logbooks, everything else from the file.

    \b
    One factor, two drivers, eight runs each:
      backtoback plan --factor rear_bar --levels rear_bar=1.3,1.4 --drivers 2 --runs 8
    Two factors, one of them slow to change, with a sheet to print:
      backtoback plan --factor rear_bar --factor diff_oil --slow diff_oil \\
        --drivers 3 --runs 8 --meeting march-test --out march-test
    What the last season left open:
      backtoback plan --open --drivers 2 --runs 8
    A car is broken; the rest of the day without its driver:
      backtoback plan --resume march-test/plan.json --without "Ida Holm" --out march-test
    """
    from pipeline.plan.output import as_json as json_of
    from pipeline.plan.output import as_text
    from pipeline.public.days import plan_day

    _check_given(context)
    day = plan_day(
        levels={
            name: [one.strip() for one in value.split(",")]
            for name, value in _pairs(levels, "--levels")
        },
        hold=dict(_pairs(hold, "--hold")),
        racing_class=class_name,
        progress=Steps({**SEASON, "searching an order": 10}),
        **{name: value for name, value in asked.items() if value is not None},
    )
    if as_json:
        click.echo(json.dumps(json_of(day.plan), ensure_ascii=False, allow_nan=False))
        return
    click.echo(as_text(day.plan))
    for path in day.written:
        click.echo(f"Written: {path}")


# What may be said with --resume; all else is in the file.
_RESUMING = {"resume", "without", "runs", "first", "seed", "out", "force", "class_name", "as_json"}


def _check_given(context: click.Context) -> None:
    """Raises CallError for options that do not go together, or are missing."""
    given = {
        name
        for name in context.params
        if context.get_parameter_source(name) == click.core.ParameterSource.COMMANDLINE
    }
    options = {str(one.name): one.opts[0] for one in context.command.params}
    if "resume" in given:
        wrong = sorted(given - _RESUMING - {"team"})
        problems = [Problem(options[name], "nothing: it is in the file") for name in wrong]
    else:
        problems = [
            Problem(f"no {options[n]}", "a number") for n in ("drivers", "runs") if n not in given
        ]
        if "without" in given:
            problems.append(Problem("--without", "--resume FILE beside it"))
    if problems:
        raise CallError("these options do not make a call", problems)


def _pairs(given: Iterable[str], option: str) -> Iterator[tuple[str, str]]:
    """`rear_bar=1.3,1.4` as name and what is said of it."""
    for text in given:
        name, equals, value = text.partition("=")
        if not equals:
            expected = "NAME=LEVEL,LEVEL" if option == "--levels" else "NAME=LEVEL"
            raise CallError(
                "levels that cannot be read", [Problem(f"'{text}'", expected, where=option)]
            )
        yield name.strip(), value.strip()
