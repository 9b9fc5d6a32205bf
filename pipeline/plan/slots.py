"""The runs of a day: which there are, when, and what is on the car in those already driven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.plan.orders import UNKNOWN, Limits, Order, Settings, changes, limits_of
from pipeline.plan.precision import View, views_of
from pipeline.plan.request import DayRequest, run_hours
from pipeline.plan.trend import Array, Nuisance, day_nuisance, with_habits


@dataclass(frozen=True, eq=False)
class Slots:
    """A row a driver, a column a run, (drivers, runs).

    hours: start of each run, h from midnight. counts: whether its laps count (a run that is left
    out, or of an unknown setting, does not). done: settings of each driver's runs that were driven.
    ends: runs that each driver has in all; what stands behind is no run.
    """

    hours: Array
    counts: NDArray[np.bool_]
    done: tuple[tuple[int, ...], ...]
    ends: tuple[int, ...]

    @cached_property
    def present(self) -> NDArray[np.bool_]:
        """(drivers, runs) the runs by which the day can show something."""
        run = np.arange(self.hours.shape[1])
        return np.asarray(self.counts & (run < np.array(self.ends)[:, None]))

    def limits(self, request: DayRequest, settings: Settings) -> tuple[Limits, ...]:
        """What each driver's sequence has to keep."""
        whole = replace(limits_of(request, settings), runs=self.hours.shape[1])
        if not any(self.done) and set(self.ends) == {whole.runs}:
            return (whole,) * len(self.ends)
        return tuple(
            replace(whole, done=done, end=end, slow_changes=_slow_left(whole, settings, done))
            for done, end in zip(self.done, self.ends, strict=True)
        )

    def views(self, request: DayRequest, columns: int) -> list[View]:
        """How the day's analysis sees it; projections are zero at what is no run."""
        drivers = np.nonzero(self.present)[0]
        nuisance = self._nuisance(request, drivers)
        return [
            replace(view, projection=self._spread(view.projection))
            for view in views_of(nuisance, columns)
        ]

    def habits(self, request: DayRequest) -> Array:
        """(n, n) projection of a day with the habits of single cars."""
        drivers, runs = np.nonzero(self.present)
        nuisance = self._nuisance(request, drivers)
        return self._spread(with_habits(nuisance, runs, drivers).projection())

    def _nuisance(self, request: DayRequest, drivers: NDArray[np.int64]) -> Nuisance:
        components = request.components
        hours = self.hours[self.present]
        day = day_nuisance(hours, drivers, components.run_variance, components.curve_s)
        return replace(day, known_df=components.df)

    def _spread(self, projection: Array) -> Array:
        rows = np.flatnonzero(self.present)
        out = np.zeros((self.present.size, self.present.size))
        out[np.ix_(rows, rows)] = projection
        return out


def whole_day(request: DayRequest) -> Slots:
    """Run r of every driver has the same place in the day."""
    drivers = len(request.drivers)
    hours = request.first_hour + np.array(run_hours(request.runs, request.minutes))
    return Slots(
        np.tile(hours, (drivers, 1)),
        np.ones((drivers, request.runs), dtype=bool),
        ((),) * drivers,
        (request.runs,) * drivers,
    )


def _slow_left(limits: Limits, settings: Settings, done: Sequence[int]) -> int:
    """How often a slow factor may still change: of several, as often as the one with least left."""
    known = np.array([one for one in done if one != UNKNOWN], dtype=np.int64)
    if not len(known) or not limits.slow.any():
        return limits.slow_changes
    used = int(changes(known[None], settings)[0, limits.slow].max())
    return max(limits.slow_changes - used, 0)


def clock(hour: float) -> str:
    """'09:40'; empty for what lies behind midnight or is not known."""
    minutes = round(60 * hour) if np.isfinite(hour) else -1
    return f"{minutes // 60:02d}:{minutes % 60:02d}" if 0 <= minutes < 24 * 60 else ""


def going_on(old: Order, slots: Slots) -> Order:
    """(drivers, runs) the order if everybody goes on with the old one, run by run."""
    out = np.zeros(slots.hours.shape, dtype=np.int64)
    for driver, (done, end) in enumerate(zip(slots.done, slots.ends, strict=True)):
        own = [max(one, 0) for one in done]
        own += map(int, old[driver, len(done) : end])
        out[driver, : len(own)] = own
        out[driver, len(own) :] = own[-1] if own else 0
    return out
