"""Grip over each day, and each run's time corrected to its meeting's reference grip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.models.design import Design
from pipeline.models.engine.inference import covariance
from pipeline.models.engine.rows import Array, Codes
from pipeline.models.fitting import OutcomeFit
from pipeline.models.responses import reference_basis
from pipeline.tables.schema import GRIP

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.models.engine.solver import Fit
    from pipeline.models.responses import Laps

STEP_HOURS = 0.1
NORMAL_95 = float(ndtri(0.975))


@dataclass(frozen=True)
class GripColumns:
    """Combinations of the few columns of a model that grip on some days needs.

    fixed, penalised: places of these columns among beta and u. values: (n, columns), a row a
    combination, the fixed columns first.
    """

    fixed: tuple[int, ...]
    penalised: tuple[int, ...]
    values: Array

    def minus(self, other: GripColumns) -> GripColumns:
        """Differences from combinations of the same columns, or from one of them."""
        return replace(self, values=self.values - other.values)

    def mean(self) -> GripColumns:
        return replace(self, values=self.values.mean(axis=0, keepdims=True))

    def values_and_errors(self, fit: Fit) -> tuple[Array, Array]:
        """Estimates and standard errors, (n,) both."""
        count = len(self.fixed) + len(self.penalised)
        fixed, penalised = np.zeros((len(fit.beta), count)), np.zeros((len(fit.u), count))
        fixed[list(self.fixed), range(len(self.fixed))] = 1.0
        penalised[list(self.penalised), range(len(self.fixed), count)] = 1.0
        coefficients = np.r_[fit.beta[list(self.fixed)], fit.u[list(self.penalised)]]
        variance = self.values @ covariance(fit, fixed, penalised) * self.values
        return self.values @ coefficients, np.sqrt(np.maximum(variance.sum(axis=1), 0.0))


def grip_columns(
    design: Design, fitted: OutcomeFit, days: Sequence[int], day: Codes, hour: Array
) -> GripColumns:
    """Grip at (day, hour), both (n,), on any of `days`: the day's mean, line and curve."""
    fixed: dict[int, Array] = {}
    penalised: dict[int, Array] = {}
    for d in days:
        here = np.flatnonzero(day == d)
        basis = design.bases[d]
        for name, values in ((f"day {d}", np.ones((len(here), 1))),
                             (f"trend {d}", basis.line(hour[here]))):  # fmt: skip
            if name in fitted.fixed_at and values.shape[1]:
                fixed[fitted.fixed_at[name]] = _spread_out(values[:, 0], here, len(hour))
        curve = basis.curve(hour[here]).T
        for block, where in fitted.blocks:
            own = [i for i, label in enumerate(block.labels) if label == ("grip", str(d))]
            for i, values in zip(own, curve, strict=False):
                penalised[where.start + i] = _spread_out(values, here, len(hour))
    columns = np.zeros((len(fixed) + len(penalised), len(hour)))
    for place, values in enumerate((*fixed.values(), *penalised.values())):
        columns[place] = values
    return GripColumns(tuple(fixed), tuple(penalised), columns.T)


def _spread_out(values: Array, here: Codes, n: int) -> Array:
    out = np.zeros(n)
    out[here] = values
    return out


def grip_table(design: Design, fitted: OutcomeFit) -> pd.DataFrame:
    """Grip of each meeting over its days, s a lap relative to the meeting's best.

    The interval is that of the curve against the meeting's mean grip over its runs.
    """
    import pandas as pd

    columns: dict[str, list[Array]] = {name: [] for name in GRIP.names}
    for meeting, days in _meetings(design):
        grid = [_day_grid(design, d) for d in days]
        day, hour = np.repeat(days, [len(hours) for hours in grid]), np.concatenate(grid)
        curve = grip_columns(design, fitted, days, day, hour)
        curve = curve.minus(_meeting_mean(design, fitted, days))
        value, error = curve.values_and_errors(fitted.fit)
        value -= value.min()
        columns["meeting"].append(np.full(len(hour), meeting))
        columns["time"].append(
            np.concatenate([_clocks(design.days[d][1], h) for d, h in zip(days, grid, strict=True)])
        )
        columns["seconds"].append(value)
        columns["ci_low"].append(value - NORMAL_95 * error)
        columns["ci_high"].append(value + NORMAL_95 * error)
    return GRIP.conform(pd.DataFrame({k: np.concatenate(v) for k, v in columns.items()}))


def _meetings(design: Design) -> Iterator[tuple[str, list[int]]]:
    """Each meeting with the numbers of its days."""
    for meeting in dict.fromkeys(name for name, _, _ in design.days):
        yield meeting, [d for d, (name, _, _) in enumerate(design.days) if name == meeting]


def _day_grid(design: Design, d: int) -> Array:
    first, last = design.bases[d].first, design.bases[d].last
    return np.linspace(first, last, max(int(np.ceil((last - first) / STEP_HOURS)) + 1, 2))


def _clocks(date: str, hours: Array) -> NDArray[np.str_]:
    """Local date and time, ISO, to the second."""
    seconds = np.rint(hours * 3600).astype(int).astype("timedelta64[s]")
    return np.datetime_as_string(np.datetime64(date, "s") + seconds)


def _meeting_mean(design: Design, fitted: OutcomeFit, days: list[int]) -> GripColumns:
    """The reference grip of a meeting: the mean over all its runs."""
    here = np.isin(design.day, days)
    return grip_columns(design, fitted, days, design.day[here], design.hour[here]).mean()


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
    for _, days in _meetings(design):
        here = np.flatnonzero(np.isin(design.day, days))
        columns = grip_columns(design, fitted, days, design.day[here], design.hour[here])
        columns = settled(fitted, laps, here, columns.minus(columns.mean()))
        correction[here], error[here] = columns.values_and_errors(fitted.fit)
    lap_variance = fitted.fit.variance("lap") * laps.scales[design.driver] / laps.clean.n
    half = NORMAL_95 * np.sqrt(lap_variance + error**2)
    seconds = laps.clean.mean_y - correction
    return Corrected(seconds, seconds - half, seconds + half)


def settled(fitted: OutcomeFit, laps: Laps, rows: Codes, columns: GripColumns) -> GripColumns:
    """The combinations of `rows` and what their laps' places in the run differ by from a settled
    lap."""
    within = laps.clean.mean_basis[rows] - reference_basis()
    kept = [k for k, position in enumerate(fitted.within_at) if position is not None]
    return replace(
        columns,
        fixed=(*(at for at in fitted.within_at if at is not None), *columns.fixed),
        values=np.hstack([within[:, kept], columns.values]),
    )
