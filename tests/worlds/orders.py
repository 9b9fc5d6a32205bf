"""In which order settings are tried: the level of every car in every round."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.random import Generator

from tests.worlds.parameters import Factor, Parameters
from tests.worlds.schedule import FINAL, LUNCH, PRACTICE, TEST, Flags, Floats, Integers, Schedule

MOSTLY = 0.85  # of the runs of a half day with the setting of that half ('semi')


def planned_levels(p: Parameters, s: Schedule, rng: Generator) -> Integers:
    """(F, M, C, R) level of each factor; -1 where an `adaptive` one is yet to be chosen."""
    levels = np.empty((len(p.factors), p.meetings, p.cars, p.runs), dtype=np.int64)
    for number, factor in enumerate(p.factors):
        levels[number] = factor.reference
        for meeting in _tried_at(p, rng):
            levels[number, meeting] = _at_meeting(p, s, rng, factor, meeting)
        levels[number] = _crossing(rng, levels[0], p.factors[0], factor, levels[number], number)
    return levels


def _tried_at(p: Parameters, rng: Generator) -> list[int]:
    tried = rng.random(p.meetings) < p.tried
    tried[rng.integers(p.meetings)] = True
    return [int(meeting) for meeting in np.flatnonzero(tried)]


def _at_meeting(
    p: Parameters, s: Schedule, rng: Generator, factor: Factor, meeting: int
) -> Integers:
    """(C, R) levels at one meeting."""
    day = Day(rng, len(factor.levels), factor.reference, s.hour[meeting], s.kind)
    rows = [RULES[factor.order](day) for _ in range(1 if p.cars_together else p.cars)]
    return np.resize(np.array(rows), (p.cars, p.runs))


def _crossing(
    rng: Generator, first: Integers, leader: Factor, factor: Factor, own: Integers, number: int
) -> Integers:
    """The second factor and later ones: as drawn, often moved with the first, or never alone."""
    if number == 0 or factor.crossing == "crossed":
        return own
    if factor.crossing == "only at":
        return np.where(first == leader.reference, factor.reference, own)
    moved = np.where(first == leader.reference, factor.reference, _others(rng, factor, first.shape))
    return np.where(rng.random(first.shape[:2])[..., None] < 0.6, moved, own)


def _others(rng: Generator, factor: Factor, shape: tuple[int, ...]) -> Integers:
    """Levels that are not the reference."""
    drawn = rng.integers(1, len(factor.levels), shape)
    return (factor.reference + drawn) % len(factor.levels)


class Day:
    """What an order is drawn from: one car's rounds."""

    def __init__(
        self, rng: Generator, count: int, reference: int, hour: Floats, kind: Integers
    ) -> None:
        self.rng, self.count, self.reference = rng, count, reference
        self.after_lunch: Flags = hour >= LUNCH
        self.kind = kind
        self.rounds = len(hour)
        others = [level for level in range(count) if level != reference]
        self.level = int(rng.choice(others))
        self.shuffled = rng.permutation(count)

    def any_level(self) -> Integers:
        return self.rng.integers(0, self.count, self.rounds)


def _random(day: Day) -> Integers:
    """By lot, but never all the same."""
    drawn = day.any_level()
    if len(set(drawn.tolist())) == 1:
        drawn[day.rng.integers(day.rounds)] = (drawn[0] + 1) % day.count
    return drawn


def _balanced(day: Day) -> Integers:
    """A B B A, A B C C B A, …"""
    return np.resize(np.concatenate([day.shuffled, day.shuffled[::-1]]), day.rounds)


def _semi(day: Day) -> Integers:
    """Mostly the reference in the morning, mostly the level after lunch, some switches back."""
    usual = day.rng.random(day.rounds) < MOSTLY
    late = day.after_lunch
    inside = np.flatnonzero((late[:-2] == late[1:-1]) & (late[1:-1] == late[2:])) + 1
    if usual.all() and len(inside):  # else a day by the clock, which is another order
        usual[day.rng.choice(inside)] = False
    return np.where(late == usual, day.level, day.reference)


def _blocks(day: Day) -> Integers:
    return np.resize(np.repeat(day.shuffled, int(day.rng.integers(2, 4))), day.rounds)


def _clock(day: Day) -> Integers:
    return np.where(day.after_lunch, day.level, day.reference)


def _finals(day: Day) -> Integers:
    """The level in every final, either setting before."""
    drawn = np.where(day.rng.random(day.rounds) < 0.5, day.level, day.reference)
    return np.where(_late(day), day.level, drawn)


def _finals_only(day: Day) -> Integers:
    return np.where(_late(day), day.any_level(), day.reference)


def _practice_only(day: Day) -> Integers:
    early = (day.kind == PRACTICE) | ((day.kind == TEST) & ~day.after_lunch)
    return np.where(early, day.any_level(), day.reference)


def _late(day: Day) -> Flags:
    """The finals; of a test day its last quarter."""
    return (day.kind == FINAL) | ((day.kind == TEST) & (np.arange(day.rounds) >= day.rounds * 0.75))


def _adaptive(day: Day) -> Integers:
    """Marked for the caller, who sees the runs' times; the first run is at the reference."""
    return np.full(day.rounds, -1)


RULES: dict[str, Callable[[Day], Integers]] = {
    "random": _random,
    "balanced": _balanced,
    "semi": _semi,
    "blocks": _blocks,
    "clock": _clock,
    "adaptive": _adaptive,
    "finals": _finals,
    "finals only": _finals_only,
    "practice only": _practice_only,
}


def keep_what_looked_faster(
    factor: Factor, seen: Floats, gains: Floats, rng: Generator
) -> Integers:
    """(..., R) levels chosen run by run from raw times.

    `seen` (..., R): what each run would take at the reference; `gains` (..., levels): what each
    level adds. A change that looked quicker than the run before stays, another is reverted; a
    setting that stayed is changed again by lot.
    """
    shape, rounds = seen.shape[:-1], seen.shape[-1]
    levels = np.full(seen.shape, factor.reference)
    time = np.empty(seen.shape)
    kept = np.full(shape, factor.reference)  # what a failed change goes back to
    for n in range(rounds):
        if n:
            changed = levels[..., n - 1] != kept
            better = changed & (time[..., n - 1] < time[..., max(n - 2, 0)])
            kept = np.where(better, levels[..., n - 1], kept)
            drawn = rng.integers(1, len(factor.levels), shape)
            other = (kept + drawn) % len(factor.levels)
            again = (~changed | better) & (rng.random(shape) < 0.8)
            levels[..., n] = np.where(again, other, kept)
        gain = np.take_along_axis(gains, levels[..., n][..., None], -1)[..., 0]
        time[..., n] = seen[..., n] + gain
    return levels
