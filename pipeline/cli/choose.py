"""`backtoback choose`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli.options import class_option, fresh_option, json_option, team_option

if TYPE_CHECKING:
    import pandas as pd


@click.command("choose", short_help="What to fit in which grip, and what to test next.")
@click.option("--grip", metavar="WORD", help="At this grip: low, medium, high.")
@click.option("--surface", metavar="WORD", help="On this surface, as in meetings.csv.")
@click.option("--driver", metavar="NAME", help="For this driver, against what is on the car now.")
@class_option
@fresh_option
@json_option
@team_option
def command(
    grip: str | None,
    surface: str | None,
    driver: str | None,
    class_name: str | None,
    fresh: bool,
    as_json: bool,
    team: Path,
) -> None:
    """What to fit to the car in that condition: how likely it is the better, what it is worth over
    a race, and what to test next.

    Without --grip all grips that were run; without --driver for the team, against each factor's
    reference. With --grip every part has its sentence. No page is written.

    \b
    Examples:
      backtoback choose
      backtoback choose --grip high
      backtoback choose --grip low --driver "Ida Holm"
      backtoback choose --json
    """
    from pipeline.cli.pages import opened, say
    from pipeline.cli.steps import SEASON, Steps

    steps = Steps(SEASON)
    season: Any = opened(team, steps).season(class_name, fresh=fresh, keep=True, progress=steps)
    name = season.joined.team_driver(driver) if driver else None
    grips = [grip] if grip else _grips(season.choices)
    choices = _together([season.choose(word, surface, name) for word in grips])
    tests = _asked(season.tests, grip, name)
    steps("")
    say(season.notes)
    if as_json:
        _print_json(season, choices, tests)
        return
    from pipeline.report.contrasts import without_counters
    from pipeline.report.terminal_choices import choice_lines

    context = season.joined.context("choose")
    choices, tests = (without_counters(rows, season.runs) for rows in (choices, tests))
    click.echo("\n".join(choice_lines(choices, tests, context, whole=bool(grip))))


def _grips(choices: pd.DataFrame) -> list[str | None]:
    """All grips, and over all of them."""
    return [str(word) or None for word in choices["grip"].fillna("").unique()] or [None]


def _together(frames: list[pd.DataFrame]) -> pd.DataFrame:
    import pandas as pd

    return pd.concat(frames, ignore_index=True)


def _asked(tests: pd.DataFrame, grip: str | None, driver: str | None) -> pd.DataFrame:
    """Tests of that grip or of any, of that driver or of the team."""
    for column, word in (("grip", grip), ("driver", driver)):
        if word:
            tests = tests[tests[column].fillna("").isin(["", word])]
    return tests


def _print_json(season: Any, choices: pd.DataFrame, tests: pd.DataFrame) -> None:
    import json

    answer = {
        "season": None,
        "class": season.joined.source.racing_class or None,
        "choices": _rows(choices),
        "tests": _rows(tests),
        "notes": list(season.notes) or _why_empty(choices),
    }
    click.echo(json.dumps(answer, ensure_ascii=False, allow_nan=False))


def _why_empty(choices: pd.DataFrame) -> list[str]:
    return [] if len(choices) else ["nothing can be told: no factor was changed in these runs"]


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A dict a row; a missing cell is null."""
    blank = frame.astype(object).where(frame.notna(), None)
    return [{str(k): v for k, v in row.items()} for row in blank.to_dict("records")]
