"""What the fits say of every coefficient that a choice rests on, with the covariances.

A choice compares levels at a grip, on a surface, by a driver. All that differs between two of them
is a sum of coefficients: of each contrast itself, of its gradient along grip and its curvature, and
its deviations by driver and surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from pipeline.models.axis import GRADIENT, PER_STEP
from pipeline.models.counts_interval import wald_interval
from pipeline.models.design import DRIVER_BLOCK, MEETING_BLOCK, condition_block_name
from pipeline.models.engine.inference import contrasts, covariance

if TYPE_CHECKING:
    from pipeline.models.contrasts import Contrast
    from pipeline.models.engine.rows import Array
    from pipeline.models.fitting import OutcomeFit
    from pipeline.models.mistakes import MistakeFit

DRIVER, SURFACE = "driver", "surface"


class Key(NamedTuple):
    """A coefficient: of which factor and level, which part of its effect (itself, along grip,
    curvature; or its deviation by a driver or on a surface, whose name is `group`)."""

    factor: str
    level: str
    part: str
    group: str = ""

    @property
    def is_deviation(self) -> bool:
        return self.part in (DRIVER, SURFACE)

    @property
    def gradient(self) -> Key:
        """By how much the effect grows from one step of grip to the next."""
        return self._replace(part=GRADIENT)


@dataclass(frozen=True)
class Evidence:
    """Of one outcome: estimates (k,), covariance (k, k) and degrees of freedom (k,).

    In units of a usual change (the model's scaled columns). meeting_sd, driver_sd: SD of an
    effect's deviation at a meeting, or by a driver, that was not seen; 0 for counts. run_sd: of a
    run of the team, in the outcome's unit; NaN for counts.
    """

    keys: tuple[Key, ...]
    estimate: Array
    covariance: Array
    df: Array
    meeting_sd: float
    driver_sd: float
    run_sd: float

    @property
    def is_known(self) -> bool:
        """Of very few runs some errors are no number."""
        return bool(np.isfinite(self.covariance).all())

    def common(self) -> Evidence:
        """Without deviations by driver and surface: of what all have alike."""
        at = [place for place, key in enumerate(self.keys) if not key.is_deviation]
        return replace(
            self,
            keys=tuple(self.keys[place] for place in at),
            estimate=self.estimate[at],
            covariance=self.covariance[np.ix_(at, at)],
            df=self.df[at],
            driver_sd=0.0,
        )

    def std_error(self, key: Key) -> float:
        """Of one coefficient."""
        place = self.keys.index(key)
        return float(np.sqrt(self.covariance[place, place]))

    def of(self, wanted: Sequence[Key]) -> list[int]:
        """Places of these among the keys."""
        at = {key: place for place, key in enumerate(self.keys)}
        return [at[key] for key in wanted if key in at]


def linear_evidence(fitted: OutcomeFit, columns: Sequence[Contrast]) -> Evidence:
    """Of a mixed-model outcome, after Kenward and Roger. columns: the contrasts, gradients and
    curvatures that were fitted."""
    fixed, deviations = _fixed_keys(fitted, columns), _deviation_keys(fitted, columns)
    keys = [*fixed, *deviations]
    p, q, k = fitted.p, len(fitted.fit.u), len(keys)
    F, U = np.zeros((p, k)), np.zeros((q, k))
    for place, at in enumerate(fixed.values()):
        F[at, place] = 1.0
    for place, at in enumerate(deviations.values(), len(fixed)):
        U[at, place] = 1.0
    joint = covariance(fitted.fit, F, U)
    found = contrasts(fitted.fit, F[:, : len(fixed)], U[:, : len(fixed)], "kenward-roger")
    # What the variances' own uncertainty adds is known of each coefficient; that of their sums is
    # taken to be correlated as the coefficients are.
    plain = np.sqrt(np.maximum(np.diag(joint), 1e-300))
    stretch = np.ones(k)
    stretch[: len(fixed)] = [one.std_error for one in found] / plain[: len(fixed)]
    df = np.full(k, np.inf)
    df[: len(fixed)] = [one.df for one in found]
    return Evidence(
        keys=tuple(keys),
        estimate=F.T @ fitted.fit.beta + U.T @ fitted.fit.u,
        covariance=joint * np.outer(stretch, stretch),
        df=df,
        meeting_sd=fitted.sd_of(MEETING_BLOCK),
        driver_sd=fitted.sd_of(DRIVER_BLOCK),
        run_sd=float(np.sqrt(fitted.run_variance)),
    )


def _fixed_keys(fitted: OutcomeFit, columns: Sequence[Contrast]) -> dict[Key, int]:
    return {
        Key(c.factor, c.level, c.part): fitted.contrast_at[c.name]
        for c in columns
        if c.name in fitted.contrast_at
    }


def _deviation_keys(fitted: OutcomeFit, columns: Sequence[Contrast]) -> dict[Key, int]:
    """Places among the penalised coefficients."""
    out = {}
    for block, where in fitted.blocks:
        for contrast in columns:
            part = {
                DRIVER_BLOCK: DRIVER,
                condition_block_name(contrast.factor, SURFACE): SURFACE,
            }.get(block.name)
            if part is None or contrast.part:
                continue
            for place, label in enumerate(block.labels):
                if label[0] == contrast.name:
                    key = Key(contrast.factor, contrast.level, part, label[1])
                    out[key] = where.start + place
    return out


def count_evidence(fitted: MistakeFit, columns: Sequence[Contrast]) -> Evidence:
    """Of mistakes: log ratios of the incident rate."""
    at = {
        Key(c.factor, c.level, c.part): place
        for c in columns
        for condition in (PER_STEP, "all")
        if (place := fitted.columns.get((c.name, condition))) is not None
    }
    k, size = len(at), len(fitted.fit.coefficients)
    L = np.zeros((size, k))
    L[list(at.values()), range(k)] = 1.0
    found = [wald_interval(fitted.fit, column) for column in L.T]
    return Evidence(
        keys=tuple(at),
        estimate=L.T @ fitted.fit.coefficients,
        covariance=L.T @ fitted.fit.cov @ L,
        df=np.array([one.df for one in found]),
        meeting_sd=0.0,
        driver_sd=0.0,
        run_sd=float("nan"),
    )
