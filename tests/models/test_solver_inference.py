"""Standard errors and degrees of freedom against dense formulas with numerical derivatives."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from pipeline.models.engine.inference import contrast, contrasts, covariance
from pipeline.models.engine.rows import Array, Rows
from pipeline.models.engine.solver import Fit, fit_rows
from tests.models import random_rows, twin

KINDS = ["nested", "unbalanced", "three_levels", "weights", "known_variances"]
KINDS += ["spline_and_slopes", "correlated_slopes"]
each_kind = pytest.mark.parametrize("kind", KINDS)
each_seed = pytest.mark.parametrize("seed", range(2))
STEP = 1e-4


def fitted(kind: str, seed: int) -> tuple[Rows, Fit]:
    rng = np.random.default_rng([77, seed, list(random_rows.KINDS).index(kind)])
    rows = random_rows.KINDS[kind](rng)
    fit = fit_rows(rows)
    assert fit.converged, fit.message
    return rows, fit


def slopes(f: Callable[[Array], Array], theta: Array, free: Array) -> Array:
    """Central differences of f over the free parameters, stacked first."""
    steps = [STEP * abs(theta[k]) * np.eye(len(theta))[k] for k in np.flatnonzero(free)]
    return np.array([(f(theta + h) - f(theta - h)) / (2 * h.max()) for h in steps])


def curvature(dense: twin.Dense, theta: Array, free: Array) -> Array:
    """Numerical Hessian of the twin's criterion over the free parameters."""
    return slopes(
        lambda t: slopes(lambda s: np.array(twin.evaluate(dense, s).criterion), t, free),
        theta,
        free,
    )


@each_kind
@each_seed
def test_satterthwaite_by_numerical_derivatives(kind: str, seed: int) -> None:
    """2 f^2 / (g' A g), A twice the inverse Hessian (Fai and Cornelius 1996)."""
    rows, fit = fitted(kind, seed)
    dense, free = twin.of_rows(rows), ~fit.at_zero
    L = np.random.default_rng(seed).normal(size=len(fit.beta))
    f = L @ twin.evaluate(dense, fit.theta).cov_beta @ L
    g = slopes(lambda t: L @ twin.evaluate(dense, t).cov_beta @ L, fit.theta, free)
    A = 2 * np.linalg.inv(curvature(dense, fit.theta, free))
    found = contrast(fit, L)
    assert found.std_error == pytest.approx(np.sqrt(f), rel=1e-8)
    assert found.df == pytest.approx(max(2 * f**2 / (g @ A @ g), 1), rel=5e-3)


@each_kind
@each_seed
def test_kenward_roger_written_out(kind: str, seed: int) -> None:
    """Phi + 2 Phi (sum W_ij (Q_ij - P_i Phi P_j)) Phi, Kenward and Roger 1997."""
    rows, fit = fitted(kind, seed)
    dense, free = twin.of_rows(rows), np.flatnonzero(~fit.at_zero)
    V = np.diag(dense.known) + sum(t * G for t, G in zip(fit.theta, dense.parts, strict=True))
    Vi, X = np.linalg.inv(V), dense.X
    Phi = np.linalg.inv(X.T @ Vi @ X)
    carried = [Vi @ dense.parts[j] @ Vi for j in free]
    P = [-X.T @ S @ X for S in carried]
    information = twin.expected_information(dense, fit.theta)[np.ix_(free, free)]
    W = 2 * np.linalg.inv(information)
    total = np.zeros_like(Phi)
    for i, S in enumerate(carried):
        for j, T in enumerate(carried):
            total += W[i, j] * (X.T @ S @ V @ T @ X - P[i] @ Phi @ P[j])
    L = np.random.default_rng(seed).normal(size=len(fit.beta))
    found = contrast(fit, L, method="kenward-roger")
    adjusted = Phi + 2 * Phi @ total @ Phi
    assert found.std_error == pytest.approx(np.sqrt(L @ adjusted @ L), rel=1e-7)
    g = np.array([-L @ Phi @ p @ Phi @ L for p in P])
    wanted = 2 * (L @ Phi @ L) ** 2 / (g @ W @ g)
    assert found.df == pytest.approx(max(wanted, 1), rel=1e-6)


def prediction_error(rows: Rows, theta: Array, fixed: Array, penalised: Array) -> Array:
    """Var(L'b + M'u - its prediction): bordered covariance (Henderson 1975), one block."""
    (block,) = rows.penalised
    patterns = block.patterns or (np.eye(block.Z.shape[1]),)
    G = sum(t * p for t, p in zip(theta[-len(patterns) :], patterns, strict=True))
    dense = twin.of_rows(rows)
    V = np.diag(dense.known) + sum(t * part for t, part in zip(theta, dense.parts, strict=True))
    R = V - block.Z @ G @ block.Z.T
    A, Ri = np.hstack([rows.X, block.Z]), np.linalg.inv(R)
    C = A.T @ Ri @ A
    p = rows.X.shape[1]
    C[p:, p:] += np.linalg.inv(G)
    full = np.concatenate([fixed, penalised])
    return np.asarray(full @ np.linalg.solve(C, full))


@each_seed
def test_predictions_with_random_slopes(seed: int) -> None:
    """Error of a fixed effect and a random one together, and its degrees of freedom."""
    rows, fit = fitted("correlated_slopes", seed)
    rng = np.random.default_rng(seed)
    fixed, penalised = rng.normal(size=len(fit.beta)), rng.normal(size=len(fit.u))
    free = ~fit.at_zero
    found = contrast(fit, fixed, penalised)
    variance = prediction_error(rows, fit.theta, fixed, penalised)
    assert found.std_error == pytest.approx(np.sqrt(variance), rel=1e-7)
    g = slopes(lambda t: prediction_error(rows, t, fixed, penalised), fit.theta, free)
    A = 2 * np.linalg.inv(curvature(twin.of_rows(rows), fit.theta, free))
    assert found.df == pytest.approx(max(2 * variance**2 / (g @ A @ g), 1), rel=5e-3)
    assert found.estimate == pytest.approx(fixed @ fit.beta + penalised @ fit.u, rel=1e-9)


@each_seed
def test_many_at_once_are_each_alone(seed: int) -> None:
    rows, fit = fitted("spline_and_slopes", seed)
    rng = np.random.default_rng(seed)
    fixed, penalised = rng.normal(size=(4, len(fit.beta))), rng.normal(size=(4, len(fit.u)))
    together = contrasts(fit, fixed.T, penalised.T)
    for one, L, M in zip(together, fixed, penalised, strict=True):
        alone = contrast(fit, L, M)
        assert one.std_error == pytest.approx(alone.std_error, rel=1e-12)
        assert one.df == pytest.approx(alone.df, rel=1e-9)
    assert covariance(fit, fixed.T, penalised.T).shape == (4, 4)
    assert rows.n_parameters == len(fit.theta)
