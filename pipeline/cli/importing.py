"""`backtoback import PATH… --meeting NAME`."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.options import counted, json_option, team_option
from pipeline.errors import CallError

if TYPE_CHECKING:
    from pipeline.store.export_files import ExportFile
    from pipeline.store.importing import ImportReport
    from pipeline.store.parquet import ImportRecord


@click.command("import", short_help="Take timing exports of a meeting into the store.")
@click.argument("paths", nargs=-1, metavar="PATH...", type=click.Path(path_type=Path))
@click.option("--meeting", required=True, metavar="NAME", help="The meeting, as in meetings.csv.")
@click.option("--session", metavar="NAME", help="Session, where the export does not say.")
@click.option("--start", metavar="TIME", help="Start of the session (13:45), where it does not.")
@click.option(
    "--layout",
    metavar="NAME",
    help="How the export is laid out, as laps, if it is not found by itself.",
)
@click.option(
    "--map",
    "mappings",
    multiple=True,
    metavar="FIELD=COLUMN",
    help="Which column is what, as lap_s='Net time'; remembered for exports with that header.",
)
@click.option("--dry-run", is_flag=True, help="Show what was understood; change nothing.")
@click.option("--undo", is_flag=True, help="Take these files, or the whole meeting, out again.")
@click.option("--strict", is_flag=True, help="Fail, and change nothing, if a row is set aside.")
@json_option
@team_option
def command(
    paths: tuple[Path, ...],
    meeting: str,
    session: str | None,
    start: str | None,
    layout: str | None,
    mappings: tuple[str, ...],
    dry_run: bool,
    undo: bool,
    strict: bool,
    as_json: bool,
    team: Path,
) -> None:
    """Take timing exports (files, or folders of them) into the store.

    Encoding, delimiter, layout and columns are found by themselves; --dry-run shows how. An
    import is all or nothing. The same file again changes nothing; a corrected file of the same
    name replaces what the old one brought. Rows that cannot be used are set aside with a reason.

    \b
    A row a lap:      driver and/or transponder, lap, lap time, perhaps time of day and session
    A row a passing:  time of day and transponder; laps are made from these
    A grid:           a column a driver, a row a lap, lap times in the cells

    \b
    Examples:
      backtoback import exports/spring-round --meeting spring-round
      backtoback import heat3.csv --meeting spring-round --session "Qualifying 2" --start 13:45
      backtoback import heat3.csv --meeting spring-round --dry-run
      backtoback import heat3.csv --meeting spring-round --map lap_s="Net time" --map driver=Who
      backtoback import heat3.csv --meeting spring-round --undo
    """
    from pipeline.public.teams import open_team

    opened = open_team(team)
    answer = opened.import_exports(
        paths, meeting, session=session, start=start, layout=layout, map=_mapping(mappings),
        dry_run=dry_run, undo=undo, strict=strict, progress=_progress,
    )  # fmt: skip
    if undo:
        from pipeline.store.importing import waiting

        for sentence in waiting(opened.team, meeting, answer.report):
            click.echo(f"note: {sentence}", err=True)
    else:
        _say_aside(answer.report, opened.notes)
    if as_json:
        click.echo(json.dumps(answer, ensure_ascii=False))
    elif undo:
        click.echo(_taken_out(answer.report, meeting))
    else:
        click.echo("\n\n".join(answer.report.understood if dry_run else []), nl=dry_run)
        click.echo(_summary(answer.report, meeting, dry_run))


def _mapping(pairs: Iterable[str]) -> dict[str, str]:
    found = {}
    for pair in pairs:
        name, sign, column = pair.partition("=")
        if not sign or not name.strip() or not column.strip():
            raise CallError(f"--map {pair}: expected FIELD=COLUMN, as --map driver=Who")
        found[name.strip()] = column.strip()
    return found


def _progress(files: list[ExportFile]) -> Iterable[ExportFile]:
    """A bar on stderr if it takes over two seconds."""
    from tqdm import tqdm

    return tqdm(files, desc="reading", unit="file", delay=2, leave=False)


def _say_aside(report: ImportReport, warnings: Iterable[str]) -> None:
    """On stderr: what was left out, and why."""
    for warning in [*warnings, *report.warnings]:
        click.echo(f"note: {warning}", err=True)
    for skipped in report.skipped:
        click.echo(f"not imported: {skipped.source}: {skipped.why}", err=True)
    for reason, count in sorted(report.reasons.items()):
        click.echo(f"set aside: {counted(count, 'row')}: {_title(reason)}", err=True)


def _title(code: str) -> str:
    from pipeline.read.reasons import TITLES

    return f"{TITLES[code].lower()} ({code})" if code in TITLES else code


def _summary(report: ImportReport, meeting: str, dry_run: bool) -> str:
    count = report.as_json()
    text = (
        f"{meeting}: {counted(count['laps'], 'lap')} of {counted(count['drivers'], 'driver')} in "
        f"{counted(count['sessions'], 'session')}, from {counted(count['files'], 'file')}; "
        f"{count['rows_in']} rows = {count['rows_kept']} kept + {count['rows_set_aside']} set aside"
    )
    if report.nothing_new:
        return f"{text}. All of it was imported already; nothing was changed"
    if report.already_imported:
        text += f". {report.already_imported} of the files were imported already"
    return f"{text}. Dry run: nothing was changed" if dry_run else text


def _taken_out(gone: list[ImportRecord], meeting: str) -> str:
    lines = [f"taken out: {record.source} ({record.laps} laps)" for record in gone]
    laps = counted(sum(record.laps for record in gone), "lap")
    return "\n".join(
        [*lines, f"{meeting}: {counted(len(gone), 'file')} with {laps} out of the store"]
    )
