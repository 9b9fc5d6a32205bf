"""The lot: all orders of a day that are as good as the best, and one drawn from them.

An order that was drawn can be drawn again, and what the laps show under the real order can be held
against what they would show under the others: a p value that needs no word on variances (Fisher
1935, The Design of Experiments). That holds whatever the drawing favours, so long as the real order
and the others were drawn alike; where there are few orders all of them are counted, else each is
the end of a random walk from the best one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import prod

import numpy as np
from numpy.typing import NDArray

from pipeline.models.shuffled import LEAST_DISTINCT
from pipeline.plan.exact import LEAST_ORDERS
from pipeline.plan.orders import Chance, Limits, Order, Settings, all_sequences, allowed
from pipeline.plan.search import MOST_SEQUENCES, Aim
from pipeline.plan.trend import Array

# Half-widths, as a root mean square, at most so much above the best order's. The wider where the
# narrower leaves too few orders to tell a p of 5 % by.
TOLERANCE, WIDER = 0.05, 0.10
MOST_ORDERS = 300_000  # that are counted one by one; a second or two
SAMPLED = 20_000
STEPS = 120  # of the walk for each driver: every run is changed some ten times
AT_A_TIME = 20_000
ROUNDING = 1e-9


@dataclass(frozen=True)
class Size:
    """How large a lot is. orders: how many it has, None where that is not known; of: how many keep
    the limits, None for too many; sampled: 0 where all were counted, else of how many that were
    drawn from these the number was found."""

    orders: int | None
    of: int | None
    sampled: int = 0


@dataclass(frozen=True)
class Lot:
    """The orders within the limits that are as good as `best`, (drivers, runs).

    As good: half-widths, as a root mean square, at most `tolerance` above those of the best, each
    at most what is promised or what the best has, and no car that goes to and fro at every run
    unless the best order's does.
    """

    aim: Aim
    best: Order
    tolerance: float = TOLERANCE

    @cached_property
    def every(self) -> Order | None:
        """(orders, drivers, runs), all of them; None where too many would have to be tried."""
        pools = self._pools
        if any(pool is None for pool in pools):
            return None
        found = [pool for pool in pools if pool is not None]
        if prod(map(len, found)) > MOST_ORDERS:
            return None
        return np.concatenate([part[self.holds(part)] for part in _combined(found)])

    @cached_property
    def _pools(self) -> list[Order | None]:
        return [all_sequences(self.aim.settings, own, MOST_SEQUENCES) for own in self.aim.limits]

    def holds(self, orders: Order) -> NDArray[np.bool_]:
        """(m,) which of m orders within the limits are as good as the best."""
        widths = self.aim.widths(orders)
        narrow = _mean_square(widths) <= (1 + self.tolerance) ** 2 * _mean_square(self._widths)
        at_most = np.maximum(self.aim.at_most * (1 + ROUNDING), self._widths)
        kept = (widths <= at_most).all(axis=1)
        steady = ~(self._turning(orders) & ~self._turning(self.best[None])).any(axis=1)
        return np.asarray(narrow & kept & steady)

    @cached_property
    def _widths(self) -> Array:
        """(1, k) half-widths of the best order, and a little for rounding."""
        return np.asarray(self.aim.widths(self.best[None]) * (1 + ROUNDING))

    def _turning(self, orders: Order) -> NDArray[np.bool_]:
        """(m, drivers) whether a factor goes to and fro at every run: as battery packs may do."""
        levels = self.aim.settings.levels[orders]
        return np.column_stack(
            [turning(levels[:, d, : own.free.stop]) for d, own in enumerate(self.aim.limits)]
        )

    def draw(self, count: int, chance: Chance) -> Order:
        """(count, drivers, runs) orders by lot, each drawn from all anew."""
        if self.every is not None:
            return np.asarray(self.every[chance.integers(len(self.every), size=count)])
        return self._walked(count, chance)

    def _walked(self, count: int, chance: Chance) -> Order:
        orders = np.tile(self.best, (count, 1, 1))
        for _ in range(STEPS):
            for driver, own in enumerate(self.aim.limits):
                trial = orders.copy()
                trial[:, driver] = _moved(orders[:, driver], self.aim.settings, own, chance)
                fits = np.flatnonzero(allowed(trial[:, driver], self.aim.settings, own))
                fits = fits[self.holds(trial[fits])]
                orders[fits] = trial[fits]
        return self._dealt(orders, chance)

    def _dealt(self, orders: Order, chance: Chance) -> Order:
        """The orders with their sequences dealt anew to the drivers, where that changes nothing."""
        if any(own is not self.aim.limits[0] for own in self.aim.limits):
            return orders
        turns = np.argsort(chance.random(orders.shape[:2]), axis=1)
        dealt = np.take_along_axis(orders, turns[:, :, None], axis=1)
        return np.where(self.holds(dealt)[:, None, None], dealt, orders)

    def size(self, chance: Chance) -> Size:
        """How many orders the lot has."""
        if self.every is not None:
            of = prod(len(pool) for pool in self._pools if pool is not None)
            return Size(len(self.every), of)
        if any(pool is None for pool in self._pools):
            return Size(None, None)
        pools = [pool for pool in self._pools if pool is not None]
        of, drawn = (
            prod(map(len, pools)),
            [pool[chance.integers(len(pool), size=SAMPLED)] for pool in pools],
        )
        orders = np.stack(drawn, axis=1)
        hits = sum(int(self.holds(part).sum()) for part in _parts(orders))
        return Size(round(of * hits / SAMPLED) if hits else None, of, SAMPLED)


def lot_of(aim: Aim, best: Order) -> Lot:
    """The lot about the best order: within 5 %, or 10 where only that leaves enough to tell by."""
    narrow = Lot(aim, best)
    if narrow.every is None or len(narrow.every) >= LEAST_DISTINCT:
        return narrow
    wide = replace(narrow, tolerance=WIDER)
    return wide if _tells(wide) else narrow


def _tells(lot: Lot) -> bool:
    """Whether the orders, counted, differ enough in each factor for a p value."""
    every = lot.every if lot.every is not None else lot.best[None]
    levels = lot.aim.settings.levels[every]
    each = levels.reshape(len(levels), -1, levels.shape[-1])
    counts = [len(np.unique(each[:, :, i], axis=0)) for i in range(each.shape[2])]
    return min(counts) >= LEAST_ORDERS


def turning(levels: Order) -> NDArray[np.bool_]:
    """Of (m, runs, factors): whether some factor goes to and fro between two levels all day."""
    if levels.shape[1] <= 3:
        return np.zeros(len(levels), dtype=bool)
    back = (levels[:, 2:] == levels[:, :-2]).all(axis=1) & (levels[:, 1] != levels[:, 0])
    return np.asarray(back.any(axis=1))


def _moved(sequences: Order, settings: Settings, limits: Limits, chance: Chance) -> Order:
    """Each of m sequences one step on: two levels of a factor exchanged over a stretch of runs, or
    two runs exchanged. Every step leads back as likely, so that the walk favours no order."""
    begun, end = len(limits.beginning), limits.free.stop
    if end <= begun:
        return sequences
    first, last = np.sort(chance.integers(begun, end, (2, len(sequences))), axis=0)
    run = np.arange(sequences.shape[1])
    inside = (run >= first[:, None]) & (run <= last[:, None])
    stretched = np.where(inside, _exchanged(settings, chance)[sequences], sequences)
    swapped, row = sequences.copy(), np.arange(len(sequences))
    swapped[row, first], swapped[row, last] = sequences[row, last], sequences[row, first]
    moved = np.where(chance.random((len(sequences), 1)) < 0.5, stretched, swapped)
    moved[:, end:] = moved[:, [end - 1]]
    return moved


def _exchanged(settings: Settings, chance: Chance) -> Order:
    """(settings,) what each becomes when two levels of a factor change places."""
    sizes = tuple(settings.levels.max(axis=0) + 1)
    factor = int(chance.integers(len(sizes)))
    one, other = chance.choice(sizes[factor], 2, replace=False)
    places = np.arange(sizes[factor])
    places[[one, other]] = other, one
    levels = settings.levels.copy()
    levels[:, factor] = places[levels[:, factor]]
    return np.asarray(np.ravel_multi_index(tuple(levels.T), sizes))


def _combined(pools: Sequence[Order]) -> Iterator[Order]:
    """Every combination of the drivers' sequences, so many at a time."""
    sizes = [len(pool) for pool in pools]
    numbers = np.arange(prod(sizes))
    for part in _parts(numbers):
        chosen = np.unravel_index(part, sizes)
        yield np.stack([pool[one] for pool, one in zip(pools, chosen, strict=True)], axis=1)


def _parts(rows: Order) -> Iterator[Order]:
    return (rows[start : start + AT_A_TIME] for start in range(0, len(rows), AT_A_TIME))


def _mean_square(widths: Array) -> Array:
    return np.asarray((widths**2).mean(axis=1))
