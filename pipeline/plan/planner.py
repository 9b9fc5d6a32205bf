"""A test day planned: the order, and what it can show against the usual and a random order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from pipeline.errors import CallError, Problem
from pipeline.plan.lot import Lot, Size, lot_of
from pipeline.plan.orders import (
    Chance,
    Limits,
    Order,
    Settings,
    allowed,
    settings_of,
    shuffled_order,
    usual_order,
)
from pipeline.plan.precision import Precision, View, precision
from pipeline.plan.request import DayRequest, PlanFactor
from pipeline.plan.search import Aim, find_order
from pipeline.plan.slots import Slots, clock, whole_day
from pipeline.plan.trend import Array

RANDOM_DRAWS = 200
# What is promised of each contrast where an order can keep it: so much of the half-width of the
# usual order, and of a random one (by one driver alone more can be gained on it).
OF_USUAL, OF_RANDOM, OF_RANDOM_ALONE = 0.50, 1.00, 0.90
# The best order, and with it the lot, is the same whatever number the lot is drawn by.
SEARCH_SEED = 1
# Nothing is worth a wider interval than going on as planned would have.
NEVER_WIDER = 1e6


@dataclass(frozen=True)
class PlannedContrast:
    """What the day can show about one contrast; half-widths in s a lap, None for 'cannot tell'.

    days: days like this until the power is 80 %, None for more than precision.MOST_DAYS. old: of a
    day that has begun, if it went on as it was planned.
    """

    factor: PlanFactor
    level: str
    half_width_s: float | None
    half_width_usual_s: float | None
    half_width_random_s: float | None
    power: float
    days: int | None
    half_width_old_s: float | None = None

    @property
    def reference(self) -> str:
        return self.factor.reference


@dataclass(frozen=True)
class Plan:
    """A run order for the day. levels: (drivers, runs, factors) number of each level.

    exact: whether every order within the limits was looked at. slots: the runs that there are.
    order: (drivers, runs) the same as numbers of settings. lot, size: what it was drawn from.
    at_most: (k,) half-widths promised, infinite for none. driven: (driver, run) -> what was on the
    car in a run that was driven, as far as it is known. remarks: sentences about those runs.
    """

    request: DayRequest
    levels: Order
    contrasts: tuple[PlannedContrast, ...]
    exact: bool
    slots: Slots
    order: Order
    lot: Lot
    size: Size
    at_most: Array
    driven: Mapping[tuple[int, int], Mapping[str, str]] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def setting(self, driver: int, run: int) -> dict[str, str]:
        """Factor name to level, for the driver's run (both from 0)."""
        if (driver, run) in self.driven:
            return dict(self.driven[driver, run])
        return {
            factor.name: factor.levels[self.levels[driver, run, i]]
            for i, factor in enumerate(self.request.factors)
        }

    def each(self) -> Iterator[tuple[int, str, int]]:
        """Driver's number and name, and number of the run, of every run; all from 0."""
        for driver, name in enumerate(self.request.drivers):
            for run in range(self.slots.ends[driver]):
                yield driver, name, run

    def start(self, driver: int, run: int) -> str:
        """Time of day of the driver's run (both from 0), '' where it is not known."""
        return clock(float(self.slots.hours[driver, run]))


def chance_of(seed: int) -> Chance:
    """The generator that a seed stands for."""
    return np.random.default_rng(seed)


def plan_day(request: DayRequest, chance: Chance) -> Plan:
    """An order drawn by lot from those with the narrowest intervals under drivers and grip.

    The intervals of all contrasts are made narrow together, within what is promised of each
    wherever that can be had. The lot is drawn by `chance`.

    Raises CallError where no order within the limits can tell the contrasts apart.
    """
    day = Day(request, whole_day(request), settings_of(request.factors))
    at_most = _promised(day.usual.half_widths, day.shuffled, len(request.drivers))
    plan = _drawn(day, day.aim(at_most), chance)
    _check_told_apart(plan.contrasts)
    return plan


def plan_rest(request: DayRequest, slots: Slots, old: Order, chance: Chance) -> Plan:
    """The rest of a day that has begun; old: (drivers, runs) the order if it went on as planned.

    No interval is to be wider than by the old order, where that keeps the limits. What no order
    can tell any more is left alone. Raises CallError where that is everything.
    """
    day = Day(request, slots, settings_of(request.factors))
    going_on = day.of(old)
    kept = all(allowed(old[[d]], day.settings, own)[0] for d, own in enumerate(day.limits))
    at_most = going_on.half_widths if kept else np.full(len(going_on.half_widths), np.inf)
    aim = replace(day.aim(at_most), beyond=NEVER_WIDER)
    return _drawn(day, aim, chance, [old] if kept else [], going_on)


def rebuilt(
    request: DayRequest, slots: Slots, at_most: Array, best: Order, tolerance: float
) -> Lot:
    """The lot that an order was drawn from, from what its file holds; infinite: not promised."""
    day = Day(request, slots, settings_of(request.factors))
    aim = day.aim(at_most)
    return Lot(_told(aim, day.of(best)), best, tolerance)


class Day:
    """A day's runs, limits and views, and how sharp the orders of people are on it."""

    def __init__(self, request: DayRequest, slots: Slots, settings: Settings) -> None:
        self.request, self.slots, self.settings = request, slots, settings
        self.limits = slots.limits(request, settings)
        self.views = slots.views(request, settings.columns.shape[1])

    def of(self, order: Order) -> Precision:
        return precision(self.views, self.settings.design(order), self.settings.contrasts)

    @cached_property
    def usual(self) -> Precision:
        return self.of(usual_order(self.settings, self.limits))

    @cached_property
    def shuffled(self) -> Array:
        """(k,) mean half-widths over random orders."""
        return _mean_half_widths(self.views, self.settings, self.limits, chance_of(SEARCH_SEED))

    def aim(self, at_most: Array) -> Aim:
        weighed = tuple((view.projection, view.scatter.half_width) for view in self.views)
        habits = self.slots.habits(self.request)
        return Aim(weighed, self.settings, self.limits, habits, at_most)


def _drawn(
    day: Day,
    aim: Aim,
    chance: Chance,
    known: Sequence[Order] = (),
    going_on: Precision | None = None,
) -> Plan:
    found = find_order(aim, chance_of(SEARCH_SEED), known)
    told = _told(aim, day.of(found.order))
    if told is not aim:
        found = find_order(told, chance_of(SEARCH_SEED), known)
    lot = lot_of(told, found.order)
    order = lot.draw(1, chance)[0]
    planned = day.of(order)
    contrasts = [_contrast(day, k, planned, going_on) for k in range(len(day.settings.names))]
    return Plan(
        day.request,
        day.settings.levels[order],
        tuple(contrasts),
        found.exact,
        day.slots,
        order,
        lot,
        lot.size(chance_of(SEARCH_SEED)),
        aim.at_most,
    )


def _told(aim: Aim, best: Precision) -> Aim:
    """The aim for the contrasts that the best order tells. Raises CallError where it tells none.

    What nothing can tell would outweigh all else.
    """
    if best.told.all():
        return aim
    if not best.told.any():
        raise CallError(
            "no order within these limits can show anything",
            [Problem("too few runs, or too few changes", "more of them", "--runs")],
        )
    settings = replace(aim.settings, contrasts=aim.settings.contrasts[best.told])
    return replace(aim, settings=settings, at_most=aim.at_most[best.told])


def day_precision(request: DayRequest, settings: Settings, order: Order) -> Precision:
    """What an order of the day's settings can show. order: (drivers, runs) numbers of settings."""
    return Day(request, whole_day(request), settings).of(order)


def _promised(usual: Array, shuffled: Array, drivers: int) -> Array:
    """(k,) half-widths that a plan should not exceed; all (k,) s a lap, infinite for none."""
    of_random = OF_RANDOM_ALONE if drivers == 1 else OF_RANDOM
    return np.minimum(OF_USUAL * usual, of_random * shuffled)


def _check_told_apart(contrasts: Sequence[PlannedContrast]) -> None:
    blind = [
        Problem(
            f"'{contrast.factor.name}' at {contrast.level}",
            "an order that tells it from grip and from the other factors",
            advice="Allow more runs, more changes between runs, or plan fewer factors.",
        )
        for contrast in contrasts
        if contrast.half_width_s is None
    ]
    if blind:
        raise CallError("no order within these limits can show every contrast", blind)


def _mean_half_widths(
    views: Sequence[View], settings: Settings, limits: Sequence[Limits], chance: Chance
) -> Array:
    """(k,) mean over random orders; infinite where one in twenty of them cannot tell."""
    orders = [shuffled_order(settings, limits, chance) for _ in range(RANDOM_DRAWS)]
    designs = [settings.design(order) for order in orders]
    draws = np.array([precision(views, one, settings.contrasts).half_widths for one in designs])
    told = np.isfinite(draws)
    means = np.where(told, draws, 0).sum(axis=0) / np.maximum(told.sum(axis=0), 1)
    return np.where(told.mean(axis=0) > 0.95, means, np.inf)


def _contrast(day: Day, k: int, planned: Precision, going_on: Precision | None) -> PlannedContrast:
    return PlannedContrast(
        *day.settings.names[k],
        half_width_s=_finite(planned.half_widths[k]),
        half_width_usual_s=_finite(day.usual.half_widths[k]),
        half_width_random_s=_finite(day.shuffled[k]),
        power=planned.power(k, day.request.difference_s),
        days=planned.days_needed(k, day.request.difference_s),
        half_width_old_s=None if going_on is None else _finite(going_on.half_widths[k]),
    )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
