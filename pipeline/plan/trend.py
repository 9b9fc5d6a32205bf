"""What a test day has to see through: drivers, grip that moves over the day, run-to-run luck."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.models.grip import day_basis

Array = NDArray[np.float64]

# Assumed sizes, s a lap, in one car: drift over the day (learning, tyres), to and fro from run to
# run (two battery packs, two sets of tyres), a first run unlike the others.
HABITS_S = {"drift": 0.10, "turns": 0.05, "first": 0.10}


@dataclass(frozen=True)
class Nuisance:
    """Everything in a run's mean lap but the settings.

    fixed: (n, p) columns of unknown size: drivers, straight trend.
    smooth: (n, n) covariance of the bent part of grip, s²; zeros for none.
    run_variance: variance of a run about all this, s².
    known_df: degrees of freedom with which runs of other days have shown that variance.
    """

    fixed: Array
    smooth: Array
    run_variance: float
    known_df: float = 0.0

    @property
    def covariance(self) -> Array:
        return self.run_variance * np.eye(len(self.smooth)) + self.smooth

    def projection(self, settings: Array | None = None) -> Array:
        """P = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹, with the settings' columns in X if given."""
        X = self.fixed if settings is None else np.column_stack([self.fixed, settings])
        inverse = np.linalg.inv(self.covariance)
        VX = inverse @ X
        projection: Array = inverse - VX @ np.linalg.pinv(X.T @ VX) @ VX.T
        return projection


def day_nuisance(
    time: Array, driver: NDArray[np.int64], run_variance: float, curve_s: float
) -> Nuisance:
    """A day's grip as a free straight line plus a penalised spline of typical size `curve_s`.

    time: (n,) hours; driver: (n,) numbers from 0.
    """
    line = time - time.mean()
    fixed = np.column_stack([np.eye(driver.max() + 1)[driver], line])
    return Nuisance(fixed, curve_s**2 * bent_covariance(time), run_variance)


def with_habits(nuisance: Nuisance, run: NDArray[np.int64], driver: NDArray[np.int64]) -> Nuisance:
    """The same day with what else may go on in one car, each of its size in `HABITS_S`.

    run: (n,) number of the driver's run, from 0.
    """
    columns = {
        "drift": (run - run.mean()) / max(np.ptp(run), 1),
        "turns": np.where(run % 2 == 0, 1.0, -1.0),
        "first": (run == 0).astype(float),
    }
    together = sum(HABITS_S[name] ** 2 * np.outer(x, x) for name, x in columns.items())
    same_car = driver[:, None] == driver[None, :]
    return replace(nuisance, smooth=nuisance.smooth + same_car * together)


def polynomial_nuisance(
    time: Array, driver: NDArray[np.int64], degree: int, run_variance: float = 1.0
) -> Nuisance:
    """A day's grip as a polynomial of unknown coefficients, one for all drivers."""
    line = (time - time.mean()) / max(np.ptp(time), 1e-9)
    powers = [line**power for power in range(1, degree + 1)]
    fixed = np.column_stack([np.eye(driver.max() + 1)[driver], *powers])
    return Nuisance(fixed, np.zeros((len(time), len(time))), run_variance)


def bent_covariance(time: Array) -> Array:
    """Covariance of the bent part of the season's grip spline, of mean variance one over the runs.

    The straight part is left to fixed columns; zeros where the day has too few times for a bend.
    """
    covariance = _bent(time)
    size = np.mean(np.diag(covariance))
    return covariance / size if size > 0 else covariance


def typical_bend(time: Array) -> float:
    """Mean variance of the bent part over the runs, for a smoothing variance of one."""
    return float(np.mean(np.diag(_bent(time))))


def _bent(time: Array) -> Array:
    Z = day_basis(time).curve(time)
    line = np.column_stack([np.ones_like(time), time - time.mean()])
    bent = Z - line @ np.linalg.lstsq(line, Z, rcond=None)[0]
    covariance: Array = bent @ bent.T
    return covariance
