"""Which runs are one and the same, told twice: by their lap times, and by driver and time.

Two runs with the same laps in the same order are one run: that two drivers, or one driver twice,
drive a dozen laps alike to the hundredth does not happen. Tenths and whole seconds prove nothing
by themselves; there the driver and the time of day must agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipeline.store.told import Told
from pipeline.team.tables import plain

if TYPE_CHECKING:
    Array = np.ndarray[Any, Any]

# Laps in a row that make two runs worth a look, and how many of the shorter run's laps must then
# be equal: by chance two runs of a driver share one lap in forty to the hundredth.
WINDOW = 3
SHARE = 0.6
FEWEST_HUNDREDTHS = 5
# A window of laps that so many runs have (all laps 16.25 s) says nothing.
COMMONEST = 40
# Lap times of one run by two systems (or two transponders of a car) differ by less than this, s.
LOOSE = 0.05
# Rounding of both, and of the two passings that a lap lies between, in units of the last decimal.
ROUNDING = 1.6


@dataclass(frozen=True)
class Pair:
    """Two runs, `old` of the file that counts first. equal: laps that they share to the last
    digit; alike: that are near; at_once: one driver in both at the same time."""

    old: int
    new: int
    equal: int
    alike: int
    at_once: bool


def pairs_of(runs: Told, first_new: int) -> list[Pair]:
    """Pairs of runs that are one, or that cannot both be. first_new: the runs before it are not
    compared with each other."""
    overlapping = _at_once(runs, first_new)
    found = [_pair(runs, old, new, True) for old, new in overlapping]
    for old, new in _of_same_windows(runs, first_new) - overlapping:
        pair = _pair(runs, old, new, False)
        if _is_no_chance(runs, pair):
            found.append(pair)
    return sorted(found, key=lambda pair: (pair.new, pair.old))


def pair_of(runs: Told, old: int, new: int) -> Pair:
    """Two runs that are known to be one."""
    return _pair(runs, old, new, False)


def _pair(runs: Told, one: int, other: int, at_once: bool) -> Pair:
    rank = runs.runs["rank"].to_numpy()
    old, new = sorted((one, other), key=lambda run: (rank[run], run))
    digits = int(runs.runs["digits"].to_numpy()[[old, new]].min())
    tight = ROUNDING * 10.0**-digits
    first, second = runs.laps(old), runs.laps(new)
    equal = common(first, second, tight)
    alike = equal if tight >= LOOSE else common(first, second, LOOSE)
    return Pair(old, new, equal, alike, at_once)


def _is_no_chance(runs: Told, pair: Pair) -> bool:
    fine = runs.runs["digits"].to_numpy()[[pair.old, pair.new]].min() > 2
    fewest = WINDOW if fine else FEWEST_HUNDREDTHS
    shorter = runs.sizes[[pair.old, pair.new]].min()
    return pair.equal >= max(fewest, SHARE * shorter)


def common(first: Array, second: Array, tolerance: float) -> int:
    """Most laps that can be paired off in their order (longest common subsequence)."""
    if len(first) > len(second):
        first, second = second, first
    near = np.abs(first[:, None] - second) <= tolerance
    if near.diagonal().all():
        return len(first)
    best = np.zeros(len(second) + 1, dtype=np.int64)
    for row in near:
        best[1:] = np.maximum(best[1:], best[:-1] + row)
        best = np.maximum.accumulate(best)
    return int(best[-1])


def _told_apart(runs: pd.DataFrame, one: Array, other: Array) -> Array:
    """(k,) bool: not two cars of one session of one file, which its writer told apart."""
    same = np.ones(len(one), dtype=bool)
    for name in ("meeting", "source", "session", "heat"):
        codes = pd.factorize(runs[name])[0]
        same &= codes[one] == codes[other]
    return ~same


def may_tell_of(old: Told, new: Told) -> bool:
    """Whether any two runs of the two need be looked at."""
    begins, ends = new.runs["first"].min(), new.runs["last"].max()
    if ((old.runs["first"] < ends) & (old.runs["last"] > begins)).any():
        return True
    keys = zip(_windows(old), _windows(new), strict=True)
    return any(one["key"].isin(other["key"]).any() for one, other in keys)


def _of_same_windows(runs: Told, first_new: int) -> set[tuple[int, int]]:
    """Pairs that have a few laps in a row in common."""
    found: set[tuple[int, int]] = set()
    for windows in _windows(runs):
        found |= _sharing(windows.drop_duplicates(), first_new)
    pairs = np.array(sorted(found), dtype=np.int64).reshape(-1, 2)
    return set(map(tuple, pairs[_told_apart(runs.runs, pairs[:, 0], pairs[:, 1])].tolist()))


def _windows(runs: Told) -> list[pd.DataFrame]:
    """key (of a few laps in a row, to the hundredth) and run of each; rounded, and cut off."""
    run = np.repeat(np.arange(len(runs)), runs.sizes)
    rows = np.flatnonzero(run[: 1 - WINDOW] == run[WINDOW - 1 :]) if len(run) >= WINDOW else run[:0]
    rows = rows[runs.runs["digits"].to_numpy()[run[rows]] >= 2]
    found = []
    for hundredths in (np.round(runs.lap_s * 100), np.floor(runs.lap_s * 100 + 1e-4)):
        key = np.zeros(len(rows), dtype=np.int64)
        for step in range(WINDOW):
            key = key * 1_000_003 + hundredths[rows + step].astype(np.int64)
        found.append(pd.DataFrame({"key": key, "run": run[rows]}))
    return found


def _sharing(windows: pd.DataFrame, first_new: int) -> set[tuple[int, int]]:
    count = windows.groupby("key")["run"].transform("size")
    windows = windows[(count > 1) & (count <= COMMONEST)]
    both = windows.merge(windows, on="key", suffixes=("", "_new"))
    both = both[(both["run"] < both["run_new"]) & (both["run_new"] >= first_new)]
    return set(zip(both["run"].tolist(), both["run_new"].tolist(), strict=True))


def _at_once(runs: Told, first_new: int) -> set[tuple[int, int]]:
    """Pairs in which one driver, in one class, drives for more than a lap at the same time."""
    table = runs.runs.assign(run=np.arange(len(runs)), lap=_usual_laps(runs) * 1_000)
    table = table[table["first"].notna()].sort_values(["driver", "first"], kind="stable")
    latest = table.groupby("driver", sort=False)["last"].cummax().groupby(table["driver"]).shift()
    busy = table.loc[table["first"] < latest, "driver"].unique()
    columns = ["driver", "class", "first", "last", "lap", "run"]
    table = table.loc[table["driver"].isin(busy), columns]
    both = table.merge(table, on="driver", suffixes=("", "_new"))
    both = both[(both["run"] < both["run_new"]) & (both["run_new"] >= first_new)]
    shared = both[["last", "last_new"]].min(axis=1) - both[["first", "first_new"]].max(axis=1)
    both = both[shared > both[["lap", "lap_new"]].min(axis=1)]
    both = both[_one_class(both["class"], both["class_new"])]
    one, other = both["run"].to_numpy(), both["run_new"].to_numpy()
    apart = _told_apart(runs.runs, one, other)
    return set(zip(one[apart].tolist(), other[apart].tolist(), strict=True))


def _usual_laps(runs: Told) -> Array:
    """(R,) median lap of each run, s."""
    run = np.repeat(np.arange(len(runs)), runs.sizes)
    return pd.Series(runs.lap_s).groupby(run).median().to_numpy()


def _one_class(first: pd.Series, second: pd.Series) -> Array:
    """(k,) bool: the classes are one, or one of them is not known."""
    one, other = first.map(plain), second.map(plain)
    return ((one == other) | (one == "") | (other == "")).to_numpy(dtype=bool)
