"""The command `backtoback`: each verb is a module of this folder, imported when it is called."""

from __future__ import annotations

import gc
import importlib
import os
import sys
from typing import Any

import click

from pipeline.cli.process import interruptible, outliving
from pipeline.errors import UserError, system_words
from pipeline.tables.moment import recording

STOPPED = 130  # as shells say it of a command that Ctrl-C ended

# verb -> (module of this folder, one line for --help). In the order of use.
VERBS = {
    "demo": ("demo", "The whole job on the demo team, from exports to a report."),
    "init": ("init", "A new team folder, each file explained by an example."),
    "import": ("importing", "Take timing exports of a meeting into the store."),
    "check": ("check", "What the store holds, what joined, what was set aside and why."),
    "meeting": ("meeting", "The run sheet of one meeting, corrected for grip."),
    "season": ("season", "What each setup change was worth: tables and a report."),
    "choose": ("choose", "What to fit in which grip, and what to test next."),
    "share": ("share", "One file for one driver, with nobody else's data in it."),
    "plan": ("plan", "A run order for a test day that grip cannot fool."),
    "logbook": ("logbook", "A page a driver, on which the log is kept at the track, offline."),
    "log": ("log", "Take what logbooks hand on into the team folder."),
    "watch": ("watch", "Import exports as they appear, and redraw the run sheet."),
    "rename": ("rename", "Give a meeting another name, everywhere at once."),
    "simulate": ("simulate", "An invented team folder, to try the tool on."),
}


class VerbGroup(click.Group):
    """Commands by name from `VERBS`, so that `--help` loads none of them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        module = importlib.import_module(f"pipeline.cli.{VERBS[cmd_name][0]}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(verb, line) for verb, (_, line) in VERBS.items()])


def _show_version(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        from pipeline import __version__

        click.echo(f"backtoback, version {__version__}")
        ctx.exit()


@click.group(cls=VerbGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--team", "team", type=click.Path(), default=None, help="Team folder [default: .].")
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_show_version,
    help="Show the version and exit.",
)
@click.pass_context
def cli(ctx: click.Context, team: str | None) -> None:
    """What was each setup change worth?

    Timing exports and the team's setup log in; pace, spread, mistakes and race effects of each
    change out, corrected for the grip of the day.

    \b
    The evening after a meeting:
      backtoback import exports/spring-round --meeting spring-round
      backtoback meeting spring-round
    At the end of the season:
      backtoback season
      backtoback share --all
    Before a test day:
      backtoback plan --factor rear_bar --drivers 2 --runs 8
    """
    ctx.obj = {"team": team}


def main(args: list[str] | None = None) -> None:
    """Run the command and exit: 0 done, 1 could not be done, 2 the call is wrong, 130 Ctrl-C."""
    # Read by the linear algebra as it loads: for many small fits threads cost more than they give.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # A command makes many objects that stay, and few that must be sought: looking less often for
    # these saves a tenth of its time.
    gc.set_threshold(50_000, 10, 10)
    with recording() as places:
        status = _run(args, places)
    sys.exit(status)


def _run(args: list[str] | None, places: list[str]) -> int:
    """The exit status, with what went wrong said. places: what was changed for good by then."""
    try:
        with interruptible(), outliving():
            status = cli.main(args=args, prog_name="backtoback", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except UserError as error:
        return _said(str(error), error.exit_status)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        return _said(f"stopped; {_standing(places)}", STOPPED)
    except OSError as error:
        return _said(f"{system_words(error)}; {_standing(places)}", 1)
    except MemoryError:
        return _said(f"there is not enough memory for this; {_standing(places)}", 1)
    except Exception as error:
        if os.environ.get("BACKTOBACK_DEBUG"):
            raise
        return _said(_unexpected(error, places), 1)


def _said(message: str, status: int) -> int:
    click.echo(f"backtoback: {message}", err=True)
    return status


def _standing(places: list[str]) -> str:
    """What is as before, and what is not."""
    if not places:
        return "nothing was changed"
    return f"what was written before that stands: {', '.join(places)}"


def _unexpected(error: Exception, places: list[str]) -> str:
    words: Any = str(error).strip().splitlines()
    first = words[0] if words else ""
    return (
        f"a fault of the program, not of your data ({type(error).__name__}: {first}); "
        f"{_standing(places)}. Run again with BACKTOBACK_DEBUG=1 for the details. Look through "
        "them for names of people and folders first, then send them with the command that you gave"
    )
