"""Laps pooled to sufficient statistics give the fit of the laps themselves, exactly."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.models.engine.rows import Array, Rows
from pipeline.models.engine.solver import fit_rows
from pipeline.runs.statistics import driver_scales, lap_basis, pool_laps, reduce_laps

DRIVERS, RUNS_EACH = 5, 6


def draw(seed: int) -> tuple[Array, Array, Array, Array, Array]:
    """run, lap, lap_s (less 15 s) of each clean lap; driver and setup of each run."""
    rng = np.random.default_rng(seed)
    driver = np.repeat(np.arange(DRIVERS), RUNS_EACH)
    setup = rng.integers(0, 2, len(driver)).astype(float)
    laps = rng.integers(1, 14, len(driver))
    run = np.repeat(np.arange(len(driver)), laps)
    lap = np.concatenate([2 + rng.permutation(15)[:n] for n in laps]).astype(float)
    level = rng.normal(0, 0.4, DRIVERS)[driver] + rng.normal(0, 0.1, len(driver)) - 0.05 * setup
    sigma = rng.uniform(0.1, 0.3, DRIVERS)[driver][run]
    lap_s = level[run] + lap_basis(lap) @ [0.2, 0.05] + rng.normal(size=len(run)) * sigma
    return run, lap, lap_s, driver, setup


def lap_rows(seed: int, scales: Array) -> Rows:
    run, lap, lap_s, driver, setup = draw(seed)
    X = np.column_stack([np.ones(len(run)), setup[run], lap_basis(lap)])
    return Rows(lap_s, X, scales[driver[run]][:, None], levels=(driver[run], run))


def pooled_rows(seed: int) -> tuple[Rows, Array, Array]:
    """The rows, the drivers' scales, the number of laps of each run."""
    run, lap, lap_s, driver, setup = draw(seed)
    statistics = reduce_laps(run, lap, lap_s, driver)
    scales = driver_scales(statistics)
    pooled = pool_laps(statistics, scales)
    on = pooled.is_run
    fixed = np.column_stack([on, np.where(on, setup[pooled.run], 0.0), pooled.basis]).astype(float)
    rows = Rows(
        pooled.y,
        fixed,
        pooled.unit[:, None],
        levels=(np.where(on, driver[pooled.run], -1), np.where(on, pooled.run, -1)),
        null_rows=np.array([pooled.null_rows]),
        null_log_scale=np.array([pooled.null_log_scale]),
    )
    return rows, scales, statistics.n


@pytest.mark.parametrize("seed", range(5))
def test_pooled_laps_are_exact(seed: int) -> None:
    """Criterion up to the Jacobian of the means (the log of their laps), and all that follows."""
    rows, scales, n = pooled_rows(seed)
    pooled, laps = fit_rows(rows), fit_rows(lap_rows(seed, scales))
    assert pooled.converged and laps.converged
    assert pooled.criterion + np.log(n).sum() == pytest.approx(laps.criterion, abs=1e-7)
    np.testing.assert_allclose(pooled.theta, laps.theta, rtol=1e-4, atol=1e-9)
    errors = np.sqrt(np.diag(laps.cov_beta))
    np.testing.assert_allclose((pooled.beta - laps.beta) / errors, 0, atol=1e-5)
    np.testing.assert_allclose(pooled.cov_beta, laps.cov_beta, rtol=1e-5)
    np.testing.assert_allclose(pooled.cov_theta, laps.cov_theta, rtol=1e-3, atol=1e-12)
