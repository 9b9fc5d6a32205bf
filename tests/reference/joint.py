"""Joint tests of several fixed effects, by which the engine is compared with published values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from pipeline.models.engine.inference import (
    _over_all,
    _slope_factors,
    _solved,
    contrast,
    expected_covariance,
)
from pipeline.models.engine.rows import Array
from pipeline.models.engine.solver import Fit


@dataclass(frozen=True)
class Pieces:
    """L' C^-1 L and its derivatives for k combinations.

    estimate: (k,). covariance: (k, k). slopes: (parameters, k, k), d covariance / d theta_j.
    carried: (R, k), V^-1 (X, Z) applied to the combinations.
    """

    estimate: Array
    covariance: Array
    slopes: Array
    carried: Array


def combine(fit: Fit, fixed: Array, penalised: Array | None = None) -> Pieces:
    """The combinations fixed' beta + penalised' u. fixed: (p, k) or (p,); penalised: (q, k)."""
    full = _over_all(fit, fixed, penalised)
    estimate, half, carried = _solved(fit, full)
    slopes = np.empty((len(fit.theta), *half.shape[1:] * 2))
    for parameter, left, right in _slope_factors(fit, full, carried):
        slopes[parameter] = left.T @ right
    return Pieces(estimate, half.T @ half, slopes, carried)


def _kr_terms(fit: Fit, carried: Array) -> Array:
    """(V_i a)' P (V_j a) for each pair of parameters: (parameters, parameters, k, k)."""
    state = fit.state
    n = len(fit.theta)
    columns = [state.apply(column) for column in carried.T]
    applied = [np.column_stack([V[:, j] for V in columns]) for j in range(n)]
    projected = [state.project(M) for M in applied]
    return np.array([[applied[i].T @ projected[j] for j in range(n)] for i in range(n)])


def kenward_roger_f(fit: Fit, fixed: Array) -> tuple[float, int, float, float]:
    """Joint test of k fixed-effect combinations.

    fixed: (p, k), of full column rank. Returns the scaled F, k, the denominator's degrees of
    freedom and the p-value (Kenward and Roger 1997, section 3).
    """
    pieces = combine(fit, fixed)
    k = fixed.shape[1]
    W = expected_covariance(fit)
    # With one combination the general formula is 0/0 at 2 df; it reduces to Satterthwaite's.
    if k == 1:
        one = contrast(fit, fixed[:, 0], method="kenward-roger")
        value = (one.estimate / one.std_error) ** 2
        return value, 1, one.df, float(fdtrc(1, one.df, value))
    inverse = np.linalg.inv(pieces.covariance)
    scaled = np.array([inverse @ slope for slope in pieces.slopes])
    traces = np.einsum("jkk->j", scaled)
    A1 = float(traces @ W @ traces)
    A2 = float(np.einsum("ij,ikl,jlk->", W, scaled, scaled))
    adjusted = pieces.covariance + 2 * np.einsum("ij,ijkl->kl", W, _kr_terms(fit, pieces.carried))
    wald = float(pieces.estimate @ np.linalg.solve(adjusted, pieces.estimate)) / k
    scale, df = _kr_scale(A1, A2, k)
    return scale * wald, k, df, float(fdtrc(k, df, scale * wald))


def _kr_scale(A1: float, A2: float, k: int) -> tuple[float, float]:
    """Scale and denominator df by matching the moments of F (k >= 2)."""
    B = (A1 + 6 * A2) / (2 * k)
    g = ((k + 1) * A1 - (k + 4) * A2) / ((k + 2) * A2)
    base = 3 * k + 2 * (1 - g)
    c1, c2, c3 = g / base, (k - g) / base, (k + 2 - g) / base
    expectation = 1 / (1 - A2 / k)
    variance = (2 / k) * (1 + c1 * B) / ((1 - c2 * B) ** 2 * (1 - c3 * B))
    rho = variance / (2 * expectation**2)
    df = 4 + (k + 2) / (k * rho - 1)
    return df / (expectation * (df - 2)), df
