"""Several levels and factors: what is promised of each contrast, by full enumeration."""

import itertools

import numpy as np
import pytest

from pipeline.plan.orders import limits_of, settings_of, usual_order
from pipeline.plan.planner import chance_of, day_precision, plan_day
from tests.plan.bounds import every_width
from tests.plan.days import day, every_driver


def half_widths(plan):
    """Planned, usual and random of each contrast; infinite for 'cannot tell'."""
    rows = [(c.half_width_s, c.half_width_usual_s, c.half_width_random_s) for c in plan.contrasts]
    return np.array(rows, dtype=float).T


def best_half_widths(plan):
    """Of the order that the lot lies about."""
    settings = settings_of(plan.request.factors)
    return day_precision(plan.request, settings, plan.lot.best).half_widths


def kept(plan):
    planned, usual, random = half_widths(plan)
    of_random = 0.90 if len(plan.request.drivers) == 1 else 1.0
    return not ((planned > 0.50 * usual) | (planned > of_random * random)).any()


# With one driver, seven runs and three levels no order keeps it: see the next test.
SIZES = [
    (drivers, runs, levels)
    for levels in [(3,), (2, 2)]
    for drivers in (1, 2, 3, 4)
    for runs in (6, 7, 8)
    if (drivers, runs, levels) != (1, 7, (3,))
]


@pytest.mark.parametrize(("drivers", "runs", "levels"), SIZES)
def test_what_is_promised_is_kept(drivers, runs, levels):
    assert kept(plan_day(day(drivers, runs, *levels), chance_of(1)))


@pytest.mark.parametrize("warm_up", [0, 1])
def test_with_every_width_and_seven_runs_no_order_of_three_levels_keeps_it_all(warm_up):
    """The planner comes as near as any order that stays within random order's limit."""
    plan = plan_day(day(1, 7, 3, warm_up=warm_up), chance_of(1))
    planned, usual, random = half_widths(plan)
    widths = every_width(plan.request).half_widths
    within = (widths <= 0.90 * random).all(axis=1)
    worst = (widths / usual).max(axis=1)
    assert not (within & (worst <= 0.50)).any()
    assert 0.50 < (planned / usual).max() == pytest.approx(worst[within].min(), rel=1e-6)
    assert (planned / usual).max() < 0.52
    assert (planned <= 0.90 * random).all()


@pytest.mark.parametrize("warm_up", [0, 1])
@pytest.mark.parametrize("runs", [6, 8])
def test_no_order_that_keeps_it_is_narrower(runs, warm_up):
    """But for the preferences against habits and changes, which may cost two per cent."""
    plan = plan_day(day(1, runs, 3, warm_up=warm_up), chance_of(1))
    planned, usual, random = half_widths(plan)
    widths = every_width(plan.request).half_widths
    within = (widths <= np.minimum(0.50 * usual, 0.90 * random)).all(axis=1)
    best = (widths[within] ** 2).sum(axis=1).min()
    assert kept(plan)
    assert (best_half_widths(plan) ** 2).sum() <= best * 1.02**2
    assert (planned**2).sum() <= best * (1.02 * (1 + plan.lot.tolerance)) ** 2


@pytest.mark.parametrize("runs", [6, 7, 8])
def test_the_promise_costs_the_contrasts_together_little(runs):
    """Against the narrowest of all orders, which need not keep it."""
    plan = plan_day(day(1, runs, 3), chance_of(1))
    narrowest = (every_width(plan.request).half_widths ** 2).sum(axis=1).min()
    assert (best_half_widths(plan) ** 2).sum() <= narrowest * 1.03**2


def test_the_enumeration_holds_every_order_and_its_half_widths():
    request = day(1, 6, 3)
    settings = settings_of(request.factors)
    every = every_width(request)
    expected = {(0, *rest) for rest in itertools.product(range(3), repeat=5)}
    assert set(map(tuple, every.orders[:, 0])) == expected
    for row in (3, 100, 200):
        shown = day_precision(request, settings, every.orders[row])
        assert every.half_widths[row] == pytest.approx(shown.half_widths)


def test_the_usual_order_is_among_the_orders_enumerated():
    request = day(1, 8, 3)
    settings = settings_of(request.factors)
    assert limits_of(request, settings).warm_up == 1
    usual = usual_order(settings, every_driver(request, settings))[0]
    assert (every_width(request).orders[:, 0] == usual).all(axis=1).any()
