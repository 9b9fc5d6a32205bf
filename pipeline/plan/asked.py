"""From the words of a call, and the team folder if there is one, to a test day."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from numbers import Integral, Real
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import CallError, Problem
from pipeline.plan.request import (
    COMPONENTS_BY_SKILL,
    FIRST,
    MOST_RUNS,
    DayRequest,
    PlanFactor,
    run_hours,
)
from pipeline.plan.season import Progress, open_factors, season_components
from pipeline.team.factors import Factor
from pipeline.team.folder import Team, load_team
from pipeline.team.people import known_driver
from pipeline.team.sheets import nearest

FREE_LEVELS = ("A", "B")


@dataclass(frozen=True)
class Asked:
    """The call as given; see `backtoback plan --help`. levels: by factor."""

    factors: tuple[str, ...]
    levels: Mapping[str, tuple[str, ...]]
    slow: tuple[str, ...]
    drivers: int
    runs: int
    names: tuple[str, ...] = ()
    changes_between_runs: int | None = None
    warm_up: int = 1
    minutes: float = 45.0
    difference: float | None = None
    skill: str = "fast"
    racing_class: str | None = None
    meeting: str = "test-day"
    first: str = FIRST
    held: Mapping[str, str] = field(default_factory=dict)
    open_questions: bool = False
    fresh: bool = False
    team: Path | None = None

    def __post_init__(self) -> None:
        changes = 1 if self.changes_between_runs is None else self.changes_between_runs
        whole = {"drivers": self.drivers, "runs": self.runs, "warm-up": self.warm_up}
        whole["changes-between-runs"] = changes
        real = {"minutes": self.minutes, "difference": self.difference or 0.0}
        problems = [*_not(Integral, "a whole number", whole), *_not(Real, "a number", real)]
        if self.skill not in COMPONENTS_BY_SKILL:
            known = ", ".join(COMPONENTS_BY_SKILL)
            problems.append(Problem(f"'{self.skill}'", f"one of {known}", "--skill"))
        if problems:
            raise CallError("this test day cannot be planned as asked", problems)


def _not(kind: type[Any], expected: str, given: Mapping[str, Any]) -> list[Problem]:
    return [
        Problem(repr(value), expected, f"--{option}")
        for option, value in given.items()
        if isinstance(value, bool) or not isinstance(value, kind)
    ]


def read_request(asked: Asked, progress: Progress | None = None) -> DayRequest:
    """The test day that is meant. Raises CallError for what does not fit together."""
    team = _team(asked.team)
    wanted = list(dict.fromkeys([*asked.factors, *_open(asked, team)]))
    _check_known(asked.levels, wanted, "--levels")
    factors = [_factor(name, asked.levels.get(name), asked, team) for name in wanted]
    _check_known(asked.slow, [factor.name for factor in factors], "--slow")
    components = COMPONENTS_BY_SKILL[asked.skill]
    difference = asked.difference
    if team is not None:
        hours = np.array(run_hours(min(max(asked.runs, 2), MOST_RUNS), asked.minutes))
        components = season_components(
            team, asked.racing_class, hours, components, progress, asked.fresh
        )
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
        first=asked.first,
        held=tuple(_held(name, level, team) for name, level in asked.held.items()),
    )


def _held(name: str, level: str, team: Team | None) -> tuple[str, str]:
    """What stays as it is, in the team's spelling."""
    if team is None:
        return name, level
    factor = _team_factor(name, team, "--hold")
    return factor.name, _team_levels(factor, (level,), "--hold")[0]


def _team(folder: Path | None) -> Team | None:
    """The team of the folder; None where the current folder is just not one."""
    current = folder == Path()
    if folder is None or (current and not (folder / "team.toml").exists()):
        return None
    return load_team(folder)


def _open(asked: Asked, team: Team | None) -> list[str]:
    if not asked.open_questions:
        return []
    if team is None:
        raise CallError("--open needs a team folder with a season's results (--team DIR)")
    known = {factor.name for factor in team.factors}
    return [name for name in open_factors(team.folder) if name in known]


def _check_known(names: Iterable[str], known: list[str], option: str) -> None:
    problems = [
        Problem(f"'{name}'", "a factor that is planned", option, advice=nearest(name, known))
        for name in names
        if name not in known
    ]
    if problems:
        raise CallError("an option speaks of a factor that is not planned", problems)


def _factor(
    name: str, levels: tuple[str, ...] | None, asked: Asked, team: Team | None
) -> PlanFactor:
    slow = name in asked.slow
    if team is None:
        return PlanFactor(name, levels or FREE_LEVELS, slow=slow)
    factor = _team_factor(name, team, "--factor")
    chosen = _team_levels(factor, levels)
    return PlanFactor(factor.name, chosen, factor.label, factor.unit, factor.kind, slow)


def _team_factor(name: str, team: Team, option: str) -> Factor:
    """Raises CallError, with the nearest name, for what the team does not have."""
    factor = team.factor(name)
    if factor is None:
        known = [one.name for one in team.factors]
        advice = nearest(name, known) or f"team.toml has {', '.join(known) or 'none'}."
        raise CallError(
            "a factor that the team does not have",
            [Problem(f"'{name}'", "a factor of team.toml", option, advice=advice)],
        )
    return factor


def _team_levels(
    factor: Factor, given: tuple[str, ...] | None, option: str = "--levels"
) -> tuple[str, ...]:
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
            Problem(f"'{text}'", factor.expected(), f"{option} {factor.name}") for text in strange
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
        if team is None or not team.team_drivers:
            return asked.names
        return tuple(known_driver(team, name) for name in asked.names)
    members = team.team_drivers if team is not None else []
    if len(members) == asked.drivers:
        return tuple(members)
    return tuple(f"Driver {number + 1}" for number in range(min(asked.drivers, 1000)))
