from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import CallError
from pipeline.plan.planner import chance_of, plan_day
from pipeline.plan.request import COMPONENTS_BY_SKILL, DayRequest, PlanFactor
from tests.plan.days import day


@pytest.mark.parametrize("drivers", [1, 2, 3, 4])
@pytest.mark.parametrize("runs", [6, 7, 8])
def test_against_the_usual_and_a_random_order(drivers, runs):
    contrast = plan_day(day(drivers, runs), chance_of(1)).contrasts[0]
    assert contrast.half_width_s <= 0.50 * contrast.half_width_usual_s
    assert contrast.half_width_s <= contrast.half_width_random_s
    if drivers == 1:
        assert contrast.half_width_s <= 0.90 * contrast.half_width_random_s


@pytest.mark.parametrize("curve_s", [0.0, 0.02, 0.1, 0.3])
@pytest.mark.parametrize("drivers", [1, 4])
def test_the_promise_holds_whatever_the_size_of_the_bend(drivers, curve_s):
    components = replace(COMPONENTS_BY_SKILL["fast"], curve_s=curve_s)
    contrast = plan_day(day(drivers, 8, components=components), chance_of(1)).contrasts[0]
    assert contrast.half_width_s <= 0.50 * contrast.half_width_usual_s
    assert contrast.half_width_s <= (0.90 if drivers == 1 else 1) * contrast.half_width_random_s


def test_the_same_seed_gives_the_same_plan():
    one, two = (plan_day(day(3, 7, 3), chance_of(4)) for _ in range(2))
    assert (one.levels == two.levels).all()
    assert one.contrasts == two.contrasts


def test_limits_are_kept():
    factors = (PlanFactor("quick", ("A", "B")), PlanFactor("slow", ("A", "B"), slow=True))
    request = DayRequest(factors, ("One", "Two"), 8, changes_between_runs=1, warm_up=2)
    levels = plan_day(request, chance_of(1)).levels
    switched = levels[:, 1:] != levels[:, :-1]
    assert switched.sum(axis=2).max() <= 1
    assert switched[:, :, 1].sum(axis=1).max() <= 2
    assert not levels[:, :2].any()


def test_more_drivers_runs_and_better_drivers_show_smaller_differences():
    def width(*size, **more):
        return plan_day(day(*size, **more), chance_of(1)).contrasts[0].half_width_s

    club = COMPONENTS_BY_SKILL["club"]
    assert width(4, 8) < width(2, 8) < width(1, 8)
    assert width(2, 10) < width(2, 6)
    assert width(2, 8) < width(2, 8, components=club)


def test_power_and_days_follow_the_difference_that_matters():
    small, large = (
        plan_day(day(2, 8, difference_s=size), chance_of(1)).contrasts[0] for size in (0.03, 0.2)
    )
    assert small.power < 0.5 < 0.99 < large.power
    assert large.days == 1 < small.days


def test_a_number_is_planned_as_a_slope():
    factors = (PlanFactor("height", ("5.2", "5.0", "5.4"), kind="number"),)
    low, high = plan_day(DayRequest(factors, ("One", "Two"), 8), chance_of(1)).contrasts
    assert low.half_width_s == pytest.approx(high.half_width_s)


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        (lambda: day(0, 8), "--drivers"),
        (lambda: day(2, 1), "--runs"),
        (lambda: day(1, 4, 3), "at least 5"),
        (lambda: day(2, 8, warm_up=7), "--warm-up"),
        (lambda: day(2, 8, changes_between_runs=0), "--changes-between-runs"),
        (lambda: day(2, 8, difference_s=float("nan")), "--difference"),
        (lambda: day(2, 8, minutes=0), "--minutes"),
        (lambda: day(2, 8, meeting="=1+1"), "formula"),
        (lambda: DayRequest((), ("One",), 8), "--factor"),
        (lambda: DayRequest((PlanFactor("run", ("A", "B")),), ("One",), 8), "no other column"),
        (lambda: DayRequest((PlanFactor("bar", ("A", "B")),), ("One", "One"), 8), "driver once"),
        (lambda: DayRequest((PlanFactor("bar", ("A", "A")),), ("One",), 8), "different levels"),
        (lambda: DayRequest((PlanFactor("bar", ("A", "B")),) * 2, ("One",), 8), "twice"),
        (
            lambda: DayRequest((PlanFactor("bar", ("A", "B"), kind="number"),), ("One",), 8),
            "a number",
        ),
    ],
)
def test_what_cannot_be_planned_is_said(request_, words):
    with pytest.raises(CallError, match=words):
        plan_day(request_(), chance_of(1))


def test_limits_that_leave_nothing_to_tell_are_said():
    """Three factors, but only two runs before which one of them may change."""
    with pytest.raises(CallError, match="no order within these limits"):
        plan_day(day(1, 6, 2, 2, 2, warm_up=4, changes_between_runs=1), chance_of(1))


def test_a_usual_order_that_cannot_tell_has_no_width():
    """Five levels in four runs: the last never gets its turn."""
    contrasts = plan_day(day(3, 4, 5), chance_of(1)).contrasts
    assert all(np.isfinite(contrast.half_width_s) for contrast in contrasts)
    assert any(contrast.half_width_usual_s is None for contrast in contrasts)
