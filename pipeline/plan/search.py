"""The search for the order with the narrowest intervals.

The settings enter the information only as S'PS with P fixed by the day, so a change of one
driver's sequence is cheap, and all sequences of a driver can be tried at once while the other
drivers stand still. For one driver that is full enumeration; for more it is repeated driver by
driver until nothing improves, from an order of the literature and many random ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
from numpy.typing import NDArray

from pipeline.plan.classic import trend_free_order
from pipeline.plan.orders import (
    Chance,
    Limits,
    Order,
    Settings,
    all_sequences,
    allowed,
    changes,
    random_order,
)
from pipeline.plan.trend import Array

MOST_SEQUENCES = 20_000
MOST_PASSES = 300
MOST_STARTS = 40
WORK = 20_000_000  # candidate sequences times their cells; a few seconds
# An order that breaks what is promised of a contrast pays for its excess so many times over: it
# is taken only where keeping the promise would cost all contrasts together much more.
BEYOND = 30.0
# Preferences that decide between orders of nearly the same precision: it should leave room where
# most is promised, hold against the habits of single cars too, and cost few changes.
WITH_ROOM = 0.01
WITH_HABITS = 0.015
A_CHANGE = 1e-6


@dataclass(frozen=True)
class Aim:
    """What is made small: the summed squares of the expected half-widths, s².

    To these come the excess over what is promised and the three preferences. (The best design by
    one criterion among those that satisfy others: Cook and Wong 1994, J. Am. Stat. Assoc. 89,
    687-692; from memory.)

    views: pairs of a projection (n, n) and the half-width for each s of standard error; n =
    drivers * runs, driver by driver. limits: of each driver. habits: projection (n, n) of a day
    with the habits of single cars, None to leave them out. at_most: (k,) half-widths promised, s a
    lap, infinite for none. beyond: what an excess over them costs.
    """

    views: tuple[tuple[Array, float], ...]
    settings: Settings
    limits: tuple[Limits, ...]
    habits: Array | None
    at_most: Array
    beyond: float = BEYOND

    @property
    def drivers(self) -> int:
        return len(self.limits)

    @property
    def runs(self) -> int:
        return self.limits[0].runs

    @property
    def importance(self) -> Array:
        """(k,) a little more than one where much is promised."""
        if np.isinf(self.at_most).all():
            return np.ones_like(self.at_most)
        share: Array = self.at_most.min() / self.at_most
        return 1 + WITH_ROOM * share**2

    def rows(self, driver: int) -> slice:
        return slice(driver * self.runs, (driver + 1) * self.runs)

    def widths(self, orders: Order) -> Array:
        """(m, k) expected half-widths of whole orders, (m, drivers, runs), s a lap."""
        columns = self.settings.columns[orders.reshape(len(orders), self.drivers * self.runs)]
        transposed = np.swapaxes(columns, 1, 2)
        widths = [
            half_width * np.sqrt(self.variances(P, transposed @ (P @ columns)))
            for P, half_width in self.views
        ]
        return np.asarray(np.sum(widths, axis=0))

    def variances(self, P: Array, information: Array) -> Array:
        """(m, k) variances of the contrasts, of informations (m, q, q) of the settings."""
        # A ridge far below any real information turns 'cannot tell' into a huge variance; where
        # rounding has made such information negative, into a huge negative one.
        ridge = 1e-9 * np.abs(P).max() * np.eye(information.shape[1])
        inverse = np.linalg.inv(information + ridge)
        contrasts = self.settings.contrasts
        variances: Array = np.abs(np.einsum("kq,mqr,kr->mk", contrasts, inverse, contrasts))
        return variances


@dataclass(frozen=True)
class Found:
    """The best order, its aim (s²), and whether nothing better can exist."""

    order: Order
    value: float
    exact: bool


def aim_of(aim: Aim, order: Order) -> float:
    """The aim of one whole order, s²."""
    return float(_values(aim, order, 0, order[:1])[0])


def find_order(aim: Aim, chance: Chance, known: Sequence[Order] = ()) -> Found:
    """The order with the smallest aim that was found. known: orders to start from, besides."""
    pools = [all_sequences(aim.settings, own, MOST_SEQUENCES) for own in aim.limits]
    sizes = [len(pool) for pool in pools if pool is not None]
    if len(sizes) == aim.drivers and prod(sizes[:-1]) <= MOST_PASSES:
        return _enumerate(aim, [pool for pool in pools if pool is not None])
    starts = [*known, *_orders_known(aim)]
    best, left = Found(np.zeros(0, dtype=np.int64), np.inf, exact=False), WORK
    for start in range(MOST_STARTS):
        order = random_order(aim.settings, aim.limits, chance)
        order = starts[start] if start < len(starts) else order
        found, spent = _descend(aim, order, pools, left)
        best, left = min(best, found, key=lambda one: one.value), left - spent
        if left <= 0:
            break
    return best


def _orders_known(aim: Aim) -> list[Order]:
    whole = aim.limits[0]
    if any(own != whole for own in aim.limits) or whole.done or whole.end is not None:
        return []
    known = trend_free_order(aim.settings, whole, aim.drivers)
    return [] if known is None else [known]


def _enumerate(aim: Aim, pools: Sequence[Order]) -> Found:
    """Every combination of the drivers' sequences; the last driver's all at once."""
    best, order = np.inf, np.zeros((aim.drivers, aim.runs), dtype=np.int64)
    *before, last = pools
    for others in np.ndindex(*map(len, before)):
        chosen = [pool[one] for pool, one in zip(before, others, strict=True)]
        trial = np.array([*chosen, last[0]])
        values = _values(aim, trial, aim.drivers - 1, last)
        winner = int(values.argmin())
        if values[winner] < best:
            best = float(values[winner])
            order = np.vstack([trial[:-1], last[winner : winner + 1]])
    return Found(order, best, exact=True)


def _descend(aim: Aim, order: Order, pools: Sequence[Order | None], work: int) -> tuple[Found, int]:
    """From an order downhill, driver by driver; also the work that it took."""
    order = order.copy()
    value, unimproved, driver, spent = aim_of(aim, order), 0, 0, 0
    while unimproved < aim.drivers and spent < work:
        pool = pools[driver]
        candidates = pool if pool is not None else _neighbours(aim, driver, order[driver])
        values = _values(aim, order, driver, candidates)
        spent += candidates.size * aim.settings.columns.shape[1]
        winner = int(values.argmin())
        improved = values[winner] < value * (1 - 1e-12)
        if improved:
            order[driver], value = candidates[winner], float(values[winner])
        # A neighbourhood is searched again after a step; a whole pool has nothing more to give.
        unimproved = 0 if improved else unimproved + 1
        driver = driver if improved and pool is None else (driver + 1) % aim.drivers
    return Found(order, value, exact=False), spent


def _values(aim: Aim, order: Order, driver: int, candidates: Order) -> Array:
    """(m,) the aim if `driver` took each of m candidate sequences, the others staying."""
    columns = aim.settings.columns[candidates]
    widths = sum(
        half_width * np.sqrt(aim.variances(P, _informations(aim, P, order, driver, columns)))
        for P, half_width in aim.views
    )
    squares = np.square(widths)
    excess = np.maximum(squares - aim.at_most**2, 0)
    total: Array = (aim.importance * squares + aim.beyond * excess).sum(axis=1)
    unit = sum(half_width for _, half_width in aim.views) ** 2
    if aim.habits is not None:
        information = _informations(aim, aim.habits, order, driver, columns)
        variances = aim.variances(aim.habits, information)
        total += WITH_HABITS * unit * variances.sum(axis=1)
    others = np.delete(order, driver, axis=0)
    count = changes(candidates, aim.settings).sum(axis=1) + changes(others, aim.settings).sum()
    return total + A_CHANGE * unit / np.abs(aim.views[0][0]).max() * count


def _informations(aim: Aim, P: Array, order: Order, driver: int, columns: Array) -> Array:
    """(m, q, q) S'PS for m candidates of one driver, S split into the driver's rows and others'."""
    mine = aim.rows(driver)
    rest = aim.settings.design(order)
    rest[mine] = 0
    transposed = np.swapaxes(columns, 1, 2)
    cross = transposed @ (P[mine] @ rest)
    own = transposed @ (P[mine, mine] @ columns)
    information: Array = own + cross + np.swapaxes(cross, 1, 2) + rest.T @ P @ rest
    return information


def _neighbours(aim: Aim, driver: int, sequence: Order) -> Order:
    """One step away: a factor at one level over a stretch of runs, or two runs exchanged."""
    limits = aim.limits[driver]
    stretches = _stretches(limits)
    levels = aim.settings.levels
    trials = [sequence[None, :], _swaps(sequence, limits)]
    for factor, size in enumerate(levels.max(axis=0) + 1):
        for level in range(size):
            changed = np.where(stretches, _moved(levels, factor, level)[sequence], sequence)
            trials.append(changed)
    candidates = np.concatenate(trials)
    candidates[:, limits.free.stop :] = candidates[:, [max(limits.free.stop, 1) - 1]]
    kept: Order = candidates[allowed(candidates, aim.settings, limits)]
    return kept


def _moved(levels: Order, factor: int, level: int) -> Order:
    """(settings,) the setting that each becomes when `factor` goes to `level`."""
    target = levels.copy()
    target[:, factor] = level
    sizes = tuple(levels.max(axis=0) + 1)
    moved: Order = np.ravel_multi_index(tuple(target.T), sizes)
    return moved


def _stretches(limits: Limits) -> NDArray[np.bool_]:
    """(m, runs) every stretch of consecutive runs that are to be planned, after the warm-up."""
    start, stop = np.triu_indices(limits.free.stop + 1, k=1)
    free = start >= len(limits.beginning)
    run = np.arange(limits.runs)
    inside: NDArray[np.bool_] = (run >= start[free, None]) & (run < stop[free, None])
    return inside


def _swaps(sequence: Order, limits: Limits) -> Order:
    """(m, runs) the sequence with two of its planned runs after the warm-up exchanged."""
    begun = len(limits.beginning)
    free = max(limits.free.stop - begun, 0)
    first, second = np.triu_indices(free, k=1) + np.array(begun)
    swapped = np.tile(sequence, (len(first), 1))
    row = np.arange(len(first))
    swapped[row, first], swapped[row, second] = sequence[second], sequence[first]
    return swapped
