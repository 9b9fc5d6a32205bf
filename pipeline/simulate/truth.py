"""What an option really does: the same world run with and without it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.calendar import RUN_SECONDS
from pipeline.simulate.car import Array
from pipeline.simulate.world import Run, Settings, World, WorldLaps, run_many, with_level

Contrast = tuple[str, str, str]  # factor, level, reference
FEWEST = 5  # clean laps of a run that counts for pace, spread and fade


@dataclass(frozen=True)
class TrueEffect:
    """An effect and the standard error that is left by the number of draws.

    pace (s a lap, undisturbed laps), spread (ratio of lap SD), mistakes (ratio of crash rate),
    fade (s a lap per lap), race (s over a race); std_error of ratios on the log scale.
    """

    outcome: str
    estimate: float
    std_error: float


@dataclass(frozen=True)
class _Runs:
    """What the outcomes are made of: (draws, runs), NaN where a run has under FEWEST clean laps."""

    pace: Array
    log_spread: Array
    fade: Array
    mean_lap: Array
    crashes: Array
    laps: Array


def truth(
    world: World,
    settings: Settings,
    factor: str,
    level: str,
    reference: str,
    draws: int = 16,
    where: Callable[[World, Run], bool] | None = None,
) -> dict[str, TrueEffect]:
    """Level against reference of a factor, all else of the team's settings as it was.

    For a number, level is '+1': each run's own value and one unit more. `where` picks the runs
    that count (a condition, a driver); all of the team's if it is None. Rivals, weather, luck and
    every deviation of every driver are the same in both worlds.
    """
    pair = both_worlds(world, settings, [(factor, level, reference)], draws)[0]
    return compare(world, pair, where)


def both_worlds(
    world: World, settings: Settings, contrasts: Sequence[Contrast], draws: int
) -> list[tuple[WorldLaps, WorldLaps]]:
    """For each contrast the season with the team's runs at the level and at the reference."""
    several = [
        with_level(world, settings, factor, values)
        for factor, level, reference in contrasts
        for values in _values(world, settings, factor, level, reference)
    ]
    laps = run_many(world, several, draws)
    return list(zip(laps[::2], laps[1::2], strict=True))


def compare(
    world: World,
    pair: tuple[WorldLaps, WorldLaps],
    where: Callable[[World, Run], bool] | None = None,
) -> dict[str, TrueEffect]:
    """The effects over the team's runs that `where` picks; ValueError if it picks none."""
    rows = np.array([r for r in world.team_runs if where is None or where(world, world.runs[r])])
    if not rows.size:
        raise ValueError("no run of the team is in this condition")
    one, other = (_by_run(laps, rows) for laps in pair)
    return _effects(one, other)


def in_condition(name: str) -> Callable[[World, Run], bool]:
    """The runs of a condition: 'all', 'grip=low', 'surface=carpet', ...

    Raises ValueError for anything else.
    """
    what, _, value = name.partition("=")
    if what not in ("all", "grip", "surface"):
        raise ValueError(f"no condition '{name}'")

    def there(world: World, run: Run) -> bool:
        meeting = world.meetings[run.meeting]
        return {"all": "", "grip": meeting.grip, "surface": meeting.venue.surface}[what] == value

    return there


def _values(
    world: World, settings: Settings, factor: str, level: str, reference: str
) -> tuple[Sequence[str], Sequence[str]]:
    rows = world.team_runs
    if not level.startswith("+"):
        return [level] * len(rows), [reference] * len(rows)
    own = [settings[r].get(factor, world.factors[factor].reference) for r in rows]
    return [str(float(value) + float(level)) for value in own], own


def _by_run(laps: WorldLaps, rows: NDArray[np.int_]) -> _Runs:
    timed, clean = ~np.isnan(laps.lap_s[:, rows]), laps.clean[:, rows]
    lap_s = np.where(timed, laps.lap_s[:, rows], 0.0)
    mean, slope, variance = _line(lap_s, clean)
    return _Runs(
        pace=mean,
        log_spread=0.5 * np.log(variance),
        fade=slope,
        mean_lap=lap_s.sum(2) / np.where(timed.any(2), timed.sum(2), np.nan),
        crashes=laps.crashed[:, rows].sum(2),
        laps=timed.sum(2),
    )


def _line(lap_s: Array, clean: NDArray[np.bool_]) -> tuple[Array, Array, Array]:
    """Mean, least-squares slope over the lap number and variance about it of each run."""
    n = clean.sum(axis=2)
    n_or_nan = np.where(n >= FEWEST, n, np.nan)
    number = np.arange(lap_s.shape[2])
    mean = (clean * lap_s).sum(2) / n_or_nan
    x = (number - ((clean * number).sum(2) / n_or_nan)[..., None]) * clean
    y = (lap_s - mean[..., None]) * clean
    slope = (x * y).sum(2) / (x * x).sum(2)
    return mean, slope, ((y - slope[..., None] * x) ** 2).sum(2) / (n_or_nan - 2)


def _effects(one: _Runs, other: _Runs) -> dict[str, TrueEffect]:
    """Run by run, so that every run counts once in both worlds, whatever laps it has there."""
    race_laps = RUN_SECONDS / other.mean_lap
    return {
        "pace": _difference("pace", one.pace - other.pace),
        "spread": _log_ratio(one.log_spread - other.log_spread),
        "mistakes": _rate_ratio(one, other),
        "fade": _difference("fade", one.fade - other.fade),
        "race": _difference("race", (one.mean_lap - other.mean_lap) * race_laps),
    }


def _error(per_draw: Array) -> float:
    return float(per_draw.std(ddof=1) / np.sqrt(per_draw.size)) if per_draw.size > 1 else np.nan


def _difference(outcome: str, by_run: Array) -> TrueEffect:
    per_draw = np.nanmean(by_run, axis=1)
    return TrueEffect(outcome, float(per_draw.mean()), _error(per_draw))


def _log_ratio(by_run: Array) -> TrueEffect:
    per_draw = np.nanmean(by_run, axis=1)
    return TrueEffect("spread", float(np.exp(per_draw.mean())), _error(per_draw))


def _rate_ratio(one: _Runs, other: _Runs) -> TrueEffect:
    """Ratio of the crash rates over all draws; its error by the delta method over the draws."""
    crashes = [runs.crashes.sum(1) for runs in (one, other)]
    mean = [count.mean() for count in crashes]
    if min(mean) == 0.0:
        return TrueEffect("mistakes", np.nan, np.nan)
    ratio = (mean[0] / one.laps.sum()) / (mean[1] / other.laps.sum())
    return TrueEffect("mistakes", float(ratio), _error(crashes[0] / mean[0] - crashes[1] / mean[1]))
