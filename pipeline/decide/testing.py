"""What to test next: by how much a test day is expected to lower the loss of a choice.

The expected value of sample information (Raiffa and Schlaifer 1961) for two options whose
difference is normal: before the day its mean is m and its SD s; the day, at one meeting, shows it
with a variance v; what it will be thought to be then has mean m and SD r = s^2 / sqrt(s^2 + v).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtr

from pipeline.decide.choices import Circumstances
from pipeline.decide.race import Believed, Place
from pipeline.plan.precision import precision, views_of
from pipeline.plan.trend import day_nuisance

if TYPE_CHECKING:
    from pipeline.decide.options import Options

MOST = 5
RUNS, HOURS_APART = 6, 0.75
TURNS = (0, 1, 1, 0, 0, 1)  # free of a straight trend; every other driver the other way round
LEAST_WORTH = 0.05  # seconds over a race: what is printed as 0.0 is worth no day


@dataclass(frozen=True)
class DayShown:
    """A day on which two levels are compared by so many drivers. std_error: of their difference,
    s a lap, about the day's own effect."""

    drivers: int
    runs: int
    std_error: float


def day_shown(drivers: int, run_variance: float, curve_s: float) -> DayShown:
    """Every driver with both levels in turn, under grip that moves.

    run_variance: of a run's mean lap, s². curve_s: typical bend of the day's grip, s a lap.
    """
    time = np.tile(np.arange(RUNS) * HOURS_APART, drivers)
    driver = np.repeat(np.arange(drivers), RUNS)
    level = np.concatenate([np.array(TURNS) ^ (d % 2) for d in range(drivers)]).astype(float)
    views = views_of(day_nuisance(time, driver, run_variance, curve_s), 1)
    shown = precision(views, level[:, None], np.ones((1, 1)))
    return DayShown(drivers, RUNS, float(shown.cases[0].std_errors[0]))


def next_test_rows(
    options: Sequence[Options], believed: Sequence[Believed], around: Circumstances, day: DayShown
) -> list[dict[str, Any]]:
    """The rows of `decisions.TESTS`, without their sentences: what is worth most first, then what
    cannot be told at all."""
    found = [row for one in believed for row in _of_factor(one, around, day)]
    found = [row for row in found if row["worth_s"] >= LEAST_WORTH]
    found.sort(key=lambda row: -row["worth_s"])
    found += _unknown(options, day)
    return [{"rank": rank, **row} for rank, row in enumerate(found[:MOST], 1)]


def _of_factor(one: Believed, around: Circumstances, day: DayShown) -> Iterator[dict[str, Any]]:
    """By grip where the better level changes with it, else once for any."""
    asked: Sequence[str] = around.grips
    better = {int(one.seconds(around.place(g)).mean(axis=0).argmin()) for g in asked}
    if len(better) < 2:
        asked = [""]
    for grip in asked:
        yield _test(one, grip, around.place(grip), day)


def _test(one: Believed, grip: str, place: Place, day: DayShown) -> dict[str, Any]:
    settled = one.without_new_meetings()
    seconds = settled.seconds(place)
    best, other = np.argsort(seconds.mean(axis=0), kind="stable")[:2]
    between = seconds[:, other] - seconds[:, best]
    m, s = max(float(between.mean()), 0.0), float(between.std())
    own = one.facts.laps * np.hypot(day.std_error, one.new_meeting_sd)
    worth, change = worth_of(m, s, float(own))
    # The normal approximation may be above what the draws of the choice itself allow: no test is
    # worth more than knowing all, nor changes what would stay right.
    next_time = one.seconds(place)
    lost = float((next_time[:, best] - next_time.min(axis=1)).mean())
    wrong = float((next_time.argmin(axis=1) != best).mean())
    worth, change = min(worth, lost), min(change, wrong)
    levels = one.options.levels
    return {
        "factor": one.options.factor.name,
        "levels": f"{levels[best]}, {levels[other]}",
        "grip": grip,
        "driver": "",
        "drivers": day.drivers,
        "runs": day.runs,
        "worth_s": worth,
        "chance_to_change": change,
    }


def worth_of(mean: float, sd: float, error: float) -> tuple[float, float]:
    """Expected fall of the loss, and the chance that the choice changes.

    mean, sd: of the difference between the choice and the other, mean >= 0; error: SD with which
    the day shows it. All in seconds over a race.
    """
    r = sd**2 / np.hypot(sd, error) if sd > 0 else 0.0
    if r == 0.0:
        return 0.0, 0.0
    u = mean / r
    density = np.exp(-0.5 * u**2) / np.sqrt(2 * np.pi)
    return float(r * density - mean * ndtr(-u)), float(ndtr(-u))


def _unknown(options: Sequence[Options], day: DayShown) -> list[dict[str, Any]]:
    """Factors that cannot be told: what a test would bring is not known."""
    return [
        {
            "factor": one.factor.name,
            "levels": f"{one.reference}, {next(iter(one.untold))}",
            "grip": "",
            "driver": "",
            "drivers": day.drivers,
            "runs": day.runs,
            "worth_s": None,
            "chance_to_change": None,
        }
        for one in options
        if not one.levels and one.untold
    ]
