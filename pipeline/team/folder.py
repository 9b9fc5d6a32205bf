"""The team folder: read once, checked once, not changed after."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Problem, UserError
from pipeline.tables.conditions import CONDITIONS, parted
from pipeline.team.factors import Claim, Factor, Feel, NumberCondition, Property
from pipeline.team.seasons import NamedSeason
from pipeline.team.sheets import nearest

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Claim", "Factor", "Feel", "Meeting", "NumberCondition", "Property", "Team", "load_team"]


@dataclass(frozen=True)
class Meeting:
    """A row of meetings.csv; surface, grip and layout are '' where it does not say."""

    meeting: str
    date: str
    venue: str
    surface: str
    grip: str
    timezone: str
    layout: str


@dataclass(frozen=True, eq=False)
class Team:
    """A team folder that has passed every check.

    racing_class: the class that is meant where none is named, or ''.
    drivers: driver, transponder, team (bool), from, until (ISO day or ''), class, share (bool).
    meetings: meeting, date, venue, surface, grip, timezone, layout.
    sessions: meeting, session, kind, date, start (HH:MM:SS or ''), class, heat, exclude (the
    reason, or ''), grip. Both with a column a condition. All are text but the two bools, and
    indexed by the line of the file.
    """

    folder: Path
    name: str
    race_seconds: float
    worthwhile_s: float
    factors: tuple[Factor, ...]
    claims: tuple[Claim, ...]
    drivers: pd.DataFrame
    meetings: pd.DataFrame
    sessions: pd.DataFrame
    warnings: tuple[str, ...] = ()
    feels: tuple[Feel, ...] = ()
    worth_changing_s: float = 0.1
    properties: tuple[Property, ...] = ()
    racing_class: str = ""
    conditions: tuple[NumberCondition, ...] = ()
    seasons: tuple[NamedSeason, ...] = ()

    def factor(self, name: str) -> Factor | None:
        """The factor of that name or label, in any case."""
        from pipeline.team.tables import plain

        for factor in self.factors:
            if plain(name) in (plain(factor.name), plain(factor.label)):
                return factor
        return None

    def meeting(self, name: str) -> Meeting | None:
        """The row of meetings.csv for a meeting, in any case."""
        from pipeline.team.tables import MEETINGS, plain

        for row in self.meetings[list(MEETINGS)].itertuples(index=False):
            if plain(row[0]) == plain(name):
                return Meeting(*row)
        return None

    @property
    def team_drivers(self) -> list[str]:
        """Drivers of the team, in the order of drivers.csv."""
        return list(dict.fromkeys(self.drivers.loc[self.drivers["team"], "driver"]))

    def shares(self, driver: str) -> bool:
        """Whether a driver's name may stand in another driver's file (column `share`)."""
        rows = self.drivers[self.drivers["driver"] == driver]
        return bool(len(rows)) and bool(rows["share"].all())


def load_team(folder: Path | str) -> Team:
    """Read and check a team folder.

    Raises UserError with one problem for each fault of all its files at once; the setup log is
    checked where it is joined to runs (`pipeline.runs.setups`).
    """
    folder = Path(folder)
    config_path = folder / "team.toml"
    if not config_path.is_file():
        raise UserError(no_team(folder))
    from pipeline.team.config import read_config
    from pipeline.team.tables import read_tables

    config = read_config(config_path)
    tables = read_tables(folder, config.conditions)
    problems = [*config.problems, *tables.problems]
    if problems or config.team is None:
        raise UserError(_many(problems), problems)
    warnings = [*tables.warnings, *_claim_warnings(config.claims, tables.meetings)]
    warnings += _feel_warnings(config.feels)
    return Team(
        folder, config.team.name, config.team.race_seconds, config.team.worthwhile_s,
        tuple(config.factors), tuple(config.claims), tables.drivers, tables.meetings,
        tables.sessions, tuple(warnings), tuple(config.feels),
        config.team.worth_changing_s, tuple(config.properties),
        config.team.racing_class or "", tuple(config.conditions),
        tuple(config.seasons),
    )  # fmt: skip


def _many(problems: list[Problem]) -> str:
    count = len(problems)
    return f"the team folder has {count} fault{'s' if count != 1 else ''}:"


def no_team(folder: Path) -> str:
    """What to say of a folder that is no team's."""
    if not folder.is_dir():
        return f"there is no folder '{folder}'. Make one with `backtoback init {folder}`"
    return (
        f"'{folder}' is not a team folder: it has no team.toml. Give the team's folder with "
        "--team, or make one with `backtoback init DIR`"
    )


def _claim_warnings(claims: list[Claim], meetings: pd.DataFrame) -> list[str]:
    """Claims about a condition of any word, as a surface, that no meeting had."""
    out = []
    for claim in claims:
        name, value = parted(claim.condition)
        known = set(meetings[name]) - {""} if value else set()
        if value and not CONDITIONS[name].values and value not in known:
            where = f"team.toml: the claim '{claim.text}' is about {name} {value}, which no meeting"
            out.append(f"{where} had. {nearest(value, known)}".rstrip())
    return out


def _feel_warnings(feels: list[Feel]) -> list[str]:
    """Five taps after a run are what a driver gives (common practice, no published source)."""
    many = f"team.toml: {len(feels)} [[feel]] are asked after each run; ask five at most"
    return [many] if len(feels) > 5 else []
