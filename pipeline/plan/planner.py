"""A test day planned: the order, and what it can show against the usual and a random order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import CallError, Problem
from pipeline.plan.orders import (
    Chance,
    Limits,
    Order,
    Settings,
    limits_of,
    settings_of,
    shuffled_order,
    usual_order,
)
from pipeline.plan.precision import Precision, View, precision, views_of
from pipeline.plan.request import DayRequest, PlanFactor, run_hours
from pipeline.plan.search import find_order, make_aim
from pipeline.plan.trend import Array, Nuisance, day_nuisance

RANDOM_DRAWS = 200
# What is promised of each contrast where an order can keep it: so much of the half-width of the
# usual order, and of a random one (by one driver alone more can be gained on it).
OF_USUAL, OF_RANDOM, OF_RANDOM_ALONE = 0.50, 1.00, 0.90


@dataclass(frozen=True)
class PlannedContrast:
    """What the day can show about one contrast; half-widths in s a lap, None for 'cannot tell'.

    days: days like this until the power is 80 %, None for more than precision.MOST_DAYS.
    """

    factor: PlanFactor
    level: str
    half_width_s: float
    half_width_usual_s: float | None
    half_width_random_s: float | None
    power: float
    days: int | None

    @property
    def reference(self) -> str:
        return self.factor.reference


@dataclass(frozen=True)
class Plan:
    """A run order for the day. levels: (drivers, runs, factors) number of each level.

    exact: whether every order within the limits was looked at.
    """

    request: DayRequest
    levels: Order
    contrasts: tuple[PlannedContrast, ...]
    exact: bool

    def setting(self, driver: int, run: int) -> dict[str, str]:
        """Factor name to level, for the driver's run (both from 0)."""
        return {
            factor.name: factor.levels[self.levels[driver, run, i]]
            for i, factor in enumerate(self.request.factors)
        }


def chance_of(seed: int) -> Chance:
    """The generator that a seed stands for."""
    return np.random.default_rng(seed)


def plan_day(request: DayRequest, chance: Chance) -> Plan:
    """The order with the narrowest intervals of the contrasts under drivers and grip.

    They are made narrow together, within what is promised of each wherever that can be had.

    Raises CallError where no order within the limits can tell the contrasts apart.
    """
    settings = settings_of(request.factors)
    limits = limits_of(request, settings)
    nuisance = _nuisance(request)
    views = views_of(nuisance, settings.columns.shape[1])
    usual = precision(views, settings.design(usual_order(request, settings)), settings.contrasts)
    shuffled = _mean_half_widths(views, settings, limits, len(request.drivers), chance)
    promised = _promised(usual.half_widths, shuffled, len(request.drivers))
    found = find_order(make_aim(nuisance, views, settings, limits, at_most=promised), chance)
    planned = precision(views, settings.design(found.order), settings.contrasts)
    _check_told_apart(planned, settings)
    contrasts = [
        _contrast(request, settings.names[k], k, planned, usual, shuffled)
        for k in range(len(settings.names))
    ]
    return Plan(request, settings.levels[found.order], tuple(contrasts), found.exact)


def _nuisance(request: DayRequest) -> Nuisance:
    """Run r of every driver has the same place in the day."""
    drivers = len(request.drivers)
    time = np.tile(run_hours(request.runs, request.minutes), drivers)
    driver = np.repeat(np.arange(drivers), request.runs)
    components = request.components
    day = day_nuisance(time, driver, components.run_variance, components.curve_s)
    return replace(day, known_df=components.df)


def day_precision(request: DayRequest, settings: Settings, order: Order) -> Precision:
    """What an order of the day's settings can show. order: (drivers, runs) numbers of settings."""
    views = views_of(_nuisance(request), settings.columns.shape[1])
    return precision(views, settings.design(order), settings.contrasts)


def _promised(usual: Array, shuffled: Array, drivers: int) -> Array:
    """(k,) half-widths that a plan should not exceed; all (k,) s a lap, infinite for none."""
    of_random = OF_RANDOM_ALONE if drivers == 1 else OF_RANDOM
    return np.minimum(OF_USUAL * usual, of_random * shuffled)


def _check_told_apart(planned: Precision, settings: Settings) -> None:
    blind = [
        Problem(
            f"'{factor.name}' at {level}",
            "an order that tells it from grip and from the other factors",
            advice="Allow more runs, more changes between runs, or plan fewer factors.",
        )
        for (factor, level), told in zip(settings.names, planned.told, strict=True)
        if not told
    ]
    if blind:
        raise CallError("no order within these limits can show every contrast", blind)


def _mean_half_widths(
    views: Sequence[View], settings: Settings, limits: Limits, drivers: int, chance: Chance
) -> Array:
    """(k,) mean over random orders; infinite where one in twenty of them cannot tell."""
    orders = [shuffled_order(settings, limits, drivers, chance) for _ in range(RANDOM_DRAWS)]
    designs = [settings.design(order) for order in orders]
    draws = np.array([precision(views, one, settings.contrasts).half_widths for one in designs])
    told = np.isfinite(draws)
    means = np.where(told, draws, 0).sum(axis=0) / np.maximum(told.sum(axis=0), 1)
    return np.where(told.mean(axis=0) > 0.95, means, np.inf)


def _contrast(
    request: DayRequest,
    name: tuple[PlanFactor, str],
    k: int,
    planned: Precision,
    usual: Precision,
    shuffled: Array,
) -> PlannedContrast:
    return PlannedContrast(
        *name,
        half_width_s=float(planned.half_widths[k]),
        half_width_usual_s=_finite(usual.half_widths[k]),
        half_width_random_s=_finite(shuffled[k]),
        power=planned.power(k, request.difference_s),
        days=planned.days_needed(k, request.difference_s),
    )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
