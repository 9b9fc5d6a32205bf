from dataclasses import replace

import numpy as np
import pytest

from pipeline.plan.orders import settings_of
from pipeline.plan.planner import chance_of, day_precision, plan_day
from pipeline.plan.precision import precision, views_of
from pipeline.plan.search import BEYOND, aim_of
from tests.plan.days import (
    bent,
    day,
    every_order,
    narrow_aim,
    polynomial,
    search,
    summed_squares,
    summed_variance,
    two_level_columns,
)

SMALL_DAYS = [
    day(1, 4, warm_up=0),
    day(1, 6),
    day(1, 7),
    day(1, 8),
    day(1, 8, warm_up=0),
    day(2, 4),
    day(2, 4, warm_up=0),
    day(2, 6),
    day(3, 4),
    day(1, 5, 2, 2, changes_between_runs=1),
    day(1, 5, 2, 2, changes_between_runs=2),
]


@pytest.mark.parametrize("request_", SMALL_DAYS, ids=lambda r: f"{len(r.drivers)}x{r.runs}")
@pytest.mark.parametrize("trend", [1, 2, 3, "bent"])
def test_nothing_better_exists_by_full_enumeration(request_, trend):
    nuisance = bent(request_) if trend == "bent" else polynomial(request_, trend)
    found, settings = search(request_, nuisance)
    value = summed_squares(nuisance, settings.columns.shape[1])
    ours = value(settings.design(found.order))
    best = min(value(two_level_columns(order)) for order in every_order(request_))
    if np.isinf(best):
        assert ours > 1e6
    else:
        # The preference for few changes may cost up to 1e-6 of a run's variance a change.
        assert ours <= best * (1 + 1e-4)


ORDER = np.array([[0, 1, 4, 2, 3, 5], [0, 5, 1, 3, 2, 4]])


def test_the_aim_is_the_summed_squares_plus_its_preferences():
    request = day(2, 6, 2, 3)
    settings = settings_of(request.factors)
    nuisance = bent(request)
    aim = narrow_aim(request, nuisance, settings)
    expected = summed_squares(nuisance, settings.columns.shape[1])(settings.design(ORDER))
    assert aim_of(aim, ORDER) == pytest.approx(expected, rel=1e-3)


def test_what_goes_beyond_the_promise_is_paid_for_and_nothing_else():
    request = day(2, 6, 2, 3)
    settings = settings_of(request.factors)
    nuisance = bent(request)
    views = views_of(nuisance, settings.columns.shape[1])
    widths = precision(views, settings.design(ORDER), settings.contrasts).half_widths
    free = narrow_aim(request, nuisance, settings)
    kept = replace(free, at_most=widths * 1.001)
    broken = replace(free, at_most=np.where([True, False, False], 0.9, 1.001) * widths)
    assert aim_of(kept, ORDER) == pytest.approx(aim_of(free, ORDER), rel=0.011)
    excess = BEYOND * (1 - 0.9**2) * widths[0] ** 2
    assert aim_of(broken, ORDER) - aim_of(kept, ORDER) == pytest.approx(excess, rel=0.01)


def test_of_two_orders_as_narrow_the_one_with_room_where_more_is_promised_is_taken():
    """Exchanging the two factors exchanges their half-widths; the first is promised more."""
    request = day(1, 8, 2, 2)
    planned = plan_day(request, chance_of(1))
    settings = settings_of(request.factors)
    best = day_precision(request, settings, planned.lot.best).half_widths
    exchanged = settings.levels[planned.lot.best][..., ::-1]
    other = day_precision(request, settings, exchanged @ [2, 1]).half_widths
    usual = np.array([contrast.half_width_usual_s for contrast in planned.contrasts])
    assert other == pytest.approx(best[::-1])
    assert (best / usual).max() < (other / usual).max()


def test_many_starts_find_what_descent_from_all_sides_finds():
    request = day(2, 6)
    nuisance = polynomial(request, 2)
    values = [
        summed_variance(nuisance, settings.design(found.order))
        for found, settings in (search(request, nuisance, seed) for seed in range(4))
    ]
    assert max(values) <= min(values) * (1 + 1e-6)


def test_large_days_are_searched_by_steps_and_keep_the_limits():
    request = day(3, 10, 4, 3, changes_between_runs=1)
    found, settings = search(request, bent(request))
    levels = settings.levels[found.order]
    assert ((levels[:, 1:] != levels[:, :-1]).sum(axis=2) <= 1).all()
    assert (levels[:, 0] == 0).all()
    assert not found.exact


def test_habits_of_single_cars_turn_strict_alternation_down_where_that_is_cheap():
    request = day(2, 8)
    settings = settings_of(request.factors)
    nuisance = bent(request)
    aim = narrow_aim(request, nuisance, settings, habits=True)
    alternating = np.array([[0, 1] * 4, [0, 1] * 4])
    mixed = np.array([[0, 1, 0, 0, 1, 1, 1, 0], [0, 1, 1, 0, 1, 0, 0, 1]])
    assert aim_of(aim, mixed) < aim_of(aim, alternating)
