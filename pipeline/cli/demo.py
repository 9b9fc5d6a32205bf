"""`backtoback demo`: the whole job on the demo team."""

from __future__ import annotations

import shutil
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.options import force_option
from pipeline.cli.steps import SEASON, Steps
from pipeline.errors import CallError, UserError

if TYPE_CHECKING:
    from pipeline.public.teams import OpenTeam
    from pipeline.team.folder import Team

IMPORT = 5.0  # share of a meeting's import, where a season's analysis is 87 (steps.SEASON)
MADE = ("store", "reports")  # what the tool itself puts into a team folder


@click.command("demo", short_help="The whole job on the demo team, from exports to a report.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("backtoback-demo"),
    show_default=True,
    metavar="DIR",
    help="Where the demo team's folder and its reports go.",
)
@force_option
def command(out: Path, force: bool) -> None:
    """Copy the demo team, import its exports, analyse the season, write all reports.

    The team, its drivers, venues and numbers are invented. The last line is the report's path.

    \b
    Examples:
      backtoback demo
      backtoback demo --out try-it
    """
    from pipeline.cli.pages import driver_files, meeting_file, opened, say_season

    steps, reports = Steps(SEASON), out / "reports"
    copy_demo(out, force)
    team = opened(out, steps)
    import_all(team, steps)
    season = team.season(out=reports / "season", force=force, progress=steps)
    say_season(season, steps)
    click.echo("")
    joined = season.joined
    steps("meeting")
    first = joined.meeting(str(joined.data.runs["meeting"].iloc[0]))
    sheet = meeting_file(first, reports / "meetings", steps, lines=False, force=force)
    paths = driver_files(season, joined.team_drivers, reports / "share", steps, force=force)
    report = reports / "season" / "index.html"
    click.echo(f"\nRun sheet of one meeting: {sheet}")
    click.echo(f"One file a driver: {paths[0].parent} ({len(paths)} files)")
    click.echo(f"Season's report: {report.resolve()}")


def copy_demo(out: Path, force: bool = False) -> Team:
    """The demo team's folder at `out`; made again where it is the demo's own.

    Raises CallError where `out` holds something else, UserError where a file of it was changed.
    """
    from pipeline.tables.outputs import write_files
    from pipeline.team.folder import load_team

    source = demo_folder()
    config = out / "team.toml"
    if out.exists() and any(out.iterdir()) and not _same(config, source / "team.toml"):
        raise CallError(f"'{out}' holds something else; give another folder with --out")
    write_files(out, _files_of(source), force=force)
    shutil.rmtree(out / "store", ignore_errors=True)
    return load_team(out)


def _files_of(source: Path) -> dict[str, bytes]:
    """What the demo team has from its people and clubs, by its path in the folder."""
    paths = {path.relative_to(source).as_posix(): path for path in sorted(source.rglob("*"))}
    return {
        name: path.read_bytes()
        for name, path in paths.items()
        if path.is_file() and name.split("/")[0] not in MADE and ".py" not in path.suffix
    }


def _same(one: Path, other: Path) -> bool:
    return one.is_file() and one.read_bytes() == other.read_bytes()


def demo_folder() -> Path:
    """Where the demo team lies: in the installed package, else in the checkout."""
    installed = Path(str(resources.files("pipeline"))) / "demo_team"
    checkout = Path(str(resources.files("pipeline"))).parent / "data_demo"
    for folder in (installed, checkout):
        if (folder / "team.toml").is_file():
            return folder
    raise UserError("the demo team is not part of this installation; install backtoback again")


def import_all(team: OpenTeam, steps: Steps) -> None:
    """Every folder below exports/ into the meeting of its name."""
    rows = kept = 0
    folders = [f for f in sorted((team.team.folder / "exports").iterdir()) if f.is_dir()]
    steps.expect({f"import {folder.name}": IMPORT for folder in folders})
    for folder in folders:
        steps(f"import {folder.name}")
        count = team.import_exports(folder, folder.name)
        rows, kept = rows + count["rows_in"], kept + count["rows_kept"]
    click.echo(f"{rows} rows of exports = {kept} kept + {rows - kept} set aside\n")
