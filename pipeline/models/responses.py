"""The responses of the outcomes: from laps and run statistics to rows of the mixed model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.models.design import Design
from pipeline.models.engine.rows import Array, Codes
from pipeline.models.fitting import OWN_RUN, Response
from pipeline.runs.statistics import (
    RunStatistics,
    driver_scales,
    lap_basis,
    log_spread,
    pool_laps,
    reduce_laps,
)

if TYPE_CHECKING:
    from pipeline.tables.records import SeasonData

LEAST_DF_APART = 20
TIMED = ("clean", "incident", "traffic", "other")  # all that are no timing error nor first
LEAST_LAPS_SPREAD = 5


@dataclass(frozen=True)
class Laps:
    """Statistics of the R runs of a design.

    clean: of the clean laps. scales: (C,) relative lap variances of the drivers. timed, timed_mean:
    (R,) number and mean (s) of all timed laps. incidents: (R,). incident_cost: mean excess of an
    incident lap over the run's clean mean, s (NaN where there is none). apart: (R,), the team's
    runs where these get a run variance of their own.
    """

    clean: RunStatistics
    scales: Array
    timed: Array
    timed_mean: Array
    incidents: Array
    incident_cost: float
    apart: NDArray[np.bool_]


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
    statistics = reduce_laps(run[clean], lap[clean], lap_s[clean], design.driver)
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
        apart=_apart(design),
    )


def _apart(design: Design) -> NDArray[np.bool_]:
    """The team's runs, where they and the others are enough to know what each vary by.

    Rivals' runs vary by their unknown setups too, and a team's drivers may be steadier than a
    field.
    """
    team = design.team
    left = [int(rows.sum()) - len(np.unique(design.entry[rows])) for rows in (team, ~team)]
    return team & (min(left[0] - len(design.contrasts), left[1]) >= LEAST_DF_APART)


def pace_response(laps: Laps) -> Response:
    """Clean laps, s: exact reduction to rows with lap and run variance.

    The run variance is kept off zero (Chung et al. 2013, from memory): with 16 runs the grip
    curve can take up all that runs differ by, and intervals would then cover 93 instead of 95 %.
    """
    pooled = pool_laps(laps.clean, laps.scales)
    of_run = np.where(pooled.is_run, pooled.run, 0)
    run, names = _run_variances(pooled.is_run.astype(float), laps.apart[of_run])
    return Response(
        outcome="pace",
        y=pooled.y,
        run=pooled.run,
        within=pooled.basis,
        diagonal=np.column_stack([pooled.unit, run]),
        variance_names=("lap", *names),
        null_rows=pooled.null_rows,
        null_log_scale=pooled.null_log_scale,
        keep_off_zero=names,
    )


def _run_variances(amount: Array, apart: NDArray[np.bool_]) -> tuple[Array, tuple[str, ...]]:
    """Coefficients (n, 1 or 2) of the run variances, and their names."""
    if not apart.any():
        return amount[:, None], ("run",)
    return np.column_stack([amount * ~apart, amount * apart]), ("run", OWN_RUN)


def spread_response(laps: Laps) -> Response:
    """Log SD of the clean laps about the run's own trend, with its known sampling variance."""
    value, variance = log_spread(laps.clean)
    run = np.flatnonzero(np.isfinite(value) & (laps.clean.n >= LEAST_LAPS_SPREAD))
    return _run_level("spread", value[run], run, variance[run])


def fade_response(laps: Laps) -> Response:
    """Each run's slope over the lap number, s a lap, with its sampling variance."""
    clean = laps.clean
    run = np.flatnonzero((clean.n >= LEAST_LAPS_SPREAD) & (clean.slope_ss > 0))
    per_lap = clean.residual_ss.sum() / max(float((laps.scales[clean.driver] * clean.df).sum()), 1)
    known = per_lap * laps.scales[clean.driver[run]] / clean.slope_ss[run]
    return _run_level("fade", clean.slope[run], run, known)


def race_response(laps: Laps) -> Response:
    """Mean of all timed laps of a run but the first, s; its variance falls with their number.

    Kept off zero as in `pace_response`: without it, intervals of 16 runs covered 93 %.
    """
    run = np.flatnonzero(laps.timed >= 2)
    n = laps.timed[run]
    diagonal, names = _run_variances(n.mean() / n, laps.apart[run])
    return Response(
        outcome="race",
        y=laps.timed_mean[run],
        run=run,
        within=np.zeros((len(run), 0)),
        diagonal=diagonal,
        variance_names=names,
        keep_off_zero=names,
    )


def _run_level(outcome: str, y: Array, run: Codes, known: Array) -> Response:
    return Response(
        outcome=outcome,
        y=y,
        run=run,
        within=np.zeros((len(run), 0)),
        diagonal=np.ones((len(run), 1)),
        variance_names=("run",),
        known=known,
    )


def race_laps(laps: Laps, race_seconds: float) -> float:
    """Laps in a race at the mean timed lap."""
    n, mean = laps.timed, laps.timed_mean
    usable = n > 0
    return float(race_seconds / (n[usable] @ mean[usable] / n[usable].sum()))


def reference_basis() -> Array:
    """Within-run basis of a settled lap, to which corrected times refer, (k,)."""
    return np.asarray(lap_basis(np.array([10.0]))[0])
