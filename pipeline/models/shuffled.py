"""A second voice: the log shuffled.

If a change did nothing, the log could as well have been written in another order. So each driver's
settings are shuffled among the runs of a day, whole rows together, and it is counted how often the
shuffled log shows as much as the real one (Fisher 1935; Phipson and Smyth 2010 for the count). The
other factors are taken out as Freedman and Lane (1983) do. What is counted is an estimate by least
squares over its own residual error, about the means of each driver's day, beside a line a day for
the team, of the runs' values less what the field's own laps say of grip and heats. Whatever the
variances are, the share of shuffles that show as much is a p value; it speaks of these meetings.

Cars that shared their heats and changed at the same runs are shuffled as one, since what a heat
does to one of them it does to all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import factorial, prod

import numpy as np

from pipeline.models.engine.rows import Array, Codes
from pipeline.models.shuffled_fit import fit_of

SHUFFLES = 2000
# Of fewer distinct logs no p of 5 % could be told from one of 2.5 or 7.5.
LEAST_DISTINCT = 40
MOST_COUNTED = 10**18  # as many different logs are all that a p value could ask for
SEED = 1
CELLS = 4_000_000  # numbers of shuffled settings that are held at a time


@dataclass(frozen=True)
class Shuffled:
    """How a contrast fares among shuffled logs.

    p_value: NaN where fewer than `LEAST_DISTINCT` shuffles differ. as_much: shuffled logs that
    showed as much; of: how many there were.
    """

    p_value: float
    as_much: int
    of: int


NO_VOICE = Shuffled(float("nan"), 0, 0)


@dataclass(frozen=True)
class Log:
    """The team's runs of known settings, n of them.

    settings: (n, k), a column a contrast. factor: (k,) codes of the contrasts' factors. group:
    (n,) codes of driver and day; day: (n,) codes; turn: (n,) run numbers; heat: (n,) codes.
    drift: (n, b) columns that are taken out on each day: a line in time for the team, and where no
    rival shows how grip bends, a bend.
    """

    settings: Array
    factor: Codes
    group: Codes
    day: Codes
    turn: Codes
    heat: Codes
    drift: Array

    def only(self, rows: Codes) -> Log:
        own = (getattr(self, name)[rows] for name in ("group", "day", "turn", "heat", "drift"))
        return Log(self.settings[rows], self.factor, *own)

    @cached_property
    def together(self) -> tuple[Codes, ...]:
        """Rows (cars, runs) that are shuffled as one, in the order of the runs.

        Cars go together where they drove the same heats and changed at the same runs. A car that
        never changed moves nothing, with whomever it drove.
        """
        rows = np.lexsort((self.turn, self.group))
        ends = np.flatnonzero(np.diff(self.group[rows])) + 1
        found: dict[tuple[bytes, bytes], list[Codes]] = {}
        for own in np.split(rows, ends):
            changes = (np.diff(self.settings[own], axis=0) != 0).any(axis=1)
            alone = b"" if changes.any() else own[:1].tobytes()
            key = self.heat[own].tobytes() + alone, changes.tobytes()
            found.setdefault(key, []).append(own)
        return tuple(np.array(cars) for cars in found.values())

    @cached_property
    def _alike(self) -> tuple[tuple[Codes, Codes], ...]:
        """Those of `together` with as many cars and runs, (units, cars, runs), and their numbers:
        a season of many days is shuffled in few steps."""
        found: dict[tuple[int, ...], list[int]] = {}
        for number, cars in enumerate(self.together):
            found.setdefault(cars.shape, []).append(number)
        return tuple(
            (np.array([self.together[number] for number in own]), np.array(own))
            for own in found.values()
        )

    def distinct(self, factor: int) -> int:
        """How many different logs of this factor's settings there are, up to `MOST_COUNTED`."""
        kind, found = _kinds(self.settings[:, self.factor == factor]), 1
        for cars in self.together:
            found *= _arrangements(kind[cars])
            if found > MOST_COUNTED:
                return MOST_COUNTED
        return found

    def every(self, most: int) -> Codes | None:
        """All different logs, (logs, n), the real one among them; None where there are more."""
        found, kind = [np.arange(len(self.group))], _kinds(self.settings)
        for cars in self.together:
            turns = _orders(kind[cars], most)
            if turns is None or len(turns) * len(found) > most:
                return None
            found = [_dealt(log, cars, turn) for log in found for turn in turns]
        return np.array(found)

    def shuffled(self, count: int, rng: np.random.Generator) -> Codes:
        """(count, n): for each shuffled log, the row whose settings each run gets."""
        out = np.empty((count, len(self.group)), dtype=np.intp)
        ends = np.cumsum([0, *(count * cars.shape[1] for cars in self.together)])
        lots = rng.random(int(ends[-1]))
        for cars, numbers in self._alike:
            places = np.arange(count * cars.shape[2]).reshape(count, -1)
            turns = np.argsort(lots[ends[numbers][:, None, None] + places], axis=2)
            for own in cars.swapaxes(0, 1):
                dealt = np.take_along_axis(own[:, None], turns, axis=2)
                out[:, own.ravel()] = dealt.swapaxes(0, 1).reshape(count, -1)
        return out


def _dealt(log: Codes, cars: Codes, turn: Codes) -> Codes:
    out = log.copy()
    out[cars] = cars[:, turn]
    return out


def _orders(kinds: Codes, most: int) -> list[Codes] | None:
    """Of (cars, runs): orders of the runs, one for each different log; None for more."""
    if _arrangements(kinds) > most:
        return None
    kind = _kinds(kinds.T)
    places = np.arange(len(kind))
    orders = [np.full(len(kind), -1)]
    for value in range(int(kind.max()) + 1):  # the runs of a kind go to every choice of free places
        own = places[kind == value]
        orders = [
            _placed(order, own, np.array(chosen))
            for order in orders
            for chosen in combinations(places[order < 0], len(own))
        ]
    return orders


def _placed(order: Codes, own: Codes, chosen: Codes) -> Codes:
    out = order.copy()
    out[chosen] = own
    return out


def _kinds(columns: Array | Codes) -> Codes:
    """(n,): the same code for the same row of (n, c)."""
    out = np.zeros(len(columns), np.intp)
    for column in columns.T:
        codes = np.unique(column, return_inverse=True)[1]
        out = np.unique(out * (codes.max(initial=0) + 1) + codes, return_inverse=True)[1]
    return out


def _arrangements(kinds: Codes) -> int:
    """Of (cars, runs): the multinomial coefficient of the runs' different settings."""
    counts = Counter(zip(*kinds.tolist(), strict=True)).values()
    return factorial(kinds.shape[1]) // prod(map(factorial, counts))


def shuffled_values(
    log: Log, responses: Array, count: int = SHUFFLES, seed: int = SEED
) -> list[list[Shuffled]]:
    """For each response (n, r), NaN where a run has none, how each contrast fares.

    Time grows with n times count; the same log and seed give the same p.
    """
    out: list[list[Shuffled]] = [[NO_VOICE] * len(log.factor) for _ in responses.T]
    has = np.isfinite(responses)
    patterns, of = np.unique(has, axis=1, return_inverse=True)
    by_day = np.argsort(log.day, kind="stable")
    for number, pattern in enumerate(patterns.T):
        own, rows = np.flatnonzero(of.ravel() == number), by_day[pattern[by_day]]
        if len(rows):
            found = _of_runs(log.only(rows), responses[np.ix_(rows, own)], count, seed)
            for place, values in zip(own, found, strict=True):
                out[place] = values
    return out


def _of_runs(log: Log, y: Array, count: int, seed: int) -> list[list[Shuffled]]:
    """The same, of runs that have every response and stand in the order of their days."""
    k, r = len(log.factor), y.shape[1]
    enough = {int(f): log.distinct(f) >= LEAST_DISTINCT for f in np.unique(log.factor)}
    if not any(enough.values()):
        return [[NO_VOICE] * k for _ in range(r)]
    fit = fit_of(log, y)
    real = fit.sizes(np.arange(len(y))[None])[0]
    every = log.every(count)
    logs = _some_logs(log, count, seed) if every is None else _parts(every, log.settings.size)
    size = np.concatenate([fit.sizes(order) for order in logs])
    drawn, told = every is None, [enough[int(f)] for f in log.factor]
    return [
        [_counted(real[j, i], size[:, j, i], drawn) if told[j] else NO_VOICE for j in range(k)]
        for i in range(r)
    ]


def _some_logs(log: Log, count: int, seed: int) -> Iterator[Codes]:
    """Shuffled logs, as many at a time as memory is to hold."""
    rng = np.random.default_rng(seed)
    step = max(CELLS // log.settings.size, 1)
    for start in range(0, count, step):
        yield log.shuffled(min(step, count - start), rng)


def _parts(logs: Codes, cells: int) -> Iterator[Codes]:
    step = max(CELLS // cells, 1)
    return (logs[start : start + step] for start in range(0, len(logs), step))


def _counted(real: float, size: Array, drawn: bool) -> Shuffled:
    """real: of the real log; size: (logs,), NaN where a log cannot tell the contrast.

    drawn: the logs were drawn by lot, and the real one is one more; else they are all there are.
    """
    others = size[np.isfinite(size)]
    if not np.isfinite(real) or not len(others):
        return NO_VOICE
    # Rounding must not make a log that is the real one again count as less.
    as_much = int((others >= real * (1 - 1e-9)).sum())
    return Shuffled((as_much + drawn) / (len(others) + drawn), as_much, len(others))
