"""Small test days for the tests, and a slow, obvious twin of the planner's criterion."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from pipeline.plan.orders import Limits, Settings, limits_of, settings_of
from pipeline.plan.precision import views_of
from pipeline.plan.request import DayRequest, PlanFactor
from pipeline.plan.search import Aim, Found, find_order
from pipeline.plan.trend import Nuisance, day_nuisance, polynomial_nuisance, with_habits


def day(drivers: int, runs: int, *levels: int, **limits) -> DayRequest:
    """`levels` is the number of levels of each factor (default: one factor at two)."""
    factors = tuple(
        PlanFactor(f"factor_{i}", tuple("ABCDE"[:count])) for i, count in enumerate(levels or (2,))
    )
    names = tuple(f"Driver {number + 1}" for number in range(drivers))
    return DayRequest(factors, names, runs, **limits)


def slots(request: DayRequest) -> tuple[np.ndarray, np.ndarray]:
    """Run and driver of each row, driver by driver."""
    run = np.tile(np.arange(request.runs), len(request.drivers))
    return run, np.repeat(np.arange(len(request.drivers)), request.runs)


def polynomial(request: DayRequest, degree: int) -> Nuisance:
    run, driver = slots(request)
    return polynomial_nuisance(run.astype(float), driver, degree)


def bent(request: DayRequest, curve_s: float = 0.05) -> Nuisance:
    run, driver = slots(request)
    return day_nuisance(0.75 * run, driver, request.components.run_variance, curve_s)


def search(request: DayRequest, nuisance: Nuisance, seed: int = 1) -> tuple[Found, Settings]:
    """The planner's search for narrow intervals alone: nothing promised, no preferences."""
    settings = settings_of(request.factors)
    aim = narrow_aim(request, nuisance, settings)
    return find_order(aim, np.random.default_rng(seed)), settings


def every_driver(request: DayRequest, settings: Settings) -> tuple[Limits, ...]:
    """The limits of each driver."""
    return (limits_of(request, settings),) * len(request.drivers)


def narrow_aim(
    request: DayRequest, nuisance: Nuisance, settings: Settings, *, habits: bool = False
) -> Aim:
    """Nothing promised."""
    views = views_of(nuisance, settings.columns.shape[1])
    weighed = tuple((view.projection, view.scatter.half_width) for view in views)
    cars = with_habits(nuisance, *slots(request)).projection() if habits else None
    free = np.full(len(settings.contrasts), np.inf)
    return Aim(weighed, settings, every_driver(request, settings), cars, free)


def summed_variance(nuisance: Nuisance, columns: np.ndarray) -> float:
    """Sum of the variances of the columns' coefficients, by the textbook's normal equations."""
    return float(_variances(nuisance, columns).sum())


def summed_squares(nuisance: Nuisance, columns: int) -> Callable[[np.ndarray], float]:
    """Sum of the squared half-widths, the day seen bent or straight, by the same equations."""
    straight = replace(nuisance, smooth=np.zeros_like(nuisance.smooth))
    weights = [view.scatter.half_width for view in views_of(nuisance, columns)]
    seen = list(zip([nuisance, straight], weights, strict=False))

    def value(settings: np.ndarray) -> float:
        widths = sum(weight * np.sqrt(_variances(one, settings)) for one, weight in seen)
        return float((np.asarray(widths) ** 2).sum())

    return value


def _variances(nuisance: Nuisance, columns: np.ndarray) -> np.ndarray:
    X = np.column_stack([nuisance.fixed, columns])
    if np.linalg.matrix_rank(X) < X.shape[1]:
        return np.full(columns.shape[1], np.inf)
    covariance = np.linalg.inv(X.T @ np.linalg.solve(nuisance.covariance, X))
    return np.diag(covariance)[nuisance.fixed.shape[1] :]


def every_order(request: DayRequest) -> Iterator[list[list[tuple[int, ...]]]]:
    """Every order within the limits: for each driver and run the levels of all factors."""
    settings = list(itertools.product(*(range(len(f.levels)) for f in request.factors)))
    kept = [
        sequence
        for sequence in itertools.product(settings, repeat=request.runs)
        if all(not any(one) for one in sequence[: request.warm_up])
        and all(
            sum(a != b for a, b in zip(one, two, strict=True)) <= request.most_changes
            for one, two in itertools.pairwise(sequence)
        )
    ]
    yield from itertools.product(kept, repeat=len(request.drivers))


def two_level_columns(order) -> np.ndarray:
    """(rows, factors) of an order of `every_order` whose factors have two levels."""
    return np.array([one for sequence in order for one in sequence], dtype=float)
