"""From the words of a call, and the team folder if there is one, to a test day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.errors import CallError, Problem
from pipeline.plan.request import (
    COMPONENTS_BY_SKILL,
    MOST_RUNS,
    DayRequest,
    PlanFactor,
    run_hours,
)
from pipeline.plan.season import Progress, open_factors, season_components
from pipeline.team.factors import Factor
from pipeline.team.folder import Team, load_team
from pipeline.team.sheets import nearest

FREE_LEVELS = ("A", "B")


@dataclass(frozen=True)
class Asked:
    """The call as given; see `backtoback plan --help`."""

    factors: tuple[str, ...]
    levels: tuple[str, ...]
    slow: tuple[str, ...]
    drivers: int
    runs: int
    names: tuple[str, ...] = ()
    changes_between_runs: int | None = None
    warm_up: int = 1
    minutes: float = 45.0
    difference: float | None = None
    skill: str = "fast"
    class_name: str | None = None
    meeting: str = "test-day"
    open_questions: bool = False
    team: Path = Path()


def read_request(asked: Asked, progress: Progress | None = None) -> DayRequest:
    """The test day that is meant. Raises CallError for what does not fit together."""
    team = _team(asked.team)
    wanted = list(dict.fromkeys([*asked.factors, *_open(asked, team)]))
    levels = _levels(asked.levels, wanted)
    factors = [_factor(name, levels.get(name), asked, team) for name in wanted]
    _check_known(asked.slow, [factor.name for factor in factors], "--slow")
    components = COMPONENTS_BY_SKILL[asked.skill]
    difference = asked.difference
    if team is not None:
        hours = np.array(run_hours(min(max(asked.runs, 2), MOST_RUNS), asked.minutes))
        components = season_components(team, asked.class_name, hours, components, progress)
        difference = team.worthwhile_s if difference is None else difference
    return DayRequest(
        tuple(factors),
        _drivers(asked, team),
        asked.runs,
        components,
        changes_between_runs=asked.changes_between_runs,
        warm_up=asked.warm_up,
        minutes=asked.minutes,
        difference_s=0.03 if difference is None else difference,
        meeting=asked.meeting,
    )


def _team(folder: Path) -> Team | None:
    """The team of the folder; None where the current folder is just not one."""
    if folder == Path() and not (folder / "team.toml").exists():
        return None
    return load_team(folder)


def _open(asked: Asked, team: Team | None) -> list[str]:
    if not asked.open_questions:
        return []
    if team is None:
        raise CallError("--open needs a team folder with a season's results (--team DIR)")
    known = {factor.name for factor in team.factors}
    return [name for name in open_factors(team.folder) if name in known]


def _levels(given: Iterable[str], wanted: list[str]) -> dict[str, list[str]]:
    """`rear_bar=1.3,1.4` as name and levels."""
    out = {}
    for text in given:
        name, equals, listed = text.partition("=")
        if not equals:
            raise CallError(
                "levels that cannot be read",
                [Problem(f"'{text}'", "NAME=LEVEL,LEVEL", where="--levels")],
            )
        out[name.strip()] = [level.strip() for level in listed.split(",")]
    _check_known(out, wanted, "--levels")
    return out


def _check_known(names: Iterable[str], known: list[str], option: str) -> None:
    problems = [
        Problem(f"'{name}'", "a factor that is planned", option, advice=nearest(name, known))
        for name in names
        if name not in known
    ]
    if problems:
        raise CallError("an option speaks of a factor that is not planned", problems)


def _factor(name: str, levels: list[str] | None, asked: Asked, team: Team | None) -> PlanFactor:
    slow = name in asked.slow
    if team is None:
        return PlanFactor(name, tuple(levels or FREE_LEVELS), slow=slow)
    factor = team.factor(name)
    if factor is None:
        known = [one.name for one in team.factors]
        advice = nearest(name, known) or f"team.toml has {', '.join(known) or 'none'}."
        raise CallError(
            "a factor that the team does not have",
            [Problem(f"'{name}'", "a factor of team.toml", "--factor", advice=advice)],
        )
    chosen = _team_levels(factor, levels)
    return PlanFactor(factor.name, chosen, factor.label, factor.unit, factor.kind, slow)


def _team_levels(factor: Factor, given: list[str] | None) -> tuple[str, ...]:
    """The levels to try in the team's spelling, the reference first."""
    if given is None and not factor.levels:
        advice = f"Give them: --levels {factor.name}=…,…"
        raise CallError(
            "levels are missing",
            [Problem(f"no levels of '{factor.name}'", "two or more", "--levels", advice=advice)],
        )
    levels = [(text, factor.read(text)) for text in given or factor.levels]
    strange = [text for text, level in levels if level is None]
    if strange:
        problems = [
            Problem(f"'{text}'", factor.expected(), f"--levels {factor.name}") for text in strange
        ]
        raise CallError("levels that the team does not have", problems)
    known = [level for _, level in levels if level is not None]
    return tuple(sorted(known, key=lambda level: level != factor.reference))


def _drivers(asked: Asked, team: Team | None) -> tuple[str, ...]:
    if asked.names and len(asked.names) != asked.drivers:
        found = f"{len(asked.names)} name(s) for {asked.drivers} driver(s)"
        problem = Problem(found, "a name for each driver, or none", where="--driver")
        raise CallError("names and number of drivers do not fit", [problem])
    if asked.names:
        return asked.names
    members = team.team_drivers if team is not None else []
    if len(members) == asked.drivers:
        return tuple(members)
    return tuple(f"Driver {number + 1}" for number in range(min(asked.drivers, 1000)))
