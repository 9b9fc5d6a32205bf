"""Of runs that are told twice, which one stays: decided file by file, in the order they count."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from pipeline.store.same_laps import Pair, pair_of, pairs_of
from pipeline.store.told import Place, Told

if TYPE_CHECKING:
    Array = np.ndarray[Any, Any]

# A run of which at least so many laps are another's is that one corrected; below it the two
# contradict each other. The same share of a session's laps makes two sessions one.
MOST = 0.5


@dataclass
class Decisions:
    """instead: (R,) the run that stands for each, -1 for one that stays. newer: (R,) bool, that one
    is of a file that counts later. merged: pairs of which one went, by the sessions of the older
    and the newer; corrected: those of them in which the newer stayed. strangers: sessions of two
    meetings of which the newer would correct the older. clashes: pairs that cannot both be."""

    instead: Array
    newer: Array
    merged: dict[tuple[Place, Place], list[Pair]] = field(default_factory=dict)
    corrected: set[tuple[Place, Place]] = field(default_factory=set)
    strangers: list[tuple[Place, Place]] = field(default_factory=list)
    clashes: list[Pair] = field(default_factory=list)

    def standing(self) -> Array:
        """(R,) the run that stands for each in the end, -1 for one that stays."""
        out = self.instead.copy()
        while (again := (out >= 0) & (self.instead[out] >= 0)).any():
            out[again] = self.instead[out[again]]
        return out


def decide(runs: Told, first_new: int) -> Decisions:
    """What of the new runs (from `first_new` on) is new, and what of the old they replace.

    A run that another holds whole is taken once: the older stays. One that was told shorter, or
    otherwise in a few laps, gives way to the newer, with all that the two sessions share.
    """
    return _Judge(runs, first_new).decisions()


class _Person(NamedTuple):
    driver: str
    name: str
    number: str


class _Judge:
    def __init__(self, runs: Told, first_new: int) -> None:
        self.runs, self.sizes = runs, runs.sizes
        self.places = runs.places()
        self.members: dict[Place, list[int]] = defaultdict(list)
        for run, place in enumerate(self.places):
            self.members[place].append(run)
        people = runs.runs[["driver", "name", "number"]].itertuples(index=False)
        self.people = [_Person(*cells) for cells in people]
        self.out = Decisions(np.full(len(runs), -1), np.zeros(len(runs), dtype=bool))
        self.pairs: dict[int, list[Pair]] = defaultdict(list)
        rank = runs.runs["rank"].to_numpy()
        for pair in pairs_of(runs, first_new):
            self.pairs[int(rank[pair.new])].append(pair)

    def decisions(self) -> Decisions:
        for rank in sorted(self.pairs):
            standing = [pair for pair in self.pairs[rank] if self.out.instead[pair.old] < 0]
            for places, pairs in self._by_sessions(standing).items():
                self._settle(places, pairs)
            self.out.clashes += [
                pair
                for pair in standing
                if pair.at_once and self._stay(pair) and self._differ(pair)
            ]
        return self.out

    def _stay(self, pair: Pair) -> bool:
        return bool((self.out.instead[[pair.old, pair.new]] < 0).all())

    def _differ(self, pair: Pair) -> bool:
        return pair.alike < MOST * min(self.sizes[[pair.old, pair.new]])

    def _by_sessions(self, pairs: Iterable[Pair]) -> dict[tuple[Place, Place], list[Pair]]:
        """Pairs that are one run, by the sessions of the older and the newer."""
        found: dict[tuple[Place, Place], list[Pair]] = defaultdict(list)
        for pair in pairs:
            if not self._differ(pair):
                found[self.places[pair.old], self.places[pair.new]].append(pair)
        return {places: [*own, *self._short_runs(places, own)] for places, own in found.items()}

    def _short_runs(self, places: tuple[Place, Place], pairs: list[Pair]) -> Iterator[Pair]:
        """In sessions that are one, runs of one driver are one, be they of a single lap."""
        members = [
            [run for run in self.members[place] if self.out.instead[run] < 0] for place in places
        ]
        laps = min(int(self.sizes[own].sum()) for own in members)
        if sum(pair.equal for pair in pairs) < MOST * laps:
            return
        known = {pair.old for pair in pairs} | {pair.new for pair in pairs}
        older, newer = ([run for run in own if run not in known] for own in members)
        drivers = {self.people[run].driver: run for run in older}
        for run in newer:
            if self.people[run].driver in drivers:
                yield pair_of(self.runs, drivers[self.people[run].driver], run)

    def _settle(self, places: tuple[Place, Place], pairs: list[Pair]) -> None:
        """One of the two sessions stands for both, as far as they share runs."""
        newer_counts = any(self._is_correction(pair) for pair in pairs)
        if newer_counts and places[0].meeting != places[1].meeting:
            self.out.strangers.append(places)
            return
        for pair in pairs:
            goes, stays = (pair.old, pair.new) if newer_counts else (pair.new, pair.old)
            self.out.instead[goes], self.out.newer[goes] = stays, newer_counts
        self.out.merged[places] = pairs
        if newer_counts:
            self.out.corrected.add(places)

    def _is_correction(self, pair: Pair) -> bool:
        """The newer tells more than the older, or otherwise, or of another driver."""
        return pair.equal < self.sizes[pair.new] or self._of_another(pair)

    def _of_another(self, pair: Pair) -> bool:
        old, new = self.people[pair.old], self.people[pair.new]
        if old.name and new.name:
            return old.name != new.name
        return bool(old.number and new.number) and old.number != new.number
