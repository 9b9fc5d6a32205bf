"""The fit: one pass over the laps and REML, against BLAS, statsmodels' MixedLM, lme4 and mgcv."""

from __future__ import annotations

import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import sparse

from pipeline.models.engine.inference import contrasts
from pipeline.models.engine.rows import Array
from pipeline.models.engine.solver import Fit, Penalised, Rows, fit_rows
from pipeline.models.grip import day_basis
from pipeline.runs.statistics import lap_basis, pool_laps, reduce_laps
from tests.benchmarks.made import Season, make
from tests.benchmarks.timing import medians


@dataclass(frozen=True)
class Line:
    """One row of the results. ratio: ours over the reference's, or the reverse, as `says`."""

    what: str
    ours_s: float
    reference: str
    reference_s: float
    aim: str

    @property
    def ratio(self) -> float:
        return self.ours_s / self.reference_s


def ours(season: Season, spline: bool = False, reported: int | None = None) -> Fit:
    """From laps to standard errors and degrees of freedom of the last `reported` fixed columns of
    the runs (setup), or of every one."""
    statistics = reduce_laps(season.run, season.lap, season.seconds, season.driver)
    pooled = pool_laps(statistics, np.ones(int(season.driver.max()) + 1))
    runs = np.flatnonzero(pooled.is_run)
    run = np.where(pooled.is_run, pooled.run, 0)
    of_run = sparse.csr_array(
        (np.ones(len(runs)), (runs, run[runs])), shape=(len(run), len(season.hour))
    )
    rows = Rows(
        y=pooled.y,
        X=sparse.hstack([of_run @ season.columns, sparse.csr_array(pooled.basis)], format="csr"),
        diagonal=np.column_stack([pooled.unit, pooled.is_run.astype(float)]),
        levels=(
            np.where(pooled.is_run, season.driver[run], -1),
            np.where(pooled.is_run, season.entry[run], -1),
        ),
        penalised=(Penalised("grip", of_run @ _curves(season)),) if spline else (),
        null_rows=np.array([pooled.null_rows, 0.0]),
        null_log_scale=np.array([pooled.null_log_scale, 0.0]),
        parts=np.where(pooled.is_run, season.meeting[run], season.meeting.max() + 1),
    )
    fit = fit_rows(rows, start=_start(statistics.within, statistics.within_df, spline))
    p, last = rows.X.shape[1], season.columns.shape[1]
    first = 0 if reported is None else last - reported
    contrasts(fit, np.eye(p)[:, first : p if reported is None else last])
    return fit


def _start(within: Array, df: Array, spline: bool) -> Array:
    lap = float(within[:, -1, -1].sum() / df.sum())
    return np.array([lap, lap / 8, lap, lap / 4, *([lap / 8] * spline)])


def _curves(season: Season) -> sparse.csr_array:
    parts = []
    for m in np.unique(season.meeting):
        here = season.meeting == m
        curve = day_basis(season.hour[here]).curve(season.hour[here])
        own = np.flatnonzero(here)
        parts.append(
            sparse.csr_array(
                (np.ones(len(own)), (own, np.arange(len(own)))), shape=(len(here), len(own))
            )
            @ sparse.csr_array(curve)
        )
    return sparse.csr_array(sparse.hstack(parts, format="csr"))


def lap_matrix(season: Season) -> Array:
    """All fixed columns at the laps, (L, p)."""
    return np.hstack([season.columns.toarray()[season.run], lap_basis(season.lap)])


def lines(with_r: bool) -> Iterator[Line]:
    """All comparisons of the fit."""
    season = make()
    A = lap_matrix(season)
    fitted, blas = medians([lambda: ours(season), lambda: A.T @ A])
    yield Line(
        f"laps to fit, {len(season.run)} laps, {A.shape[1]} columns",
        fitted,
        "one A'A of the lap matrix (BLAS)",
        blas,
        "at most 6",
    )
    third = make(meetings=4)
    (of_third,) = medians([lambda: ours(third)])
    yield Line(
        "the same, 4 meetings", of_third, "statsmodels MixedLM", _mixedlm(third), "at most 0.01"
    )
    if with_r:
        yield Line("laps to fit, 12 meetings", fitted, "lme4", _in_r(season, LME4), "at most 0.01")
        (curved,) = medians([lambda: ours(third, spline=True)])
        yield Line(
            "with a grip spline a meeting, 4 meetings",
            curved,
            "mgcv bam, fREML, discrete, run effects",
            _in_r(third, BAM),
            "at most 0.002",
        )


def _mixedlm(season: Season) -> float:
    import warnings

    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    from pipeline.models.design import independent

    X = lap_matrix(season)
    X = X[:, independent(X)]
    entries = season.entry[season.run]
    columns: list[Array] = []
    groups = season.driver[season.run]
    for g in np.unique(groups):
        own = entries[groups == g]
        columns.append((own[:, None] == np.unique(own)).astype(float))
    runs = [season.run[groups == g] for g in np.unique(groups)]
    of_run = [(own[:, None] == np.unique(own)).astype(float) for own in runs]
    names = [[[str(i) for i in range(Z.shape[1])] for Z in part] for part in (columns, of_run)]
    spec = VCSpec(["entry", "run"], names, [columns, of_run])
    model = MixedLM(season.seconds, X, groups=groups, exog_vc=spec)
    started = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model.fit(reml=True, method=["lbfgs"])
    return time.perf_counter() - started


LME4 = """
suppressMessages(library(lme4))
d <- read.csv(file); X <- as.matrix(read.csv(columns))[d$run + 1, ]
t <- system.time(m <- lmer(seconds ~ 0 + X + come_in + fade + (1|driver) + (1|entry) + (1|run), d,
  control = lmerControl(calc.derivs = FALSE)))
cat(t[["elapsed"]])
"""
BAM = """
suppressMessages(library(mgcv))
d <- read.csv(file); C <- read.csv(columns)
for (k in seq_along(C)) d[[paste0("x", k)]] <- C[d$run + 1, k]
for (k in c("driver", "entry", "run", "meeting")) d[[k]] <- factor(d[[k]])
keep <- grep("^x", names(d), value = TRUE)[KEPT]
f <- reformulate(c(keep, "come_in", "fade", "s(hour, by = meeting, bs = 'ps', k = 12)",
  "s(driver, bs = 're')", "s(entry, bs = 're')", "s(run, bs = 're')"), "seconds", intercept = FALSE)
t <- system.time(m <- bam(f, data = d, method = "fREML", discrete = TRUE, nthreads = 2))
cat(t[["elapsed"]])
"""


def _in_r(season: Season, script: str) -> float:
    """Seconds that R takes for the fit alone."""
    import pandas as pd

    basis = lap_basis(season.lap)
    laps = pd.DataFrame(
        {
            "run": season.run,
            "seconds": season.seconds,
            "driver": season.driver[season.run],
            "entry": season.entry[season.run],
            "meeting": season.meeting[season.run],
            "hour": season.hour[season.run],
            "come_in": basis[:, 0],
            "fade": basis[:, 1],
        }
    )
    meetings = int(season.meeting.max()) + 1
    kept = [*range(1, meetings + 1), *range(4 * meetings + 1, season.columns.shape[1] + 1)]
    with tempfile.TemporaryDirectory() as folder:
        files = Path(folder) / "laps.csv", Path(folder) / "columns.csv"
        laps.to_csv(files[0], index=False)
        pd.DataFrame(season.columns.toarray()).to_csv(files[1], index=False)
        head = f'file <- "{files[0]}"; columns <- "{files[1]}"; KEPT <- c({str(kept)[1:-1]})\n'
        done = subprocess.run(
            ["Rscript", "-e", head + script], capture_output=True, text=True, check=True
        )
    return float(done.stdout.split()[-1])
