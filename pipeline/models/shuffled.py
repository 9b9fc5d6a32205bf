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

from dataclasses import dataclass
from functools import cached_property
from math import factorial, prod

import numpy as np

from pipeline.models.engine.rows import Array, Codes

SHUFFLES = 2000
# Of fewer distinct logs no p of 5 % could be told from one of 2.5 or 7.5.
LEAST_DISTINCT = 40
SEED = 1
SAME_SPAN = 1e-8
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

    def distinct(self, factor: int) -> float:
        """How many different logs of this factor's settings there are, up to 1e18."""
        columns = self.settings[:, self.factor == factor]
        return min(prod(_arrangements(columns[cars]) for cars in self.together), 1e18)

    def shuffled(self, count: int, rng: np.random.Generator) -> Codes:
        """(count, n): for each shuffled log, the row whose settings each run gets."""
        out = np.empty((count, len(self.group)), dtype=np.intp)
        for cars in self.together:
            turns = np.argsort(rng.random((count, cars.shape[1])), axis=1)
            for own in cars:
                out[:, own] = own[turns]
        return out


def _arrangements(settings: Array) -> int:
    """Of (cars, runs, c): the multinomial coefficient of the runs' different settings."""
    rows = settings.swapaxes(0, 1).reshape(settings.shape[1], -1)
    counts = np.unique(rows, axis=0, return_counts=True)[1]
    return factorial(len(rows)) // prod(factorial(int(count)) for count in counts)


def shuffled_values(
    log: Log, responses: Array, count: int = SHUFFLES, seed: int = SEED
) -> list[list[Shuffled]]:
    """For each response (n, r), NaN where a run has none, how each contrast fares.

    Time grows with n times count; the same log and seed give the same p.
    """
    out: list[list[Shuffled]] = [[NO_VOICE] * len(log.factor) for _ in responses.T]
    has = np.isfinite(responses)
    patterns, of = np.unique(has, axis=1, return_inverse=True)
    for number, pattern in enumerate(patterns.T):
        own, rows = np.flatnonzero(of.ravel() == number), np.flatnonzero(pattern)
        if len(rows):
            found = _of_runs(log.only(rows), responses[np.ix_(rows, own)], count, seed)
            for place, values in zip(own, found, strict=True):
                out[place] = values
    return out


def _of_runs(log: Log, y: Array, count: int, seed: int) -> list[list[Shuffled]]:
    """The same, of runs that have every response."""
    k, r = len(log.factor), y.shape[1]
    told = np.array([log.distinct(f) >= LEAST_DISTINCT for f in log.factor], bool)
    drift = _drift(log)
    # Shuffled within groups a column keeps its mean there, so that it is taken out once.
    X = _about_groups(log.settings, log.group)
    rest = _out_of_drift(_about_groups(y, log.group), log.day, drift)
    beside = _beside_others(log, X, drift, rest)
    rng = np.random.default_rng(seed)
    sizes = [_sizes(log, X, drift, beside, np.arange(len(y))[None])]
    step = max(CELLS // max(X.size, 1), 1)
    for start in range(0, count if told.any() else 0, step):
        sizes.append(_sizes(log, X, drift, beside, log.shuffled(min(step, count - start), rng)))
    size = np.concatenate(sizes)
    return [[_counted(size[:, j, i]) if told[j] else NO_VOICE for j in range(k)] for i in range(r)]


def _counted(size: Array) -> Shuffled:
    """size: (1 + shuffles,), the real log's first; NaN where a log cannot tell the contrast."""
    others = size[1:][np.isfinite(size[1:])]
    if not np.isfinite(size[0]) or not len(others):
        return NO_VOICE
    # Rounding must not make a log that is the real one again count as less.
    as_much = int((others >= size[0] * (1 - 1e-9)).sum())
    return Shuffled((as_much + 1) / (len(others) + 1), as_much, len(others))


def _sizes(log: Log, X: Array, drift: Array, beside: Array, order: Codes) -> Array:
    """Absolute estimates over their errors in each log of `order` (s, n): (s, k, r).

    X: (n, k) about the groups' means. beside: (n, k, r), the responses beside all factors but that
    of the k-th contrast.
    """
    n, k = X.shape
    r = beside.shape[2]
    shuffled = X[order]
    crossed = (shuffled.swapaxes(1, 2) @ beside.reshape(n, -1)).reshape(-1, k, k, r)
    grams = np.repeat((X.T @ X)[None], len(order), axis=0)
    for column in drift.T:
        along = _day_sums(shuffled * column[:, None], log.day)
        grams -= along.swapaxes(1, 2) @ along
    size = np.sqrt(np.maximum(np.einsum("skk->sk", grams), 1e-300))
    scaled = grams / size[:, :, None] / size[:, None, :]
    inverse = np.linalg.pinv(scaled, rcond=SAME_SPAN, hermitian=True)
    unit = crossed / size[:, :, None, None]
    beta = np.einsum("sij,sjkr->sikr", inverse, unit)
    total = (beside**2).sum(axis=0)
    left = np.maximum(total - np.einsum("sikr,sikr->skr", beta, unit), 0.0)
    df = max(n - _rank(log, drift) - k, 1)
    own = np.einsum("skk->sk", inverse)[:, :, None]
    estimate = np.einsum("skkr->skr", beta)
    # Where a shuffled log's settings are dependent, the contrast is not its own there.
    apart = np.einsum("sij,sji->si", inverse, scaled)[:, :, None] > 1 - 1e-6
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.abs(estimate) / np.sqrt(left / df * own)
    return np.where(apart & (left > SAME_SPAN * total), found, np.nan)


def _beside_others(log: Log, X: Array, drift: Array, y: Array) -> Array:
    """(n, k, r): for each contrast the responses less what the other factors explain."""
    X = _out_of_drift(X, log.day, drift)
    out = np.empty((*X.shape, y.shape[1]))
    for j, factor in enumerate(log.factor):
        others = X[:, log.factor != factor]
        out[:, j] = y - others @ np.linalg.lstsq(others, y, rcond=SAME_SPAN)[0]
    return out


def _drift(log: Log) -> Array:
    """(n, b): the drift about the groups' means, orthonormal on each day; zero where it is none."""
    out = np.zeros_like(log.drift)
    about = _about_groups(log.drift, log.group)
    for j in range(about.shape[1]):
        column = _out_of_drift(about[:, j : j + 1], log.day, out[:, :j])[:, 0]
        length = np.sqrt(np.bincount(log.day, column**2))[log.day]
        whole = np.sqrt(np.bincount(log.day, log.drift[:, j] ** 2))[log.day]
        out[:, j] = np.divide(
            column, length, out=np.zeros(len(column)), where=length > SAME_SPAN * whole
        )
    return out


def _rank(log: Log, drift: Array) -> int:
    of_drift = sum(len(np.unique(log.day[column != 0])) for column in drift.T)
    return len(np.unique(log.group)) + of_drift


def _out_of_drift(columns: Array, day: Codes, drift: Array) -> Array:
    code = np.unique(day, return_inverse=True)[1]
    for column in drift.T:
        along = _day_sums(columns * column[:, None], day)
        columns = columns - column[:, None] * along[code]
    return columns


def _about_groups(columns: Array, group: Codes) -> Array:
    code = np.unique(group, return_inverse=True)[1]
    n = np.bincount(code)
    means = np.column_stack([np.bincount(code, column) / n for column in columns.T])
    return np.asarray(columns - means[code]) if columns.shape[1] else columns


def _day_sums(columns: Array, day: Codes) -> Array:
    """Sums of (..., n, k) over the days: (..., days, k)."""
    order = np.argsort(day, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(day[order]) > 0])
    return np.asarray(np.add.reduceat(columns[..., order, :], starts, axis=-2))
