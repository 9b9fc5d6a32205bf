"""A whole team folder: what the team writes, and the exports it was sent."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from pipeline.simulate.calendar import MAIN_CLASS, RUN_SECONDS, Meeting
from pipeline.simulate.car import SetupFactor
from pipeline.simulate.drivers import Driver
from pipeline.simulate.exports import Style, clock_text, write_exports
from pipeline.simulate.felt import FeltThing, felt_table
from pipeline.simulate.setup_log import changes_log, csv_text, sheet_log
from pipeline.simulate.timing import timed
from pipeline.simulate.world import Settings, World, run
from pipeline.tables.outputs import write_files

WRITING, TIMING = 11, 12  # streams of chance, after those of the world

PROPERTY = "stiffness"  # what several of the invented parts change


@dataclass(frozen=True)
class Season:
    """A world and all else that a team folder says.

    claims: tables of team.toml; styles: one a meeting; excluded: (meeting, session) -> reason;
    shares: drivers who agree to be named to team-mates; known: rivals whom the team lists, so that
    they are one driver in every export; numbers: further rows of drivers.csv as (driver,
    transponder, team, from, until), which replace a driver's own row; feels: what drivers score.
    """

    team: str
    world: World
    settings: Settings
    styles: tuple[Style, ...]
    claims: tuple[Mapping[str, str], ...] = ()
    excluded: Mapping[tuple[str, str], str] = field(default_factory=dict)
    shares: frozenset[str] = frozenset()
    known: frozenset[str] = frozenset()
    numbers: tuple[tuple[str, str, str, str, str], ...] = ()
    log: str = "changes"
    worthwhile_s: float = 0.03
    feels: tuple[FeltThing, ...] = ()


def write_season(season: Season, out: Path) -> list[Path]:
    """Write the folder over what is there; its files. The same season gives the same bytes."""
    files = {name: text.encode() for name, text in _tables(season).items()} | _exports(season)
    return write_files(out, dict(sorted(files.items())), force=True, listed=False)


def _exports(season: Season) -> dict[str, bytes]:
    world = season.world
    rng = np.random.default_rng([world.seed, TIMING])
    timing = timed(run(world, season.settings), rng)
    files = {}
    for m, (meeting, style) in enumerate(zip(world.meetings, season.styles, strict=True)):
        for name, content in write_exports(world, timing, m, style, rng).items():
            files[f"exports/{meeting.name}/{name}"] = content
    return files


def _tables(season: Season) -> dict[str, str]:
    rng = np.random.default_rng([season.world.seed, WRITING])
    log = {"changes": changes_log, "sheet": sheet_log}[season.log]
    felt = {"feel.csv": felt_table(season.world, season.settings, season.feels)}
    return (felt if season.feels else {}) | {
        "team.toml": _team_toml(season),
        "drivers.csv": _drivers(season),
        "meetings.csv": _meetings(season.world.meetings),
        "sessions.csv": _sessions(season),
        "setups.csv": log(season.world, season.settings, rng),
    }


def _team_toml(season: Season) -> str:
    lines = [
        "# An invented team: people, places and numbers are made up.",
        "",
        "[team]",
        f"name = {_quoted(season.team)}",
        f"race_seconds = {RUN_SECONDS:.0f}",
        f"worthwhile_s = {season.worthwhile_s}  # a smaller difference a lap does not matter",
    ]
    if any(len(driver.classes) > 1 for driver in season.world.drivers):
        lines.append(f"class = {_quoted(MAIN_CLASS)}  # the one that is meant")
    if any(factor.positions for factor in season.world.factors.values()):
        lines += ["", "[[property]]", f"name = {_quoted(PROPERTY)}", 'label = "Stiffness"']
    for factor in season.world.factors.values():
        lines += ["", "[[factor]]", *_factor_lines(factor)]
    for claim in season.claims:
        lines += ["", "[[claim]]", *(f"{key} = {_quoted(text)}" for key, text in claim.items())]
    for feel in season.feels:
        keys = ("name", "label", "worse", "better")
        lines += ["", "[[feel]]", *(f"{key} = {_quoted(getattr(feel, key))}" for key in keys)]
    return "\n".join([*lines, ""])


def _factor_lines(factor: SetupFactor) -> list[str]:
    lines = [f"{key} = {_quoted(getattr(factor, key))}" for key in ("name", "label", "kind")]
    if factor.levels:
        lines.append(f"levels = [{', '.join(_quoted(level) for level in factor.levels)}]")
    lines.append(f"reference = {_quoted(factor.reference)}")
    if factor.unit:
        lines.append(f"unit = {_quoted(factor.unit)}")
    if factor.positions:
        at = [f"{_quoted(level)} = {factor.positions[level]}" for level in factor.levels]
        lines += [f"property = {_quoted(PROPERTY)}", f"positions = {{ {', '.join(at)} }}"]
    return lines


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are a subset of it."""
    return json.dumps(text, ensure_ascii=False)


def _drivers(season: Season) -> str:
    """The team first, then the rivals it knows."""
    listed = [d for d in season.world.drivers if d.team]
    listed += [d for d in season.world.drivers if not d.team and d.name in season.known]
    header = ["driver", "transponder", "team", "from", "until", "class", "share"]
    return csv_text(header, [row for driver in listed for row in _driver_rows(season, driver)])


def _driver_rows(season: Season, driver: Driver) -> list[list[str]]:
    share = ("yes" if driver.name in season.shares else "no") if driver.team else ""
    lent = [[*row, MAIN_CLASS, share] for row in season.numbers if row[0] == driver.name]
    own = [
        [driver.name, number, "yes" if driver.team else "no", "", "", racing_class, share]
        for racing_class, number in driver.transponders.items()
        if not (lent and racing_class == MAIN_CLASS)
    ]
    return own + lent


def _meetings(meetings: tuple[Meeting, ...]) -> str:
    header = ["meeting", "date", "venue", "surface", "grip", "timezone", "layout"]
    return csv_text(header, [
        [m.name, m.dates[0], m.venue.name, m.venue.surface, m.grip, m.timezone, m.layout]
        for m in meetings
    ])  # fmt: skip


def _sessions(season: Season) -> str:
    """Kind, day, start and class of each session, and which stay out of the models."""
    rows = []
    for meeting in season.world.meetings:
        for session in meeting.sessions:
            start = clock_text(session.heats[0].start * 3600.0, 0)[:5]
            reason = season.excluded.get((meeting.name, session.name), "")
            day = meeting.dates[session.day]
            rows.append([
                meeting.name, session.name, session.kind, day, start, session.racing_class, reason,
            ])  # fmt: skip
    header = ["meeting", "session", "kind", "date", "start", "class", "exclude"]
    return csv_text(header, rows)
