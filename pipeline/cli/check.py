"""`backtoback check`."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli.options import class_option, counted, json_option, team_option
from pipeline.tables.conditions import CONDITIONS

if TYPE_CHECKING:
    from pipeline.checking import CheckReport
    from pipeline.public.joined import Joined

_MEETING_COUNTS = {
    "files": "files", "sessions": "sessions", "drivers": "drivers", "runs": "runs",
    "team_runs": "team's runs", "laps": "laps", "rows_set_aside": "rows set aside",
}  # fmt: skip


@click.command("check", short_help="What the store holds, what joined, what was set aside.")
@click.option("--strict", is_flag=True, help="Status 1 for a faulty setup log or rows set aside.")
@click.option(
    "--placebo",
    "logs",
    metavar="[N]",
    type=click.IntRange(20, 100_000),
    is_flag=False,
    flag_value=200,
    help="The whole analysis on N shuffled logs (200): what does it find?",
)
@class_option
@json_option
@team_option
def command(
    strict: bool, logs: int | None, class_name: str | None, as_json: bool, team: Path
) -> None:
    """Show what the store holds, what joined to drivers and setups, what was set aside and why,
    and which changes these data can tell apart from grip, drivers and other changes.

    Nothing is changed. Names that look like a driver of yours are suggested with the row to add
    to drivers.csv; they never count by themselves.

    With --placebo each driver's settings are shuffled among the runs of a day, many times, and
    the whole analysis is run on each shuffled log, in which nothing can be found but by chance.
    Ctrl-C gives what is done so far.

    \b
    Examples:
      backtoback check
      backtoback check --team our-team --json
      backtoback check --placebo 200
    """
    # Small matrices: waking threads takes longer than the work. Counts only before numpy loads.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from pipeline.public.teams import open_team

    opened = open_team(team)
    if logs is not None:
        _placebo(opened.join(class_name), logs, as_json)
        return
    answer = opened.check()
    report = answer.report
    if as_json:
        click.echo(json.dumps(answer, ensure_ascii=False))
    else:
        click.echo("\n".join(_text(report)))
    if strict and (report.problems or report.rows_set_aside):
        click.echo("with --strict: rows were set aside or the setup log has faults", err=True)
        raise click.exceptions.Exit(1)


def _placebo(joined: Joined, logs: int, as_json: bool) -> None:
    from dataclasses import asdict

    from tqdm import tqdm

    from pipeline.models.placebo import placebo_sentence, placebo_warning

    with tqdm(total=logs, desc="shuffled logs", unit="", leave=False) as bar:

        def show(done: int) -> None:
            bar.update(done - bar.n)

        tallies = joined.placebo(logs, workers=os.cpu_count() or 1, progress=show)
    if as_json:
        click.echo(json.dumps([asdict(tally) for tally in tallies]))
        return
    click.echo(placebo_sentence(tallies))
    for tally in tallies:
        click.echo(f"  {tally.words()}")
    if warning := placebo_warning(tallies):
        click.echo(f"\nwarning: {warning}", err=True)


def _text(report: CheckReport) -> Iterator[str]:
    laps = sum(row["laps"] for row in report.meetings)
    held = counted(len(report.meetings), "meeting")
    yield f"{report.team}: {held} in the store, {counted(laps, 'lap')}"
    if report.meetings:
        yield ""
        yield from _table([_meeting_row(row) for row in report.meetings])
    if report.not_imported:
        yield f"\nNot imported yet: {', '.join(report.not_imported)}"
    yield from _counts("laps", report.statuses)
    yield from _counts("rows set aside", {_title(code): n for code, n in report.reasons.items()})
    yield from _settings(report)
    yield from _list("How runs felt", [_scored(row) for row in report.feels])
    yield from _list("Logbooks that were taken in", [_taken(row) for row in report.logbooks])
    yield from _tell_apart(report)
    yield from _list("Names to look at", report.names)
    yield from _list("Notes", report.notes)
    count = counted(len(report.problems), "fault")
    faults = f"The setup log has {count}; `season` stops at them"
    yield from _list(faults, list(map(str, report.problems)))


def _meeting_row(row: Mapping[str, Any]) -> dict[str, str]:
    when = {"meeting": row["meeting"], "days": " ".join(row["days"])}
    conditions = {name: _shown(row[name]) for name in CONDITIONS}
    counts = {title: _shown(row[name]) for name, title in _MEETING_COUNTS.items()}
    return when | conditions | counts


def _shown(value: Any) -> str:
    return "?" if value is None or value != value else str(value)


def _counts(title: str, counts: Mapping[str, int]) -> Iterator[str]:
    if counts:
        total = sum(counts.values())
        yield f"\n{total} {title}: " + ", ".join(f"{name} {n}" for name, n in counts.items())


def _title(code: str) -> str:
    from pipeline.read.reasons import TITLES

    return TITLES.get(code, code).lower()


def _settings(report: CheckReport) -> Iterator[str]:
    several = len({row["class"] for row in report.settings}) > 1
    rows = [
        {
            **({"class": row["class"]} if several else {}),
            "factor": row["factor"],
            "known in": f"{row['known']} of {row['team_runs']} runs",
            "settings (runs)": ", ".join(f"{level} ({n})" for level, n in row["levels"].items()),
        }
        for row in report.settings
    ]
    if rows:
        yield "\nSettings of the team's runs:"
        yield from _table(rows)


def _scored(row: Mapping[str, Any]) -> str:
    return f"{row['label']}: scored in {row['scored']} of {row['team_runs']} runs"


def _taken(row: Mapping[str, Any]) -> str:
    return f"{row['meeting']}, {row['driver']}: {counted(row['runs'], 'run')}"


def _tell_apart(report: CheckReport) -> Iterator[str]:
    several = len({row["class"] for row in report.settings}) > 1
    if report.tell_apart:
        yield "\nWhat these data can tell apart:"
    for row in report.tell_apart:
        name = f"{row['class']}, " if several else ""
        name += f"{row['factor']} {row['level']} against {row['reference']}"
        if row["sentence"]:
            yield f"  no   {name}: {row['sentence']}"
        else:
            left = f"{100 * row['information_left']:.0f} % of the information left"
            yield f"  yes  {name}: {row['n_switches']} switches, {left}"


def _list(title: str, lines: Sequence[str]) -> Iterator[str]:
    if lines:
        yield f"\n{title}:"
        yield from (f"  {line}" for line in lines)


def _table(rows: Sequence[Mapping[str, str]]) -> Iterator[str]:
    """Rows in columns as wide as their widest cell."""
    table = [list(rows[0]), *(list(row.values()) for row in rows)]
    widths = [max(len(row[place]) for row in table) for place in range(len(table[0]))]
    for row in table:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        yield "  " + "  ".join(cells).rstrip()
