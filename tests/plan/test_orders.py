import numpy as np
import pytest

from pipeline.plan.classic import trend_free_order
from pipeline.plan.orders import (
    all_sequences,
    allowed,
    limits_of,
    random_order,
    settings_of,
    shuffled_order,
    usual_order,
)
from pipeline.plan.request import DayRequest, PlanFactor
from tests.plan.days import day, every_driver


def parts(request):
    settings = settings_of(request.factors)
    return settings, limits_of(request, settings)


def text(request, order):
    settings, _ = parts(request)
    return [
        " ".join(
            "".join(f.levels[i] for f, i in zip(request.factors, settings.levels[s], strict=True))
            for s in sequence
        )
        for sequence in order
    ]


@pytest.mark.parametrize(
    ("levels", "runs", "expected"),
    [
        ((2,), 8, "A A A A B B B B"),
        ((2,), 7, "A A A A B B B"),
        ((3,), 6, "A A B B C C"),
        ((2, 2), 6, "AA AA BA BA AB AB"),
    ],
)
def test_the_usual_order(levels, runs, expected):
    request = day(2, runs, *levels)
    settings, _ = parts(request)
    assert text(request, usual_order(settings, every_driver(request, settings))) == [
        expected,
        expected,
    ]


def test_all_sequences_of_a_small_day_are_counted_by_hand():
    settings, limits = parts(day(1, 6))
    assert len(all_sequences(settings, limits, 100)) == 2**5
    settings, limits = parts(day(1, 5, 2, 2, changes_between_runs=1))
    assert len(all_sequences(settings, limits, 100)) == 3**4
    settings, limits = parts(day(1, 5, 2, 2, changes_between_runs=2, warm_up=0))
    assert len(all_sequences(settings, limits, 2000)) == 4**5
    assert all_sequences(settings, limits, 100) is None


def test_a_slow_factor_changes_at_most_twice():
    factors = (PlanFactor("quick", ("A", "B")), PlanFactor("slow", ("A", "B"), slow=True))
    settings, limits = parts(DayRequest(factors, ("One",), 8, changes_between_runs=2))
    kept = settings.levels[all_sequences(settings, limits, 20_000)][:, :, 1]
    switches = (kept[:, 1:] != kept[:, :-1]).sum(axis=1)
    assert switches.max() == 2
    # 7 free places: no change, one, or two of them, times the quick factor's 2**7
    assert len(kept) == (1 + 7 + 21) * 2**7


def test_shuffled_orders_keep_warm_up_and_equal_shares():
    request = day(3, 9, 3)
    settings, limits = parts(request)
    order = shuffled_order(settings, (limits,) * 3, np.random.default_rng(2))
    assert (order[:, 0] == 0).all()
    assert (np.sort(order, axis=1) == np.repeat([0, 1, 2], 3)).all()


def test_random_orders_keep_the_limits():
    request = day(4, 8, 2, 3, changes_between_runs=1)
    settings, limits = parts(request)
    order = random_order(settings, (limits,) * 4, np.random.default_rng(3))
    assert allowed(order, settings, limits).all()


def test_the_trend_free_order_of_the_literature_starts_at_the_reference():
    request = day(2, 8, 2, 2, changes_between_runs=2)
    settings, limits = parts(request)
    order = trend_free_order(settings, limits, 2)
    assert text(request, order) == ["AA BB BB AA BA AB AB BA"] * 2
    assert trend_free_order(*parts(day(1, 6)), 1) is None
    assert trend_free_order(*parts(day(1, 8, 2, 2, changes_between_runs=1)), 1) is None


def test_a_number_is_a_slope_and_its_contrasts_are_distances():
    factors = (PlanFactor("height", ("5.2", "5.0", "5.6"), kind="number"),)
    settings, _ = parts(DayRequest(factors, ("One",), 8))
    assert settings.columns[:, 0] == pytest.approx([0, -0.5, 1])
    assert settings.contrasts[:, 0] == pytest.approx([-0.5, 1])
    assert [level for _, level in settings.names] == ["5.0", "5.6"]
