"""Orders tried on simulated days: by least squares, and by the season's own analysis.

No setting has an effect there, so an interval that leaves zero out is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from pipeline.models.season import analyse
from pipeline.plan.orders import (
    Settings,
    limits_of,
    settings_of,
    shuffled_order,
    usual_order,
)
from pipeline.plan.planner import Plan, chance_of, plan_day
from pipeline.plan.request import DayRequest
from tests.plan.days import day, every_driver, polynomial
from tests.plan.worlds import run_means, season_of_one_day, smooth_grip

ORDERS = ("planned", "usual", "random")


@dataclass(frozen=True)
class Tried:
    """A contrast's intervals by one order over many days. Both (days,), s a lap."""

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


def plan_of(drivers: int, runs: int, *levels: int) -> Plan:
    return plan_day(day(drivers, runs, *levels), chance_of(1))


def degree_of(request: DayRequest) -> int:
    """Of the trend that least squares takes out: a cubic, a quadratic where no df would be left."""
    cubic = len(request.drivers) + 3 + request.contrasts
    return 3 if len(request.drivers) * request.runs > cubic else 2


def try_orders(plan: Plan, days: int, chance: np.random.Generator) -> list[dict[str, Tried]]:
    """Each contrast's intervals by the three orders, on the same days.

    Least squares with drivers and a polynomial of the time of day. Random orders, one a day, that
    cannot tell the contrasts apart are left out, which flatters random order.
    """
    request = plan.request
    settings = settings_of(request.factors)
    limits = limits_of(request, settings)
    drivers = len(request.drivers)
    usual = usual_order(settings, every_driver(request, settings))
    grip = smooth_grip(days, request.runs, chance)
    means = run_means(plan.order, grip, request.components, chance)
    draws = [shuffled_order(settings, (limits,) * drivers, chance) for _ in range(days)]
    each = [_least_squares(request, settings, one, means[[d]]) for d, one in enumerate(draws)]
    told = [intervals for intervals in each if intervals is not None]
    found = {
        "planned": _least_squares(request, settings, plan.order, means),
        "usual": _least_squares(request, settings, usual, means),
        "random": tuple(np.concatenate(parts) for parts in zip(*told, strict=True)),
    }
    return [
        {name: Tried(one[0][:, k], one[1][:, k]) for name, one in found.items()}
        for k in range(len(settings.names))
    ]


def _least_squares(request: DayRequest, settings: Settings, order, means: np.ndarray):
    """(days, k) errors and half-widths; None where the order cannot tell."""
    columns = settings.design(order)
    X = np.column_stack([columns, polynomial(request, degree_of(request)).fixed])
    if np.linalg.matrix_rank(X) < X.shape[1]:
        return None
    inverse = np.linalg.inv(X.T @ X)
    coefficients = means @ X @ inverse
    df = len(X) - X.shape[1]
    variance = ((means - coefficients @ X.T) ** 2).sum(axis=1) / df
    q, contrasts = columns.shape[1], settings.contrasts
    errors = np.sqrt(np.outer(variance, np.diag(contrasts @ inverse[:q, :q] @ contrasts.T)))
    return coefficients[:, :q] @ contrasts.T, stats.t.ppf(0.975, df) * errors


def season_intervals(plan: Plan, days: int, chance: np.random.Generator) -> list[Tried]:
    """Each contrast's intervals as the season's analysis gives them; one factor only."""
    request, order = plan.request, plan.levels[:, :, 0]
    rows = [
        season_rows(order, grip, request.components, chance)
        for grip in smooth_grip(days, request.runs, chance)
    ]
    return [_told([row[k] for row in rows]) for k in range(len(plan.contrasts))]


def _told(rows) -> Tried:
    told = [row for row in rows if np.isfinite(row.estimate)]
    return Tried(
        np.array([row.estimate for row in told]),
        np.array([(row.ci_high - row.ci_low) / 2 for row in told]),
    )


def season_rows(order, grip, components, chance):
    """The effects of a day's pace, a row a level but the reference."""
    data = season_of_one_day(order, grip, components, chance)
    result = analyse(data, outcomes=("pace",), conditions=(), by_driver=False)
    return list(result.effects.itertuples())
