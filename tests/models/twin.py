"""The slow, obvious twin of the solver: the textbook REML criterion with a dense covariance.

Restricted likelihood after Patterson and Thompson (1971) and Harville (1977), in lme4's
convention (Bates et al. 2015): -2 log-likelihood with (n-p) log 2 pi and log|X'V^-1 X|.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.models.engine.rows import Rows

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Dense:
    """y = X b + e, Var(e) = diag(known) + sum_k theta_k parts[k].

    y: (n,), X: (n, p) of full rank, parts: K matrices (n, n), known: (n,).
    """

    y: Array
    X: Array
    parts: Sequence[Array]
    known: Array


@dataclass(frozen=True)
class DenseFit:
    """criterion: -2 restricted log-likelihood; beta: (p,); cov_beta: (p, p); theta: (K,)."""

    criterion: float
    beta: Array
    cov_beta: Array
    theta: Array


def evaluate(model: Dense, theta: Sequence[float] | Array) -> DenseFit:
    """Generalised least squares and the criterion at given variances."""
    V = np.diag(model.known) + sum(t * part for t, part in zip(theta, model.parts, strict=True))
    Vi_X, Vi_y = np.split(np.linalg.solve(V, np.column_stack([model.X, model.y])), [-1], axis=1)
    information = model.X.T @ Vi_X
    cov_beta = np.linalg.inv(information)
    beta = cov_beta @ (model.X.T @ Vi_y[:, 0])
    residual = model.y - model.X @ beta
    n, p = model.X.shape
    criterion = (
        (n - p) * np.log(2 * np.pi)
        + np.linalg.slogdet(V)[1]
        + np.linalg.slogdet(information)[1]
        + residual @ np.linalg.solve(V, residual)
    )
    return DenseFit(float(criterion), beta, cov_beta, np.asarray(theta, float))


def finite_gradient(model: Dense, theta: Array, step: float = 1e-5) -> Array:
    """Central differences of the criterion, relative step."""
    return np.array(
        [
            (evaluate(model, theta + h).criterion - evaluate(model, theta - h).criterion)
            / (2 * h[k])
            for k, h in enumerate(np.diag(step * np.maximum(theta, theta.max() * 1e-3)))
        ]
    )


def indicator(groups: NDArray[np.int_]) -> Array:
    """(n, groups) of 0 and 1; a negative code is in no group."""
    kept = groups >= 0
    Z = np.zeros((len(groups), int(groups.max(initial=-1)) + 1))
    Z[np.flatnonzero(kept), groups[kept]] = 1.0
    return Z


def of_rows(rows: Rows) -> Dense:
    """The solver's rows as dense matrices, parameters in the solver's order."""
    parts = [np.diag(column) for column in rows.diagonal.T]
    parts += [Z @ Z.T for Z in map(indicator, rows.levels)]
    for block in rows.penalised:
        patterns = block.patterns or (np.eye(block.Z.shape[1]),)
        parts += [block.Z @ pattern @ block.Z.T for pattern in patterns]
    return Dense(rows.y, rows.X, parts, np.zeros(len(rows.y)) if rows.known is None else rows.known)


def expected_information(model: Dense, theta: Array) -> Array:
    """tr(P V_j P V_k), with P written out (Harville 1977)."""
    V = np.diag(model.known) + sum(t * part for t, part in zip(theta, model.parts, strict=True))
    W = np.linalg.inv(V)
    WX = W @ model.X
    P = W - WX @ np.linalg.inv(model.X.T @ WX) @ WX.T
    carried = [P @ part for part in model.parts]
    return np.array([[np.trace(a @ b) for b in carried] for a in carried])
