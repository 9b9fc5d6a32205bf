"""Orders of settings: what the limits of a day allow, what people usually do, pure chance."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.plan.request import DayRequest, PlanFactor
from pipeline.plan.trend import Array

Order = NDArray[np.int64]  # (drivers, runs) numbers of settings; setting 0 is the reference
Chance = np.random.Generator


@dataclass(frozen=True)
class Settings:
    """All combinations of levels, and their columns in the model.

    levels: (settings, factors) number of the level, 0 for the reference.
    columns: (settings, q); contrasts: (k, q); names: k pairs of factor and level.
    """

    factors: tuple[PlanFactor, ...]
    levels: NDArray[np.int64]
    columns: Array
    contrasts: Array
    names: tuple[tuple[PlanFactor, str], ...]

    def design(self, order: Order) -> Array:
        """(drivers * runs, q) columns of an order, driver by driver."""
        columns: Array = self.columns[order.reshape(-1)]
        return columns


@dataclass(frozen=True)
class Limits:
    """What a person can do between runs.

    follows: (settings, settings) whether one may follow the other.
    slow: (factors,) booleans; each such factor changes at most `slow_changes` times a driver.
    """

    follows: NDArray[np.bool_]
    slow: NDArray[np.bool_]
    slow_changes: int
    warm_up: int
    runs: int


def settings_of(factors: tuple[PlanFactor, ...]) -> Settings:
    levels = np.array(list(itertools.product(*(range(len(f.levels)) for f in factors))))
    codes = [_coding(factor) for factor in factors]
    columns = np.column_stack([code[levels[:, i]] for i, code in enumerate(codes)])
    names = tuple((factor, level) for factor in factors for level in factor.levels[1:])
    return Settings(factors, levels, columns, _contrasts(codes), names)


def _coding(factor: PlanFactor) -> Array:
    """(levels, columns): distance from the reference for a number, else an indicator a level."""
    if factor.kind != "number":
        return np.eye(len(factor.levels))[:, 1:]
    values = np.array([float(level) for level in factor.levels])
    distance = values - values[0]
    return (distance / np.abs(distance).max())[:, None]


def _contrasts(codes: list[Array]) -> Array:
    """(k, q): each level but the reference, by its factor's own columns."""
    blocks = [code[1:] for code in codes]
    out = np.zeros((sum(len(b) for b in blocks), sum(b.shape[1] for b in blocks)))
    row = column = 0
    for block in blocks:
        out[row : row + len(block), column : column + block.shape[1]] = block
        row, column = row + len(block), column + block.shape[1]
    return out


def limits_of(request: DayRequest, settings: Settings) -> Limits:
    differ = settings.levels[:, None, :] != settings.levels[None, :, :]
    return Limits(
        differ.sum(axis=2) <= request.most_changes,
        np.array([factor.slow for factor in request.factors]),
        request.slow_changes,
        request.warm_up,
        request.runs,
    )


def changes(sequences: Order, settings: Settings) -> NDArray[np.int64]:
    """(m, factors) how often each factor changes in each of m sequences."""
    levels = settings.levels[sequences]
    counts: NDArray[np.int64] = (levels[:, 1:] != levels[:, :-1]).sum(axis=1)
    return counts


def allowed(sequences: Order, settings: Settings, limits: Limits) -> NDArray[np.bool_]:
    """(m,) whether each of m sequences of one driver keeps the limits."""
    steps = limits.follows[sequences[:, :-1], sequences[:, 1:]].all(axis=1)
    start = (sequences[:, : limits.warm_up] == 0).all(axis=1)
    slow = changes(sequences, settings)[:, limits.slow]
    keeps: NDArray[np.bool_] = steps & start & (slow <= limits.slow_changes).all(axis=1)
    return keeps


def all_sequences(settings: Settings, limits: Limits, most: int) -> Order | None:
    """(m, runs) every sequence that keeps the limits; None where there are more than `most`."""
    grown = _starts(settings, limits)
    while grown.shape[1] < limits.runs:
        last = grown[:, -1]
        source, following = np.nonzero(limits.follows[last])
        grown = np.column_stack([grown[source], following])
        grown = grown[allowed(grown, settings, limits)]
        if len(grown) > most:
            return None
    return grown


def _starts(settings: Settings, limits: Limits) -> Order:
    if limits.warm_up:
        return np.zeros((1, limits.warm_up), dtype=np.int64)
    return np.arange(len(settings.levels))[:, None]


def random_order(settings: Settings, limits: Limits, drivers: int, chance: Chance) -> Order:
    """(drivers, runs) a random order within the limits: shuffled where that keeps them."""
    order = shuffled_order(settings, limits, drivers, chance)
    for driver in np.flatnonzero(~allowed(order, settings, limits)):
        order[driver] = random_sequence(settings, limits, chance)
    return order


def random_sequence(settings: Settings, limits: Limits, chance: Chance) -> Order:
    """(runs,) one sequence that keeps the limits, by a random walk."""
    sequence = [0] * limits.warm_up or [int(chance.integers(len(settings.levels)))]
    while len(sequence) < limits.runs:
        following = np.flatnonzero(limits.follows[sequence[-1]])
        trials = np.column_stack([np.tile(sequence, (len(following), 1)), following])
        sequence.append(int(chance.choice(following[allowed(trials, settings, limits)])))
    return np.array(sequence)


def usual_order(request: DayRequest, settings: Settings) -> Order:
    """All at the reference, then each other level in its turn: the same for every driver."""
    single = (settings.levels > 0).sum(axis=1) <= 1
    turns = sorted(np.flatnonzero(single), key=lambda one: _turn(settings.levels[one]))
    blocks = np.array_split(np.arange(request.runs), len(turns))
    sequence = np.concatenate([np.full(len(b), t) for b, t in zip(blocks, turns, strict=True)])
    return np.tile(sequence, (len(request.drivers), 1))


def _turn(levels: NDArray[np.int64]) -> tuple[int, int]:
    """Place in the usual order: the reference, then factor by factor, level by level."""
    changed = np.flatnonzero(levels)
    return (int(changed[0]), int(levels[changed[0]])) if len(changed) else (-1, 0)


def shuffled_order(settings: Settings, limits: Limits, drivers: int, chance: Chance) -> Order:
    """Levels as equally often as can be, in random order after the warm-up; no other limits."""
    warm_up = limits.warm_up
    levels = np.zeros((drivers, limits.runs, len(settings.factors)), dtype=np.int64)
    for i, factor in enumerate(settings.factors):
        equal_shares = np.sort(np.arange(limits.runs) % len(factor.levels))[warm_up:]
        for driver in range(drivers):
            levels[driver, warm_up:, i] = chance.permutation(equal_shares)
    sizes = [len(factor.levels) for factor in settings.factors]
    return np.asarray(np.ravel_multi_index(tuple(np.moveaxis(levels, -1, 0)), sizes))
