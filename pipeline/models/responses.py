"""The responses of the outcomes: from laps and run statistics to rows of the mixed model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.models.design import Design
from pipeline.models.engine.rows import Array, Codes
from pipeline.models.fitting import OWN_RUN, Response
from pipeline.runs.robust import clean_weights
from pipeline.runs.statistics import (
    RunStatistics,
    driver_scales,
    lap_basis,
    log_spread,
    pool_laps,
    reduce_laps,
)

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.tables.outcomes import Outcome
    from pipeline.tables.records import SeasonData

Flags = NDArray[np.bool_]

TIMED = ("clean", "incident", "traffic", "other")  # all that are no timing error nor first
LOST = ("incident", "other")
LEAST_LAPS = 2  # of a run in the models
LEAST_LAPS_SPREAD = 5
# Of a whole number that stands for anything within half a point (Sheppard 1898): drivers whose
# scores follow the setting to the point are not known without error.
ROUNDING_VARIANCE = 1 / 12


@dataclass(frozen=True)
class Laps:
    """Statistics of the R runs of a design.

    clean: of the clean laps, weighted. scales: (C,) relative lap variances of the drivers. timed,
    timed_mean: (R,) number and mean (s) of all timed laps. incidents: (R,). incident_cost: mean
    excess of an incident lap over the run's clean mean, s (NaN where there is none). team: (R,).
    slow: (R,), share of the clean laps that count as slow by their weights. scores: of each feel,
    (R,), NaN for none.
    """

    clean: RunStatistics
    scales: Array
    timed: Array
    timed_mean: Array
    incidents: Array
    incident_cost: float
    slow: Array
    team: NDArray[np.bool_]
    scores: Mapping[str, Array] = field(default_factory=dict)

    @property
    def log_spread(self) -> tuple[Array, Array]:
        """Log SD of each run's clean laps about their own trend and its sampling variance, (R,)."""
        return log_spread(self.clean)

    @property
    def slope(self) -> tuple[Array, Array]:
        """Slope of each run's clean laps over their number, s a lap, and its sampling variance,
        (R,); that is infinite where a run has no slope."""
        clean, scales = self.clean, self.scales[self.clean.driver]
        per_lap = clean.residual_ss.sum() / max(float((scales * clean.df).sum()), 1)
        with np.errstate(divide="ignore"):
            return clean.slope, per_lap * scales / clean.slope_ss

    def clean_laps(self) -> Response:
        """Clean laps, s: exact reduction to rows with lap and run variance."""
        pooled = pool_laps(self.clean, self.scales)
        of_run = np.where(pooled.is_run, pooled.run, 0)
        run, names = _run_variances(pooled.is_run.astype(float), self.team[of_run])
        return Response(
            y=pooled.y,
            run=pooled.run,
            within=pooled.basis,
            diagonal=np.column_stack([pooled.unit, run]),
            variance_names=("lap", *names),
            null_rows=pooled.null_rows,
            null_log_scale=pooled.null_log_scale,
        )

    def of_runs(self, value: Array, known: Array) -> Response:
        """A value a run (R,) with its known sampling variance (R,), of runs long enough for it."""
        usable = np.isfinite(value) & np.isfinite(known)
        run = np.flatnonzero(usable & (self.clean.n >= LEAST_LAPS_SPREAD))
        return self._rows(value, run, np.ones(len(run)), known[run])

    def mean_of(self, value: Array, n: Array) -> Response:
        """A mean over a run's laps (R,), whose variance falls with their number n (R,)."""
        run = np.flatnonzero((n >= LEAST_LAPS) & np.isfinite(value))
        return self._rows(value, run, n[run].mean() / n[run])

    def scored(self, feel: str) -> Response:
        """The scores of a feel, of all runs that have one; known: what rounding adds to each."""
        run = np.flatnonzero(np.isfinite(self.scores[feel]))
        return self._rows(
            self.scores[feel], run, np.ones(len(run)), np.full(len(run), ROUNDING_VARIANCE)
        )

    def _rows(
        self, value: Array, run: Codes, amount: Array, known: Array | None = None
    ) -> Response:
        """A row for each of these runs; amount: of the run variance."""
        diagonal, names = _run_variances(amount, self.team[run])
        return Response(
            y=value[run],
            run=run,
            within=np.zeros((len(run), 0)),
            diagonal=diagonal,
            variance_names=names,
            known=known,
        )


def lap_tables(data: SeasonData, design: Design) -> Laps:
    """Reduce the laps of the design's runs."""
    position = np.full(len(data.runs), -1)
    position[design.index] = np.arange(len(design.index))
    run = position[data.laps["run"].to_numpy(np.intp)]
    status = data.laps["status"]
    lap = data.laps["lap"].to_numpy(float)
    lap_s = data.laps["lap_s"].to_numpy(float)
    R = len(design.index)
    clean = (run >= 0) & (status == "clean").to_numpy()
    statistics, used = _clean_statistics(run, lap, lap_s, clean, status.isin(LOST), design.driver)
    timed = (run >= 0) & status.isin(TIMED).to_numpy()
    n_timed = np.bincount(run[timed], minlength=R).astype(float)
    total = np.bincount(run[timed], lap_s[timed], R)
    incident = (run >= 0) & (status == "incident").to_numpy()
    excess = lap_s[incident] - statistics.mean_y[run[incident]]
    return Laps(
        clean=statistics,
        scales=driver_scales(statistics),
        timed=n_timed,
        timed_mean=np.divide(total, n_timed, out=np.full(R, np.nan), where=n_timed > 0),
        incidents=np.bincount(run[incident], minlength=R).astype(float),
        incident_cost=float(excess.mean()) if len(excess) else float("nan"),
        slow=1 - statistics.n / np.maximum(used, 1),
        team=design.team,
        scores={
            feel.name: design.runs[feel.name].to_numpy(float)
            for feel in data.outcomes
            if feel.is_felt
        },
    )


def _clean_statistics(
    run: Codes, lap: Array, lap_s: Array, clean: Flags, lost: pd.Series, driver: Codes
) -> tuple[RunStatistics, Codes]:
    """Of the clean laps, by how surely they are clean, and their number (R,); the lap after a lost
    one is not.

    A car that was turned over, or a driver who looks for the line again, needs a lap.
    """
    before = _lap_before(run, lap)
    has = before >= 0
    after = np.zeros(len(run), bool)
    after[has] = lost.to_numpy()[before[has]]
    left = np.bincount(run[clean & ~after], minlength=len(driver))
    used = clean & ~(after & (left[run] >= LEAST_LAPS))
    weight = np.ones(len(run))
    weight[used] = clean_weights(run[used], lap[used], lap_s[used], driver)
    follows = used & has
    follows[has] &= used[before[has]]
    # The lap after a slow one is as doubtful as that one.
    weight[follows] *= weight[before[follows]]
    reduced = reduce_laps(run[used], lap[used], lap_s[used], driver, weight[used])
    return reduced, np.bincount(run[used], minlength=len(driver))


def _lap_before(run: Codes, lap: Array) -> Codes:
    """Index of the same run's lap of one number less, (L,); -1 where there is none."""
    order = np.lexsort((lap, run))
    first, second = order[:-1], order[1:]
    adjoin = (run[first] == run[second]) & (lap[second] == lap[first] + 1) & (run[first] >= 0)
    out = np.full(len(run), -1)
    out[second[adjoin]] = first[adjoin]
    return out


def _run_variances(amount: Array, team: NDArray[np.bool_]) -> tuple[Array, tuple[str, ...]]:
    """Coefficients (n, 1 or 2) of the run variances, and their names.

    The team's runs have a variance of their own however few they are: rivals' runs vary by their
    unknown setups too, a team may be steadier or more restless than its field, and a variance
    borrowed from the field comes with degrees of freedom that the team does not have.
    """
    if team.all() or not team.any():
        return amount[:, None], ("run",)
    return np.column_stack([amount * ~team, amount * team]), ("run", OWN_RUN)


def response_of(outcome: Outcome, laps: Laps) -> Response:
    """The rows of an outcome of the mixed model."""
    return replace(outcome.response(laps), outcome=outcome.name)


def slow_response(laps: Laps) -> Response:
    """Share of the clean laps that count as slow: small errors, which pace leaves out."""
    return laps.mean_of(laps.slow, laps.clean.n)


def gap_response(laps: Laps) -> Response:
    """What a run lost a lap beside its clean pace and its incidents at their mean cost, s.

    What race shows and pace and mistakes together do not: small errors, dearer incidents, traffic.
    """
    cost = 0.0 if np.isnan(laps.incident_cost) else laps.incident_cost
    told = laps.clean.mean_y + cost * laps.incidents / np.maximum(laps.timed, 1.0)
    return laps.mean_of(laps.timed_mean - told, laps.timed)


def race_laps(laps: Laps, race_seconds: float) -> float:
    """Laps in a race at the mean timed lap."""
    n, mean = laps.timed, laps.timed_mean
    usable = n > 0
    return float(race_seconds / (n[usable] @ mean[usable] / n[usable].sum()))


def reference_basis() -> Array:
    """Within-run basis of a settled lap, to which corrected times refer, (k,)."""
    return np.asarray(lap_basis(np.array([10.0]))[0])
