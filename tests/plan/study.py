"""What planned orders are worth on simulated days: `python -m tests.plan.study` writes STUDY.md.

Only the team's cars are on the track; grip is smooth and its size unknown (`worlds.smooth_grip`);
no setting has an effect, so an interval that leaves zero out is wrong.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import stats

from pipeline.models.season import analyse
from pipeline.plan.orders import limits_of, settings_of, shuffled_order, usual_order
from pipeline.plan.planner import Plan, chance_of, plan_day
from tests.plan.days import day, polynomial
from tests.plan.mechanism import predicted_and_reported
from tests.plan.worlds import run_means, season_of_one_day, smooth_grip

SIZES = [(drivers, runs) for drivers in (1, 2, 3, 4) for runs in (6, 7, 8)]
ORDERS = ("planned", "usual", "random")
DAYS, SEASON_DAYS, DRAWS, SEED = 2000, 60, 10, 7


@dataclass(frozen=True)
class Tried:
    """Intervals of one order over many days. errors, half_widths: (days,) s a lap."""

    errors: np.ndarray
    half_widths: np.ndarray

    @property
    def coverage(self) -> float:
        return float(np.mean(np.abs(self.errors) <= self.half_widths))

    @property
    def width(self) -> float:
        """Mean half-width, s a lap."""
        return float(self.half_widths.mean())

    @property
    def width_at_95(self) -> float:
        """Mean half-width if all intervals were stretched until 95 % of them hold the truth."""
        return self.width * float(np.quantile(np.abs(self.errors) / self.half_widths, 0.95))


def plan_of(drivers: int, runs: int) -> Plan:
    return plan_day(day(drivers, runs), chance_of(1))


def try_orders(plan: Plan, days: int, chance: np.random.Generator) -> dict[str, Tried]:
    """Least squares with drivers and a cubic of the time of day, on the same days for all."""
    request = plan.request
    settings = settings_of(request.factors)
    limits = limits_of(request, settings)
    drivers = len(request.drivers)
    planned, usual = plan.levels[:, :, 0], usual_order(request, settings)
    grip = smooth_grip(days, request.runs, chance)
    means = run_means(planned, grip, request.components, chance)
    shuffled = [shuffled_order(settings, limits, drivers, chance) for _ in range(days)]
    each = [_cubic(request, order, means[[d]]) for d, order in enumerate(shuffled)]
    random = Tried(*(np.concatenate(parts) for parts in zip(*each, strict=True)))
    return {
        "planned": Tried(*_cubic(request, planned, means)),
        "usual": Tried(*_cubic(request, usual, means)),
        "random": random,
    }


def _cubic(request, order, means: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    X = np.column_stack([polynomial(request, 3).fixed, order.reshape(-1).astype(float)])
    inverse = np.linalg.pinv(X.T @ X)
    coefficients = means @ X @ inverse
    df = len(X) - X.shape[1]
    variance = ((means - coefficients @ X.T) ** 2).sum(axis=1) / df
    errors = np.sqrt(variance * inverse[-1, -1])
    return coefficients[:, -1], stats.t.ppf(0.975, df) * errors


def season_intervals(plan: Plan, days: int, chance: np.random.Generator) -> Tried:
    """The planned order's intervals as the season's analysis gives them."""
    request, order = plan.request, plan.levels[:, :, 0]
    rows = [
        season_row(order, grip, request.components, chance)
        for grip in smooth_grip(days, request.runs, chance)
    ]
    told = [row for row in rows if np.isfinite(row.estimate)]
    return Tried(
        np.array([row.estimate for row in told]),
        np.array([(row.ci_high - row.ci_low) / 2 for row in told]),
    )


def season_row(order, grip, components, chance):
    data = season_of_one_day(order, grip, components, chance)
    result = analyse(data, outcomes=("pace",), conditions=False, by_driver=False)
    return next(result.effects.itertuples())


def orders_table(days: int, seed: int) -> Iterator[str]:
    chance = np.random.default_rng(seed)
    yield from _head(
        "drivers",
        "runs",
        "formula: planned, usual, random (s)",
        "planned / usual",
        "planned / random",
        "simulated: planned, usual, random (s)",
        "coverage (%)",
        "planned / usual at 95 %",
        "planned / random at 95 %",
    )
    for drivers, runs in SIZES:
        plan = plan_of(drivers, runs)
        contrast = plan.contrasts[0]
        formula = (
            contrast.half_width_s, contrast.half_width_usual_s, contrast.half_width_random_s
        )  # fmt: skip
        tried = try_orders(plan, days, chance)
        at_95 = {name: one.width_at_95 for name, one in tried.items()}
        yield _row(
            drivers,
            runs,
            _listed(formula, 3),
            f"{formula[0] / formula[1]:.2f}",
            f"{formula[0] / formula[2]:.2f}",
            _listed([tried[name].width for name in ORDERS], 3),
            _listed([100 * tried[name].coverage for name in ORDERS], 1),
            f"{at_95['planned'] / at_95['usual']:.2f}",
            f"{at_95['planned'] / at_95['random']:.2f}",
        )


def season_table(days: int, seed: int) -> Iterator[str]:
    chance = np.random.default_rng(seed)
    yield from _head(
        "drivers",
        "runs",
        "predicted (s)",
        "season, mean (s)",
        "season, median (s)",
        "predicted / mean",
        "coverage (%)",
        "usual order gets a number",
    )
    ratios = []
    for drivers, runs in SIZES:
        plan = plan_of(drivers, runs)
        found = season_intervals(plan, days, chance)
        predicted = plan.contrasts[0].half_width_s
        ratios.append(predicted / found.width)
        usual = usual_order(plan.request, settings_of(plan.request.factors))
        row = season_row(usual, np.zeros(runs), plan.request.components, chance)
        yield _row(
            drivers,
            runs,
            f"{predicted:.3f}",
            f"{found.width:.3f}",
            f"{np.median(found.half_widths):.3f}",
            f"{ratios[-1]:.2f}",
            f"{100 * found.coverage:.0f}",
            "yes" if np.isfinite(row.estimate) else f"no: {row.verdict}",
        )
    yield ""
    yield f"Predicted over mean, average of the {len(SIZES)} sizes: {np.mean(ratios):.3f}."


def mechanism_table(draws: int) -> Iterator[str]:
    yield from _head("drivers", "runs", "predicted (s)", "season, mean (s)", "predicted / mean")
    for drivers, runs in [(1, 8), (2, 8), (4, 6)]:
        predicted, reported = predicted_and_reported(drivers, runs, draws)
        means = predicted.mean(), reported.mean()
        yield _row(drivers, runs, *(f"{mean:.3f}" for mean in means), f"{means[0] / means[1]:.2f}")


def _head(*names: str) -> Iterator[str]:
    yield _row(*names)
    yield "|" + "---|" * len(names)


def _row(*cells: object) -> str:
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def _listed(values, digits: int) -> str:
    return ", ".join(f"{value:.{digits}f}" for value in values)


INTRODUCTION = """\
# What the planned order is worth

Made by `python -m tests.plan.study --days {days} --season-days {season_days} --seed {seed}`.
Half-widths of 95 % intervals of pace, in seconds a lap: one factor at two levels, only the team's
cars on the track, fast drivers (laps 0.15 s, runs 0.06 s, 20 clean laps a run), each driver's
first run a warm-up at the reference. *Usual*: all A, then all B. *Random*: a new random order
each day, levels equally often.
"""
BY_ORDER = """\
## By the formula and on {days} simulated days

Grip is smooth and its size unknown: it gains between -0.2 and 1.0 s over the day, flattening,
turning back, or in a line with a slow wave. Analysed by least squares with drivers and a cubic of
the time of day. *At 95 %*: all intervals of an order stretched alike until exactly 95 % of them
hold the truth, so that orders are compared at the same coverage. With one driver and six runs one
degree of freedom is left, which is why those intervals are so wide.
"""
BY_SEASON = """
## Against what `season` reports

Days of the same kind with every lap ({season_days} of each size), analysed by the season's pace
model (P-spline grip by REML, nested effects, Satterthwaite). It gives the usual order no number on
such a day. The coverage of so few days is known to some four points only.
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
    lines = [INTRODUCTION.format(**asked), BY_ORDER.format(**asked)]
    lines += orders_table(asked["days"], asked["seed"])
    lines += [BY_SEASON.format(**asked), *season_table(asked["season_days"], asked["seed"] + 1)]
    lines += [BY_MECHANISM.format(draws=DRAWS), *mechanism_table(DRAWS)]
    (Path(__file__).parent / "STUDY.md").write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()
