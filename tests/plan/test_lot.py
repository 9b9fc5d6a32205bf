"""The lot: which orders are in it, that each is drawn, and how many there are said to be."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest

from pipeline.plan import lot as lots
from pipeline.plan.lot import TOLERANCE, WIDER, lot_of
from pipeline.plan.orders import allowed, settings_of
from pipeline.plan.planner import Plan, chance_of, day_precision, plan_day
from tests.plan.days import day, every_driver, every_order


def plan_of(*size: int, seed: int = 1, **limits: int) -> Plan:
    return plan_day(day(*size, **limits), chance_of(seed))


@pytest.mark.parametrize("size", [(1, 6), (1, 8), (2, 5), (1, 6, 2, 2), (1, 6, 3)])
def test_it_holds_every_order_as_good_as_the_best_and_no_other(size: tuple[int, ...]) -> None:
    """By going through all orders, each by the planner's formula alone."""
    plan = plan_of(*size)
    request, settings = plan.request, settings_of(plan.request.factors)
    code = {tuple(levels): n for n, levels in enumerate(settings.levels.tolist())}
    best = day_precision(request, settings, plan.lot.best).half_widths
    may_turn = [to_and_fro(settings.levels[own].tolist()) for own in plan.lot.best]
    expected = set()
    for order in every_order(request):
        numbers = np.array([[code[one] for one in sequence] for sequence in order])
        widths = day_precision(request, settings, numbers).half_widths
        narrow = np.sqrt((widths**2).sum() / (best**2).sum()) <= 1 + plan.lot.tolerance
        within = (widths <= np.maximum(plan.at_most, best) * (1 + 1e-9)).all()
        fro = [to_and_fro(own) and not may for own, may in zip(order, may_turn, strict=True)]
        if narrow and within and not any(fro):
            expected.add(tuple(numbers.ravel()))
    every = plan.lot.every
    assert every is not None
    assert set(map(tuple, every.reshape(len(every), -1).tolist())) == expected
    assert len(expected) == plan.size.orders == len(every)
    assert plan.size.sampled == 0


def to_and_fro(sequence: Sequence[Sequence[int]]) -> bool:
    if len(sequence) <= 3:
        return False
    return any(
        levels[0] != levels[1] and all(a == b for a, b in zip(levels, levels[2:], strict=False))
        for levels in zip(*sequence, strict=True)
    )


def test_a_lot_that_is_too_small_to_tell_by_is_wider() -> None:
    assert plan_of(1, 8).lot.tolerance == WIDER
    assert plan_of(2, 6).lot.tolerance == TOLERANCE


def test_each_order_is_drawn_as_often_as_any_other() -> None:
    lot = plan_of(1, 8).lot
    assert lot.every is not None
    drawn = lot.draw(28_000, np.random.default_rng(1)).reshape(28_000, -1)
    _, counts = np.unique(drawn, axis=0, return_counts=True)
    assert len(counts) == len(lot.every)
    mean = 28_000 / len(counts)
    assert np.abs(counts - mean).max() < 4.5 * np.sqrt(mean)


@pytest.mark.parametrize("size", [(2, 6), (2, 5, 3)])
def test_a_walk_stays_in_the_lot_and_comes_to_nearly_all_of_it(
    size: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = plan_of(*size)
    counted = plan.lot.every
    assert counted is not None
    monkeypatch.setattr(lots, "MOST_ORDERS", 0)
    walk = lot_of(plan.lot.aim, plan.lot.best)
    assert walk.every is None
    drawn = lots.Lot(walk.aim, walk.best, plan.lot.tolerance).draw(2000, np.random.default_rng(2))
    known = set(map(tuple, counted.reshape(len(counted), -1).tolist()))
    came = set(map(tuple, drawn.reshape(2000, -1).tolist()))
    assert came <= known
    assert len(came) >= 0.8 * len(known)


def test_a_walk_on_a_large_day_keeps_the_limits() -> None:
    plan = plan_of(3, 9, 3, 2, changes_between_runs=1, warm_up=2)
    assert plan.lot.every is None
    settings = settings_of(plan.request.factors)
    drawn = plan.lot.draw(50, np.random.default_rng(3))
    for driver, own in enumerate(every_driver(plan.request, settings)):
        assert allowed(drawn[:, driver], settings, own).all()
    assert plan.lot.holds(drawn).all()
    assert len(np.unique(drawn.reshape(50, -1), axis=0)) > 40


def test_a_sample_says_how_many_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    counted = plan_of(2, 8)
    monkeypatch.setattr(lots, "MOST_ORDERS", 0)
    size = lots.Lot(counted.lot.aim, counted.lot.best, counted.lot.tolerance).size(chance_of(1))
    assert (size.of, size.sampled) == (counted.size.of, lots.SAMPLED)
    assert counted.size.orders is not None
    assert size.orders == pytest.approx(counted.size.orders, rel=0.15)


def test_the_number_decides_what_is_drawn_and_nothing_else() -> None:
    plans = [plan_of(2, 8, seed=seed) for seed in (1, 1, 2, 3)]
    assert (plans[0].order == plans[1].order).all()
    assert len({plan.order.tobytes() for plan in plans}) == 3
    assert len({plan.lot.best.tobytes() for plan in plans}) == 1


def test_two_levels_exchanged_over_a_stretch_leads_back() -> None:
    """Each step of the walk has its way back: by settings of three factors, all pairs of levels."""
    settings = settings_of(day(1, 8, 3, 2, 2).factors)
    for seed in range(20):
        exchanged = lots._exchanged(settings, np.random.default_rng(seed))
        assert (exchanged[exchanged] == np.arange(len(settings.levels))).all()
        assert set(itertools.chain(exchanged)) == set(range(len(settings.levels)))
