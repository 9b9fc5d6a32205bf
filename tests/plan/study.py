"""What planned orders are worth on simulated days: `python -m tests.plan.study` writes STUDY.md.

Only the team's cars are on the track; grip is smooth and its size unknown (`worlds.smooth_grip`);
no setting has an effect, so an interval that leaves zero out is wrong.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np

from pipeline.plan.orders import settings_of, usual_order
from pipeline.plan.planner import Plan, PlannedContrast
from tests.plan import bound_tables
from tests.plan.days import every_driver
from tests.plan.markdown import head, listed, row
from tests.plan.mechanism import predicted_and_reported
from tests.plan.trials import (
    ORDERS,
    Tried,
    plan_of,
    season_intervals,
    season_rows,
    try_orders,
)

SIZES = [(drivers, runs) for drivers in (1, 2, 3, 4) for runs in (6, 7, 8)]
SEASON_SIZES = [(1, 7), (1, 8), (2, 6), (2, 8), (4, 8)]
DAYS, SEASON_DAYS, DRAWS, SEED = 2000, 60, 10, 7


def orders_table(levels: Sequence[int], days: int, seed: int) -> Iterator[str]:
    chance = np.random.default_rng(seed)
    yield from head(
        "drivers",
        "runs",
        "contrast",
        "formula: planned, usual, random (s)",
        "planned / usual",
        "planned / random",
        "simulated: planned, usual, random (s)",
        "coverage (%)",
        "planned / usual at 95 %",
        "planned / random at 95 %",
    )
    for drivers, runs in SIZES:
        plan = plan_of(drivers, runs, *levels)
        for contrast, tried in zip(plan.contrasts, try_orders(plan, days, chance), strict=True):
            yield row(drivers, runs, _name(plan, contrast), *_formula(contrast), *_trial(tried))


def _name(plan: Plan, contrast: PlannedContrast) -> str:
    """'B', or 'second B' where there are two factors."""
    place = plan.request.factors.index(contrast.factor)
    which = ("first ", "second ")[place] if len(plan.request.factors) > 1 else ""
    return which + contrast.level


def _formula(contrast: PlannedContrast) -> Iterator[str]:
    planned = contrast.half_width_s
    others = [contrast.half_width_usual_s, contrast.half_width_random_s]
    known = [other for other in others if other is not None]
    yield listed([planned, *known], 3) + ("" if len(known) == 2 else ", not each tells")
    for other in others:
        yield "-" if other is None else f"{planned / other:.2f}"


def _trial(tried: dict[str, Tried]) -> Iterator[str]:
    at_95 = {name: one.width_at_95 for name, one in tried.items()}
    yield listed([tried[name].width for name in ORDERS], 3)
    yield listed([100 * tried[name].coverage for name in ORDERS], 1)
    yield f"{at_95['planned'] / at_95['usual']:.2f}"
    yield f"{at_95['planned'] / at_95['random']:.2f}"


def season_table(
    sizes: Iterable[tuple[int, int]], levels: Sequence[int], days: int, seed: int
) -> Iterator[str]:
    chance = np.random.default_rng(seed)
    yield from head(
        "drivers",
        "runs",
        "contrast",
        "predicted (s)",
        "season, mean (s)",
        "season, median (s)",
        "predicted / mean",
        "coverage (%)",
        "usual order gets a number",
    )
    ratios = []
    for drivers, runs in sizes:
        plan = plan_of(drivers, runs, *levels)
        settings = settings_of(plan.request.factors)
        usual = usual_order(settings, every_driver(plan.request, settings))
        of_usual = season_rows(usual, np.zeros(runs), plan.request.components, chance)
        intervals = season_intervals(plan, days, chance)
        for contrast, found, there in zip(plan.contrasts, intervals, of_usual, strict=True):
            ratios.append(contrast.half_width_s / found.width)
            yield row(
                drivers,
                runs,
                contrast.level,
                *(f"{x:.3f}" for x in (contrast.half_width_s, found.width)),
                f"{np.median(found.half_widths):.3f}",
                f"{ratios[-1]:.2f}",
                f"{100 * found.coverage:.0f}",
                "yes" if np.isfinite(there.estimate) else f"no: {there.verdict}",
            )
    yield ""
    yield f"Predicted over mean, average of the {len(ratios)} rows: {np.mean(ratios):.3f}."


def mechanism_table(draws: int) -> Iterator[str]:
    yield from head("drivers", "runs", "predicted (s)", "season, mean (s)", "predicted / mean")
    for drivers, runs in [(1, 8), (2, 8), (4, 6)]:
        predicted, reported = predicted_and_reported(drivers, runs, draws)
        means = predicted.mean(), reported.mean()
        yield row(drivers, runs, *(f"{mean:.3f}" for mean in means), f"{means[0] / means[1]:.2f}")


INTRODUCTION = """\
# What the planned order is worth

Made by `python -m tests.plan.study --days {days} --season-days {season_days} --seed {seed}`.
Half-widths of 95 % intervals of pace, in seconds a lap: only the team's cars on the track, fast
drivers (laps 0.15 s, runs 0.06 s, 20 clean laps a run), each driver's first run a warm-up at the
reference. *Usual*: all A, then all B, then all C. *Random*: a new random order each day, levels
equally often. Contrasts are against A.
"""
BY_ORDER = """\
## By the formula and on {days} simulated days

Grip is smooth and its size unknown: it gains between -0.2 and 1.0 s over the day, flattening,
turning back, or in a line with a slow wave. Analysed by least squares with drivers and a cubic of
the time of day. *At 95 %*: all intervals of an order stretched alike until exactly 95 % of them
hold the truth, so that orders are compared at the same coverage. With one driver and six runs one
degree of freedom is left, which is why those intervals are so wide and their ratios rough.
"""
BY_LEVELS = """
## Three levels

As above. With one driver and six runs a cubic would leave nothing to measure scatter by: there the
trend is a quadratic, and random orders that cannot tell the levels apart are left out. With one
driver and six or seven runs one degree of freedom is left: the ratios at 95 % are then known to
some 0.05 only.
"""
BY_FACTORS = """
## Two factors at two levels

As above; at most one factor changes between two runs. *Usual*: both at A, then the first factor at
B, then back to A and the second at B. Where one random order in twenty cannot tell the factors
apart, the formula gives random order no width. The planner keeps its limits by the formula; under
the cubic one driver's first factor in seven runs has a little more than half. An order with less
than half under both would cost 9 % by the formula and is not taken.
"""
BY_SEASON = """
## Against what `season` reports

Days of the same kind with every lap ({season_days} of each size), one factor at two levels,
analysed by the season's pace model (P-spline grip by REML, nested effects, Satterthwaite). It gives
the usual order no number on such a day. The coverage of so few days is known to some four points
only.
"""
BY_SEASON_LEVELS = """
The same with three levels:
"""
BY_MECHANISM = """
## With the scatter of past meetings, in the demo's world

The laps come from the mechanism of `pipeline.simulate`, which knows nothing of the models: two
meetings of the whole field, then a test day of the team's cars alone ({draws} draws of each size,
runs of a driver a quarter of an hour apart). *Predicted*: by the planner from the two meetings.
*Season*: what the season with the test day in it reports.
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--season-days", type=int, default=SEASON_DAYS)
    parser.add_argument("--seed", type=int, default=SEED)
    asked = vars(parser.parse_args())
    days, season_days, seed = asked["days"], asked["season_days"], asked["seed"]
    lines = [INTRODUCTION.format(**asked), BY_ORDER.format(**asked)]
    lines += orders_table((2,), days, seed)
    lines += [BY_SEASON.format(**asked), *season_table(SIZES, (2,), season_days, seed + 1)]
    lines += [BY_SEASON_LEVELS, *season_table(SEASON_SIZES, (3,), season_days, seed + 2)]
    lines += [BY_LEVELS, *orders_table((3,), days, seed + 3), *bound_tables.section()]
    lines += [BY_FACTORS, *orders_table((2, 2), days, seed + 4)]
    lines += [BY_MECHANISM.format(draws=DRAWS), *mechanism_table(DRAWS)]
    (Path(__file__).parent / "STUDY.md").write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()
