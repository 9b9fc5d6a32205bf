"""Estimates of linear combinations with small-sample degrees of freedom.

Kenward and Roger (1997) with the expected information, for fixed effects and, in the form of
Prasad and Rao (1990) and Harville and Jeske (1992), for combinations with penalised coefficients:

    variance = L'C^-1L + 2 sum_ij W_ij (dw/dtheta_i)' V (dw/dtheta_j),

where w'y is the combination's estimate, dw/dtheta_j = P (Z G_j L_u - V_j w) and W is the covariance
of the variances. V is linear in theta, so that the second-derivative term of Kenward and Roger
vanishes. Satterthwaite (1946) with the observed information, as in Fai and Cornelius (1996), is
there beside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from pipeline.models.engine.rows import Array
from pipeline.models.engine.solver import Fit

LEAST_DF, MOST_DF = 1.0, 1e6
CELLS = 2_000_000  # numbers that are projected at a time


@dataclass(frozen=True)
class Estimate:
    """A linear combination: estimate, standard error, degrees of freedom of its t interval."""

    estimate: float
    std_error: float
    df: float

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Two-sided t interval."""
        half = float(stdtrit(self.df, 0.5 + level / 2)) * self.std_error
        return self.estimate - half, self.estimate + half

    @property
    def p_value(self) -> float:
        """Two-sided, against zero."""
        if self.std_error == 0:
            return 1.0 if self.estimate == 0 else 0.0
        return float(2 * stdtr(self.df, -abs(self.estimate) / self.std_error))


def _solved(fit: Fit, full: Array) -> tuple[Array, Array, Array]:
    """Estimates (k,), H with H'H their covariance, and V^-1 (X, Z) applied to them (R, k)."""
    state = fit.state
    half = state.factor.halves(full)
    weights = state.factor.solve(full)
    estimate = full[: state.p].T @ state.sorted_rows.shift + full.T @ state.coefficients
    return estimate, half, state.absorbed.times(state.sorted_rows.fitted(weights))


def _over_all(fit: Fit, fixed: Array, penalised: Array | None) -> Array:
    """The combinations over all columns, (k, combinations)."""
    rows = fit.state.sorted_rows
    fixed = fixed[:, None] if fixed.ndim == 1 else fixed
    out = np.zeros((rows.k, fixed.shape[1]))
    out[: rows.p] = fixed
    if penalised is not None:
        out[rows.p : rows.p + rows.q] = penalised[:, None] if penalised.ndim == 1 else penalised
    return out


def _slope_factors(fit: Fit, full: Array, carried: Array) -> Iterator[tuple[int, Array, Array]]:
    """For each parameter two matrices of k columns whose product is d L'C^-1L / d theta.

    Of a penalised block: (G^-1 C L)_u' G_j (G^-1 C L)_u. The mixed-model equations give
    G^-1 (C^-1 L)_u = L_u - Z' V0^-1 A C^-1 L, which needs no inverse of G and so holds at a
    variance of zero too.
    """
    rows = fit.state.sorted_rows
    for j, d in enumerate(rows.diagonal.T):
        yield j, carried, d[:, None] * carried
    for j, group in zip(rows.local_parameters, rows.groups, strict=True):
        sums = group.sums(carried)[group.active]
        yield int(j), sums, sums
    left = full - rows.cross(carried)
    for block in rows.blocks:
        part = left[block.columns]
        yield block.parameter, part, part if block.pattern is None else block.pattern @ part


def contrast(
    fit: Fit,
    fixed: Array,
    penalised: Array | None = None,
    method: str = "satterthwaite",
) -> Estimate:
    """One combination with its standard error and degrees of freedom. fixed: (p,)."""
    return contrasts(fit, fixed, penalised, method)[0]


def contrasts(
    fit: Fit,
    fixed: Array,
    penalised: Array | None = None,
    method: str = "satterthwaite",
) -> list[Estimate]:
    """Estimates of k combinations at once.

    fixed: (p, k). penalised: (q, k) or None. method: 'satterthwaite' (observed information) or
    'kenward-roger' (expected information, with what the variances' own uncertainty adds).
    """
    if method not in ("satterthwaite", "kenward-roger"):
        raise ValueError(f"method {method!r} is neither 'satterthwaite' nor 'kenward-roger'")
    full = _over_all(fit, fixed, penalised)
    estimate, half, carried = _solved(fit, full)
    variances = (half**2).sum(axis=0)
    slopes = np.empty((len(fit.theta), len(variances)))
    for parameter, left, right in _slope_factors(fit, full, carried):
        slopes[parameter] = (left * right).sum(axis=0)
    W, added = fit.cov_theta, np.zeros(len(variances))
    if method == "kenward-roger":
        W = expected_covariance(fit)
        added = 2 * _moved(fit, W, full, carried)
    with np.errstate(invalid="ignore"):  # of very few runs: no number, which callers leave out
        errors = np.sqrt(variances + added)
    return [
        Estimate(float(b), float(error), _satterthwaite(float(f), g, W))
        for b, f, error, g in zip(estimate, variances, errors, slopes.T, strict=True)
    ]


def _moved(fit: Fit, W: Array, full: Array, carried: Array) -> Array:
    """sum_ij W_ij (dw/dtheta_i)' V (dw/dtheta_j) of each combination, (k,).

    By the square root of W, so that each of its directions is projected once and what it adds
    cannot be negative.
    """
    values, vectors = np.linalg.eigh(W)
    root = vectors[:, values > 0] * np.sqrt(values[values > 0])
    out = np.empty(full.shape[1])
    step = max(CELLS // max(len(carried) * root.shape[1], 1), 1)
    for first in range(0, len(out), step):
        here = range(first, min(first + step, len(out)))
        moved = np.hstack([fit.state.apply(carried[:, i], less=full[:, i]) @ root for i in here])
        added = (moved * fit.state.project(moved)).sum(axis=0)
        out[here.start : here.stop] = added.reshape(len(here), -1).sum(axis=1)
    return out


def values_and_errors(fit: Fit, fixed: Array, penalised: Array) -> tuple[Array, Array]:
    """Estimates and standard errors, (k,) both. fixed: (p, k); penalised: (q, k)."""
    half = fit.state.factor.halves(_over_all(fit, fixed, penalised))
    return fixed.T @ fit.beta + penalised.T @ fit.u, np.sqrt((half**2).sum(axis=0))


def covariance(fit: Fit, fixed: Array, penalised: Array) -> Array:
    """Covariance of k combinations, (k, k). fixed: (p, k); penalised: (q, k)."""
    half = fit.state.factor.halves(_over_all(fit, fixed, penalised))
    return np.asarray(half.T @ half)


def expected_covariance(fit: Fit) -> Array:
    """Covariance of the variances: twice the inverse of the expected information and of the
    priors' curvature over log SD, (parameters, parameters).

    A row variance that came out as zero is in it: what the rows vary by is not known because its
    estimate was cut off there. Other variances at zero are out of the model.
    """
    rows = fit.state.sorted_rows
    used = ~fit.at_zero
    used[: rows.diagonal.shape[1]] = True
    precision = rows.rows.prior()[1]
    information = fit.information.copy()
    on = np.flatnonzero(precision)
    information[on, on] += precision[on] / (2 * fit.theta[on] ** 2)
    out = np.zeros_like(information)
    where = np.ix_(used, used)
    # Scaled to a diagonal of one: variances of different units must not fall under the cut-off.
    diagonal = np.diag(information[where])
    size = np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    scaled = information[where] / np.outer(size, size)
    out[where] = 2 * np.linalg.pinv(scaled, rcond=1e-10, hermitian=True) / np.outer(size, size)
    return out


def _satterthwaite(variance: float, slopes: Array, cov_theta: Array) -> float:
    """2 f^2 / (g' A g), no fewer than 1."""
    spread = float(slopes @ cov_theta @ slopes)
    if spread <= 0 or variance <= 0:
        return MOST_DF
    return float(np.clip(2 * variance**2 / spread, LEAST_DF, MOST_DF))
