"""Orders of settings: what the limits of a day allow, what people usually do, pure chance."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.plan.request import DayRequest, PlanFactor
from pipeline.plan.trend import Array

Order = NDArray[np.int64]  # (drivers, runs) numbers of settings; setting 0 is the reference
Chance = np.random.Generator
UNKNOWN = -1


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
    """What a person can do between the runs of one driver.

    follows: (settings, settings) whether one may follow the other.
    slow: (factors,) booleans; each such factor changes at most `slow_changes` times.
    runs: length of a sequence. done: settings of the runs that were driven, in which nothing is
    asked any more; UNKNOWN where they are not known. end: runs that there will be, None for all;
    what stands behind them only fills the sequence.
    """

    follows: NDArray[np.bool_]
    slow: NDArray[np.bool_]
    slow_changes: int
    warm_up: int
    runs: int
    done: tuple[int, ...] = ()
    end: int | None = None

    @property
    def free(self) -> slice:
        """The runs that are to be planned."""
        return slice(len(self.done), self.runs if self.end is None else self.end)

    @property
    def first(self) -> int:
        """The first run about which something is asked: the last one driven, if it is known."""
        return max(len(self.done) - (self.done[-1:] != (UNKNOWN,)), 0)

    @property
    def beginning(self) -> list[int]:
        """What a sequence starts with: what was driven, then the rest of the warm-up."""
        rest = max(min(self.warm_up, self.free.stop) - len(self.done), 0)
        return [max(one, 0) for one in self.done] + [0] * rest or [0] * (self.free.stop == 0)


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
    """(m,) whether each of m sequences of one driver, or of their beginnings, keeps the limits."""
    begun = limits.beginning[: sequences.shape[1]]
    keeps: NDArray[np.bool_] = (sequences[:, : len(begun)] == begun).all(axis=1)
    asked = sequences[:, limits.first : limits.free.stop]
    keeps &= limits.follows[asked[:, :-1], asked[:, 1:]].all(axis=1)
    keeps &= (changes(asked, settings)[:, limits.slow] <= limits.slow_changes).all(axis=1)
    behind = sequences[:, max(limits.free.stop, 1) - 1 :]
    return keeps & (behind == behind[:, :1]).all(axis=1) if behind.shape[1] else keeps


def all_sequences(settings: Settings, limits: Limits, most: int) -> Order | None:
    """(m, runs) every sequence that keeps the limits; None where there are more than `most`."""
    grown = np.array([limits.beginning], dtype=np.int64)
    while grown.shape[1] < limits.runs:
        source, following = _continued(grown, settings, limits)
        grown = np.column_stack([grown[source], following])
        grown = grown[allowed(grown, settings, limits)]
        if len(grown) > most:
            return None
    return grown


def _continued(grown: Order, settings: Settings, limits: Limits) -> tuple[Order, Order]:
    """Which sequence is continued, and by which setting, in every way that may keep the limits."""
    any_setting = np.ones((len(grown), len(settings.levels)), dtype=bool)
    free = grown.shape[1] <= limits.first
    source, following = np.nonzero(any_setting if free else limits.follows[grown[:, -1]])
    return source, following


def random_order(settings: Settings, limits: Sequence[Limits], chance: Chance) -> Order:
    """(drivers, runs) a random order within the limits: shuffled where that keeps them."""
    order = shuffled_order(settings, limits, chance)
    for driver, own in enumerate(limits):
        if not allowed(order[driver : driver + 1], settings, own).all():
            order[driver] = random_sequence(settings, own, chance)
    return order


def random_sequence(settings: Settings, limits: Limits, chance: Chance) -> Order:
    """(runs,) one sequence that keeps the limits, by a random walk."""
    sequence = np.array([limits.beginning], dtype=np.int64)
    while sequence.shape[1] < limits.runs:
        source, following = _continued(sequence, settings, limits)
        trials = np.column_stack([sequence[source], following])
        trials = trials[allowed(trials, settings, limits)]
        sequence = trials[[int(chance.integers(len(trials)))]]
    return np.asarray(sequence[0])


def usual_order(settings: Settings, limits: Sequence[Limits]) -> Order:
    """All at the reference, then each other level in its turn: the same for every driver."""
    single = (settings.levels > 0).sum(axis=1) <= 1
    turns = sorted(np.flatnonzero(single), key=lambda one: _turn(settings.levels[one]))
    return np.array([_in_turn(np.array(turns), own) for own in limits])


def _in_turn(turns: Order, limits: Limits) -> Order:
    free = limits.free
    blocks = np.array_split(np.arange(max(free.stop - free.start, 0)), len(turns))
    return _filled(np.repeat(turns, [len(block) for block in blocks]), limits)


def _filled(free: Order, limits: Limits) -> Order:
    """(runs,) a whole sequence, of the settings of the runs that are to be planned."""
    whole = np.r_[[max(one, 0) for one in limits.done], free].astype(np.int64)
    return np.pad(whole, (0, limits.runs - len(whole)), mode="edge")


def _turn(levels: NDArray[np.int64]) -> tuple[int, int]:
    """Place in the usual order: the reference, then factor by factor, level by level."""
    changed = np.flatnonzero(levels)
    return (int(changed[0]), int(levels[changed[0]])) if len(changed) else (-1, 0)


def shuffled_order(settings: Settings, limits: Sequence[Limits], chance: Chance) -> Order:
    """Levels as equally often as can be, in random order after the warm-up; no other limits."""
    return np.array([_shuffled(settings, own, chance) for own in limits])


def _shuffled(settings: Settings, limits: Limits, chance: Chance) -> Order:
    free, warm = limits.free, len(limits.beginning) - len(limits.done)
    runs = max(free.stop - free.start, 0)
    levels = np.zeros((runs, len(settings.factors)), dtype=np.int64)
    for i, factor in enumerate(settings.factors):
        equal_shares = np.sort(np.arange(runs) % len(factor.levels))[warm:]
        levels[warm:, i] = chance.permutation(equal_shares)
    sizes = [len(factor.levels) for factor in settings.factors]
    return _filled(np.ravel_multi_index(tuple(levels.T), sizes), limits)
