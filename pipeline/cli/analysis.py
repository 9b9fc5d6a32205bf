"""What season, meeting, share and demo have in common: from a team folder to results."""

from __future__ import annotations

import datetime
import os
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.steps import Steps
from pipeline.errors import UserError

if TYPE_CHECKING:
    from pipeline.report.context import ReportContext
    from pipeline.report.privacy import Others
    from pipeline.runs.gathering import Season
    from pipeline.tables.records import SeasonData, SeasonResult
    from pipeline.team.folder import Team


@dataclass(frozen=True)
class Loaded:
    """A team folder with one class's season joined; not yet analysed."""

    team: Team
    season: Season

    @property
    def data(self) -> SeasonData:
        return self.season.data

    def context(self, command: str) -> ReportContext:
        """The words of a report made by this command."""
        from pipeline.report.context import make_context
        from pipeline.report.provenance import provenance

        shown = self.season.racing_class if len(self.season.classes) > 1 else ""
        option = f" --class {shown}" if shown else ""
        made = provenance(self.team.folder, f"backtoback {command}{option}", today())
        team = self.team
        return make_context(
            team.name, team.factors, team.race_seconds, team.worthwhile_s, made, shown,
            set_aside_reasons(team.folder),
        )  # fmt: skip

    def others(self, driver: str) -> Others:
        """Who must not stand in the file of `driver`."""
        import pandas as pd

        from pipeline.report.privacy import others_of

        streams, listed = self.season.streams, self.team.drivers
        given = streams[streams["name_as_given"].notna()]
        spellings = {str(n): set(rows["name_as_given"]) for n, rows in given.groupby("driver")}
        numbers = {*streams["transponder"].dropna(), *listed["transponder"]}
        people = pd.concat([streams[["driver", "team"]], listed[["driver", "team"]]])
        consenting = [name for name in self.team.team_drivers if self.team.shares(name)]
        return others_of(driver, people, consenting, spellings, numbers)


def load(folder: Path, class_name: str | None, steps: Steps) -> Loaded:
    """Read the team folder and its store, and join the setup log.

    Raises UserError or CallError as pipeline.team.folder and pipeline.runs.gathering do.
    """
    from pipeline.runs.gathering import load_season, read_season
    from pipeline.team.folder import load_team

    steps("reading")
    team = load_team(folder)
    for warning in team.warnings:
        click.echo(f"note: {warning}", err=True)
    season = read_season(team, class_name)
    if season.setups.problems or not season.data.runs["team"].any():
        load_season(team, class_name)  # says what is wrong, and raises
    return Loaded(team, season)


def analyse(loaded: Loaded, steps: Steps, *, second_opinion: bool = False) -> SeasonResult:
    """Fit the season's models."""
    steps("libraries")  # a third of a second to load, which is neither reading nor fitting
    from pipeline.models.season import analyse as fit
    from pipeline.tables.schema import OUTCOMES

    result = fit(loaded.data, second_opinion=second_opinion, progress=steps)
    steps.side_by_side = {name: result.timings[name] for name in OUTCOMES if name in result.timings}
    return result


def refuse_set_aside(folder: Path) -> None:
    """With --strict: rows that were set aside on import are a reason to stop."""
    count = sum(rows for _, rows in set_aside_reasons(folder))
    if count:
        raise UserError(
            f"with --strict: {count} rows of the exports were set aside on import; nothing was "
            "written. `backtoback check` lists them with their reasons"
        )


def set_aside_reasons(folder: Path) -> tuple[tuple[str, int], ...]:
    """(reason in words, rows set aside for it) over all imports, the commonest first."""
    from pipeline.read.reasons import TITLES
    from pipeline.store.parquet import open_store

    counts: Counter[str] = Counter()
    for _, record in open_store(folder).all_imports():
        counts.update(record.reasons)
    return tuple((TITLES.get(code, code), count) for code, count in counts.most_common())


def say_left_out(loaded: Loaded, result: SeasonResult) -> None:
    """On stderr: what was set aside and what cannot be told."""
    count = sum(rows for _, rows in set_aside_reasons(loaded.team.folder))
    if count:
        click.echo(f"note: {count} rows of the exports were set aside (backtoback check)", err=True)
    excluded = result.runs["excluded"].notna().sum()
    if excluded:
        click.echo(f"note: {excluded} runs are of excluded sessions", err=True)
    for note in (*loaded.season.notes, *result.notes):
        click.echo(f"note: {note}", err=True)


def today() -> str:
    """The day (ISO), from SOURCE_DATE_EPOCH where that is set: the same bytes again."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if epoch.isdigit():
        return datetime.datetime.fromtimestamp(int(epoch), datetime.UTC).date().isoformat()
    return datetime.datetime.now(datetime.UTC).date().isoformat()
