"""What an option really does: the same world run with and without it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.calendar import RUN_SECONDS
from pipeline.simulate.car import Array
from pipeline.simulate.world import Run, Settings, World, WorldLaps, run, with_level

RATIOS = ("spread", "mistakes")


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
class _Sums:
    """What the outcomes are made of, for each draw: (draws,)."""

    pace: Array
    log_spread: Array
    crashes: Array
    laps: Array
    fade: Array
    mean_lap: Array


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
    values, others = _values(world, settings, factor, level, reference)
    with_it = run(world, with_level(world, settings, factor, values), draws)
    without = run(world, with_level(world, settings, factor, others), draws)
    rows = np.array([r for r in world.team_runs if where is None or where(world, world.runs[r])])
    if not rows.size:
        raise ValueError("no run of the team is in this condition")
    return _compare(_sums(with_it, rows), _sums(without, rows))


def _values(
    world: World, settings: Settings, factor: str, level: str, reference: str
) -> tuple[Sequence[str], Sequence[str]]:
    rows = world.team_runs
    if level != "+1":
        return [level] * len(rows), [reference] * len(rows)
    own = [settings[r].get(factor, world.factors[factor].reference) for r in rows]
    return [str(float(value) + 1.0) for value in own], own


def _sums(laps: WorldLaps, rows: NDArray[np.int_]) -> _Sums:
    timed, clean = ~np.isnan(laps.lap_s[:, rows]), laps.clean[:, rows]
    lap_s = np.where(timed, laps.lap_s[:, rows], 0.0)
    slope, variance = _trend(lap_s, clean)
    return _Sums(
        pace=_mean((lap_s * clean).sum((1, 2)), clean.sum((1, 2))),
        log_spread=np.nanmean(0.5 * np.log(variance), axis=1),
        crashes=laps.crashed[:, rows].sum((1, 2)),
        laps=timed.sum((1, 2)),
        fade=np.nanmean(slope, axis=1),
        mean_lap=_mean(lap_s.sum((1, 2)), timed.sum((1, 2))),
    )


def _trend(lap_s: Array, clean: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Least-squares slope over the lap number and variance about it of each run: (draws, runs).

    NaN for runs of fewer than five clean laps.
    """
    n = clean.sum(axis=2)
    n_or_nan = np.where(n >= 5, n, np.nan)
    number = np.arange(lap_s.shape[2])
    x = (number - ((clean * number).sum(2) / n_or_nan)[..., None]) * clean
    y = (lap_s - ((clean * lap_s).sum(2) / n_or_nan)[..., None]) * clean
    slope = (x * y).sum(2) / (x * x).sum(2)
    return slope, ((y - slope[..., None] * x) ** 2).sum(2) / (n_or_nan - 2)


def _mean(total: Array, count: Array) -> Array:
    return total / np.maximum(count, 1)


def _compare(one: _Sums, other: _Sums) -> dict[str, TrueEffect]:
    race_laps = RUN_SECONDS / other.mean_lap
    return {
        "pace": _difference("pace", one.pace - other.pace),
        "spread": _log_ratio("spread", one.log_spread - other.log_spread),
        "mistakes": _rate_ratio(one, other),
        "fade": _difference("fade", one.fade - other.fade),
        "race": _difference("race", (one.mean_lap - other.mean_lap) * race_laps),
    }


def _error(per_draw: Array) -> float:
    return float(per_draw.std(ddof=1) / np.sqrt(per_draw.size)) if per_draw.size > 1 else np.nan


def _difference(outcome: str, per_draw: Array) -> TrueEffect:
    return TrueEffect(outcome, float(per_draw.mean()), _error(per_draw))


def _log_ratio(outcome: str, per_draw: Array) -> TrueEffect:
    return TrueEffect(outcome, float(np.exp(per_draw.mean())), _error(per_draw))


def _rate_ratio(one: _Sums, other: _Sums) -> TrueEffect:
    """Ratio of the crash rates over all draws; its error by the delta method over the draws."""
    rates = [(s.crashes.mean(), s.laps.mean()) for s in (one, other)]
    if min(crashes for crashes, _ in rates) == 0:
        return TrueEffect("mistakes", np.nan, np.nan)
    ratio = (rates[0][0] / rates[0][1]) / (rates[1][0] / rates[1][1])
    influence = one.crashes / rates[0][0] - other.crashes / rates[1][0]
    return TrueEffect("mistakes", float(ratio), _error(influence))
