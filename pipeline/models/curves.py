"""Grip over each day, and each run's time corrected to its meeting's reference grip."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from pipeline.models.design import Design
from pipeline.models.fitting import OutcomeFit
from pipeline.models.inference import values_and_errors
from pipeline.models.responses import reference_basis
from pipeline.models.rows import Array, Codes
from pipeline.schema import GRIP

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.responses import Laps

STEP_HOURS = 0.1
NORMAL_95 = float(stats.norm.ppf(0.975))


@dataclass(frozen=True)
class GripColumns:
    """Combinations (fixed, penalised) that give grip at some times: (p, n) and (q, n)."""

    fixed: Array
    penalised: Array

    def minus(self, other: GripColumns) -> GripColumns:
        return GripColumns(self.fixed - other.fixed, self.penalised - other.penalised)

    def mean(self) -> GripColumns:
        return GripColumns(
            self.fixed.mean(axis=1, keepdims=True), self.penalised.mean(axis=1, keepdims=True)
        )


def grip_columns(design: Design, fitted: OutcomeFit, day: Codes, hour: Array) -> GripColumns:
    """Grip at (day, hour), both (n,): the day's mean, line and curve."""
    fixed = np.zeros((fitted.p, len(hour)))
    penalised = np.zeros((len(fitted.fit.u), len(hour)))
    for d, basis in enumerate(design.bases):
        here = np.flatnonzero(day == d)
        for name, values in (
            (f"day {d}", np.ones((len(here), 1))),
            (f"trend {d}", basis.line(hour[here])),
        ):
            if name in fitted.fixed_at and values.shape[1]:
                fixed[fitted.fixed_at[name], here] = values[:, 0]
        for block, where in fitted.blocks:
            own = [i for i, label in enumerate(block.labels) if label == ("grip", str(d))]
            if own:
                penalised[np.ix_(where.start + np.array(own), here)] = basis.curve(hour[here]).T
    return GripColumns(fixed, penalised)


def grip_table(design: Design, fitted: OutcomeFit) -> pd.DataFrame:
    """Grip of each meeting over its days, s a lap relative to the meeting's best.

    The interval is that of the curve against the meeting's mean grip over its runs.
    """
    import pandas as pd

    frames = []
    for meeting in dict.fromkeys(name for name, _, _ in design.days):
        days = [d for d, (name, _, _) in enumerate(design.days) if name == meeting]
        grid = [_day_grid(design, d) for d in days]
        day = np.concatenate([np.full(len(hours), d) for d, hours in zip(days, grid, strict=True)])
        hour = np.concatenate(grid)
        columns = grip_columns(design, fitted, day, hour)
        reference = _meeting_mean(design, fitted, days)
        value, error = _values_and_errors(fitted, columns.minus(reference))
        frames.append(
            pd.DataFrame(
                {
                    "meeting": meeting,
                    "time": [_clock(design.days[d][1], h) for d, h in zip(day, hour, strict=True)],
                    "seconds": value - value.min(),
                    "ci_low": value - NORMAL_95 * error - value.min(),
                    "ci_high": value + NORMAL_95 * error - value.min(),
                }
            )
        )
    return GRIP.conform(pd.concat(frames, ignore_index=True))


def _values_and_errors(fitted: OutcomeFit, columns: GripColumns) -> tuple[Array, Array]:
    return values_and_errors(fitted.fit, columns.fixed, columns.penalised)


def _day_grid(design: Design, d: int) -> Array:
    first, last = design.bases[d].first, design.bases[d].last
    return np.linspace(first, last, max(int(np.ceil((last - first) / STEP_HOURS)) + 1, 2))


def _clock(date: str, hour: float) -> str:
    seconds = round(hour * 3600)
    day = np.datetime64(date) + seconds // 86400
    inside = seconds % 86400
    return f"{day}T{inside // 3600:02d}:{inside // 60 % 60:02d}:{inside % 60:02d}"


def _meeting_mean(design: Design, fitted: OutcomeFit, days: list[int]) -> GripColumns:
    """The reference grip of a meeting: the mean over all its runs."""
    here = np.isin(design.day, days)
    return grip_columns(design, fitted, design.day[here], design.hour[here]).mean()


@dataclass(frozen=True)
class Corrected:
    """Each run's mean lap at its meeting's reference grip. All (R,), s."""

    seconds: Array
    low: Array
    high: Array


def corrected_times(design: Design, fitted: OutcomeFit, laps: Laps) -> Corrected:
    """Mean of the clean laps, less grip against the meeting's mean, less the run's place in the
    within-run trend against a settled lap. The interval has the lap noise and the grip's."""
    R = len(design.hour)
    correction, error = np.zeros(R), np.zeros(R)
    for meeting in dict.fromkeys(name for name, _, _ in design.days):
        days = [d for d, (name, _, _) in enumerate(design.days) if name == meeting]
        here = np.flatnonzero(np.isin(design.day, days))
        columns = grip_columns(design, fitted, design.day[here], design.hour[here])
        columns = columns.minus(_meeting_mean(design, fitted, days))
        settled(fitted, laps, here, columns)
        correction[here], error[here] = _values_and_errors(fitted, columns)
    lap_variance = fitted.fit.variance("lap") * laps.scales[design.driver] / laps.clean.n
    half = NORMAL_95 * np.sqrt(lap_variance + error**2)
    seconds = laps.clean.mean_y - correction
    return Corrected(seconds, seconds - half, seconds + half)


def settled(fitted: OutcomeFit, laps: Laps, rows: Codes, columns: GripColumns) -> None:
    """Add to the combinations of `rows` what their laps' places in the run differ by from a
    settled lap. Changes columns.fixed in place."""
    for k, position in enumerate(fitted.within_at):
        if position is not None:
            columns.fixed[position] = laps.clean.mean_basis[rows, k] - reference_basis()[k]
