"""`backtoback meeting NAME`."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import class_option, force_option, out_option, team_option


@click.command("meeting", short_help="The run sheet of one meeting, corrected for grip.")
@click.argument("name")
@click.option(
    "--plan",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="plan.json of the day [default: the one of this meeting in the team folder].",
)
@class_option
@out_option("reports/meetings in the team folder")
@force_option
@team_option
def command(
    name: str, plan: Path | None, class_name: str | None, out: Path | None, force: bool, team: Path
) -> None:
    """The run sheet of the meeting NAME: a row a run, with the grip of the day taken out.

    Says what was changed before each run and what difference it made, as far as one day can say.
    Of a planned day it answers the plan's questions, and says which runs departed from it.

    \b
    Examples:
      backtoback meeting spring-round
      backtoback meeting spring-round --out tonight
    """
    from pipeline.cli.pages import meeting_file, opened
    from pipeline.cli.steps import Steps

    steps = Steps({"reading": 8, "meeting": 8, "report": 4})
    sheet = opened(team, steps).meeting(name, class_name, plan=plan, progress=steps)
    out = out or team / "reports" / "meetings"
    path = meeting_file(sheet, out, steps, force=force)
    click.echo(f"\nRun sheet: {path}")
