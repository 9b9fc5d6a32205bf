"""What a shuffled log shows: an estimate by least squares over its own residual error.

Of the runs' values about the means of each driver's day and beside a drift a day, after the other
factors were taken out of them (Freedman and Lane 1983). Settings keep their mean within a driver's
day however they are shuffled there, and what depends on what: both are looked at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Protocol

import numpy as np

from pipeline.models.design import independent
from pipeline.models.engine.parts import Flags
from pipeline.models.engine.rows import Array, Codes

SAME_SPAN = 1e-8
LOST = 1e-12  # of a column's size: rounding
LARGE_INVERSE = 1e4  # of a matrix with a diagonal of ones: no smaller one is near to `SAME_SPAN`


class Shuffleable(Protocol):
    """Of a log (see `shuffled.Log`) what is looked at here; its rows stand in the order of days."""

    @property
    def settings(self) -> Array: ...

    @property
    def factor(self) -> Codes: ...

    @property
    def group(self) -> Codes: ...

    @property
    def day(self) -> Codes: ...

    @property
    def drift(self) -> Array: ...


@dataclass(frozen=True)
class LogFit:
    """The n runs of a log and their r values, ready for any order of the settings.

    X: (k, n), settings that are independent, about the groups' means. beside: (n, F, r), values
    beside all factors but each in turn. drift: (n, b), orthonormal on each day. days: slices of
    the rows. at: (k,), places of X among the contrasts. clear: (k,), no other column says the
    same. factor: (k,) codes from 0 to F - 1. df: of the residuals.
    """

    X: Array
    beside: Array
    drift: Array
    days: tuple[slice, ...]
    at: Codes
    clear: Flags
    factor: Codes
    df: int
    contrasts: int

    def sizes(self, order: Codes) -> Array:
        """Absolute estimates over their errors in each log of `order` (s, n): (s, contrasts, r).

        NaN where a log's settings cannot tell the contrast.
        """
        crossed, grams = self._crossed(order)
        squares = np.einsum("skk->sk", grams)
        beside_drift = squares > SAME_SPAN * (self.X**2).sum(axis=1)
        size = np.sqrt(np.maximum(squares, 1e-300))
        inverse, apart = _inverted(grams / size[:, :, None] / size[:, None, :])
        unit = crossed / size[:, :, None]
        beta = inverse @ unit
        k, (_, F, r) = len(self.X), self.beside.shape
        left = np.maximum(self._total - (beta * unit).sum(axis=1), 0.0).reshape(-1, F, r)
        left = left[:, self.factor]
        estimate = beta.reshape(-1, k, F, r)[:, np.arange(k), self.factor]
        own = np.einsum("skk->sk", inverse)[:, :, None]
        told = (apart & beside_drift & self.clear)[:, :, None] & (
            left > SAME_SPAN * self._of_contrast
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            found = np.abs(estimate) / np.sqrt(left / self.df * own)
        out = np.full((len(order), self.contrasts, r), np.nan)
        out[:, self.at] = np.where(told, found, np.nan)
        return out

    def _crossed(self, order: Codes) -> tuple[Array, Array]:
        """X' beside (s, k, F r) and X'X (s, k, k) beside the drift, day by day: then what is
        shuffled stays in the cache."""
        k, n = self.X.shape
        right = np.hstack([self.beside.reshape(n, -1), self.drift])
        b = self.drift.shape[1]
        crossed = np.zeros((k, len(order), right.shape[1] - b))
        grams = np.repeat((self.X @ self.X.T)[None], len(order), axis=0)
        for day in self.days:
            both = self.X[:, order[:, day]] @ right[day]
            crossed += both[:, :, : both.shape[2] - b]
            along = both[:, :, both.shape[2] - b :].transpose(1, 0, 2)
            grams -= along @ along.transpose(0, 2, 1)
        return crossed.transpose(1, 0, 2), grams

    @cached_property
    def _total(self) -> Array:
        return np.asarray((self.beside**2).sum(axis=0).ravel())

    @property
    def _of_contrast(self) -> Array:
        """Sum of squares of each contrast's values, (k, r)."""
        return np.asarray(self._total.reshape(self.beside.shape[1:])[self.factor])


def fit_of(log: Shuffleable, y: Array) -> LogFit:
    """The log's runs with their values y (n, r)."""
    drift = _drift(log)
    settings = _about_groups(log.settings, log.group)
    rest = _out_of_drift(_about_groups(y, log.group), log.day, drift)
    at = independent(settings)
    named, factor = np.unique(log.factor[at], return_inverse=True)
    straight = _out_of_drift(settings, log.day, drift)
    beside = [_beside(straight[:, log.factor != one], rest) for one in named]
    n, k = settings.shape
    return LogFit(
        X=np.ascontiguousarray(settings[:, at].T),
        beside=np.stack(beside, axis=1) if beside else np.zeros((n, 0, y.shape[1])),
        drift=drift,
        days=tuple(_slices(log.day)),
        at=at,
        clear=_clear(settings)[at],
        factor=factor,
        df=max(n - _rank(log, drift) - k, 1),
        contrasts=k,
    )


def _beside(others: Array, y: Array) -> Array:
    """y less what the other factors explain."""
    return np.asarray(y - others @ np.linalg.lstsq(others, y, rcond=SAME_SPAN)[0])


def _clear(X: Array) -> Flags:
    """(k,): the columns that no others say the same as."""
    size = np.sqrt((X**2).sum(axis=0))
    unit = X / np.where(size > 0, size, 1.0)
    return _inverted((unit.T @ unit)[None])[1][0]


def _inverted(scaled: Array) -> tuple[Array, Flags]:
    """Inverses of (s, k, k), without what is dependent, and which columns are not, (s, k)."""
    try:
        inverse = np.linalg.inv(scaled)
    except np.linalg.LinAlgError:
        inverse = np.full(scaled.shape, np.inf)
    near = ~(np.abs(inverse).max(axis=(1, 2), initial=0.0) < LARGE_INVERSE)
    inverse[near] = np.linalg.pinv(scaled[near], rcond=SAME_SPAN, hermitian=True)
    apart: Flags = np.ones(scaled.shape[:2], bool)
    apart[near] = np.einsum("sij,sji->si", inverse[near], scaled[near]) > 1 - 1e-6
    return np.asarray(inverse, float), apart


def _drift(log: Shuffleable) -> Array:
    """(n, b): the drift about the groups' means, orthonormal on each day; zero where it is none,
    and without the columns that are none on any day."""
    out = np.zeros_like(log.drift)
    about = _about_groups(log.drift, log.group)
    code = _code(log.day)
    for j in range(about.shape[1]):
        column = _out_of_drift(about[:, j : j + 1], log.day, out[:, :j])[:, 0]
        length = np.sqrt(np.bincount(code, column**2))[code]
        whole = np.sqrt(np.bincount(code, log.drift[:, j] ** 2))[code]
        out[:, j] = np.divide(
            column, length, out=np.zeros(len(column)), where=length > SAME_SPAN * whole
        )
    return out[:, out.any(axis=0)]


def _rank(log: Shuffleable, drift: Array) -> int:
    of_drift = sum(len(np.unique(log.day[column != 0])) for column in drift.T)
    return len(np.unique(log.group)) + of_drift


def _out_of_drift(columns: Array, day: Codes, drift: Array) -> Array:
    code, starts = _code(day), [one.start for one in _slices(day)]
    for column in drift.T:
        along = np.add.reduceat(columns * column[:, None], starts, axis=0)
        columns = columns - column[:, None] * along[code]
    return columns


def _about_groups(columns: Array, group: Codes) -> Array:
    """Columns about their means in each group; what rounding leaves of a constant is zero."""
    if not columns.shape[1]:
        return columns
    code = np.unique(group, return_inverse=True)[1]
    n = np.bincount(code)
    means = np.column_stack([np.bincount(code, column) / n for column in columns.T])
    out = np.asarray(columns - means[code])
    return np.where(np.abs(out) > LOST * np.abs(columns).max(axis=0), out, 0.0)


def _code(day: Codes) -> Codes:
    """Codes from 0 of days that stand in order."""
    return np.cumsum(np.diff(day, prepend=day[:1]) != 0)


def _slices(day: Codes) -> Iterator[slice]:
    """The rows of each day."""
    edges = np.r_[0, np.flatnonzero(np.diff(day)) + 1, len(day)]
    for first, last in pairwise(edges):
        yield slice(int(first), int(last))
