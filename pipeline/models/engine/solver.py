"""REML fit of `Rows`: starts, bounds and the walk (see `newton`), then a proof.

A fit is called converged only where the projected gradient is negligible beside the curvature
and the observed Hessian over the free parameters is positive definite.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.models.engine.criterion import State, criterion_function
from pipeline.models.engine.layout import SortedRows
from pipeline.models.engine.newton import (
    NOTHING,
    Objective,
    free_parameters,
    minimise,
    newton,
    scaled_eigen,
)
from pipeline.models.engine.parts import Flags
from pipeline.models.engine.rows import Array, Penalised, Rows
from pipeline.models.engine.sorting import sort_rows

__all__ = ["Fit", "Penalised", "Rows", "fit_rows"]

TINY = 1e-10  # a variance this small beside the response's is zero


@dataclass(frozen=True)
class Fit:
    """A fitted mixed model; complete when it exists.

    theta: (k,), variances in the order diagonal, levels (coarse first), patterns. beta: (p,).
    u: (q,). criterion: -2 restricted log-likelihood. gradient, hessian
    (observed), information (expected; both of the criterion): at theta. cov_theta: (k, k), twice
    the inverse Hessian over the free parameters, zero elsewhere. at_zero: (k,). decrement: what
    one more Newton step would gain. path: criterion after each step.
    """

    names: tuple[str, ...]
    theta: Array
    beta: Array
    u: Array
    criterion: float
    gradient: Array
    hessian: Array
    information: Array
    cov_theta: Array
    at_zero: Flags
    converged: bool
    message: str
    evaluations: int
    decrement: float
    path: tuple[float, ...]
    state: State

    @cached_property
    def cov_beta(self) -> Array:
        """Covariance of beta, (p, p)."""
        p = len(self.beta)
        return self.state.factor.solve(np.eye(self.state.sorted_rows.k, p))[:p]

    def variance(self, name: str) -> float:
        """The estimated variance of a named parameter."""
        return float(self.theta[self.names.index(name)])


def fit_rows(rows: Rows, start: Array | None = None) -> Fit:
    """REML estimates of the variances and all that follows from them.

    start: (k,), first guess; by default the residual variance of least squares is shared out.
    Raises ValueError where X is not of full rank or shapes disagree.
    """
    sorted_rows = sort_rows(rows)
    scale = typical_scale(sorted_rows)
    centre, precision = rows.prior()
    lower = _lower_bounds(rows, scale, precision > 0)
    evaluate = criterion_function(sorted_rows)
    theta = scale / rows.n_parameters if start is None else np.asarray(start, float)
    theta = np.maximum(theta, np.where(lower > 0, lower, 0.0))
    state = evaluate(_start_of_patterns(theta, lower))
    silent = (lower == 0) & _is_silent(state, scale)
    if silent.any():
        state = evaluate(np.where(silent, 0.0, state.theta))
    objective = Objective(evaluate, centre, precision)
    state, path, count = minimise(objective, state, lower, scale)
    return _finish(rows, objective, state, path, count, lower, scale)


def typical_scale(sorted_rows: SortedRows) -> Array:
    """(k,): for each parameter the size at which it alone would explain the residual variance."""
    rows, residual = sorted_rows.rows, sorted_rows.y
    spread = float(residual @ residual) / max(len(residual) - sorted_rows.p, 1)
    level = float(np.abs(rows.X @ sorted_rows.shift).max(initial=0.0))
    spread = max(spread, (np.finfo(float).eps * max(level, 1e-300)) ** 2)
    sizes = [*sorted_rows.diagonal.mean(axis=0), *([1.0] * len(rows.levels))]
    for block in rows.penalised:
        if block.patterns is None:
            sizes.append(float((block.Z**2).sum()) / len(residual))
        else:
            Z = block.Z
            sizes += [float(((Z @ G) * Z).sum(axis=1).mean()) for G in block.patterns]
    return np.array([spread / max(abs(size), 1e-300) for size in sizes])


def _lower_bounds(rows: Rows, scale: Array, has_prior: Flags) -> Array:
    """Zero for what may vanish, a tiny positive number for what may not, -inf for covariances."""
    lower = np.zeros(rows.n_parameters)
    m = rows.diagonal.shape[1]
    known = np.zeros(len(rows.y)) if rows.known is None else rows.known
    for j in range(m):
        others = np.delete(rows.diagonal, j, axis=1).sum(axis=1) + known
        alone = (rows.diagonal[:, j] > 0) & (others == 0)
        pooled = rows.null_rows is not None and rows.null_rows[j] > 0
        if alone.any() or pooled:
            lower[j] = TINY * scale[j]
    position = m + len(rows.levels)
    for block in rows.penalised:
        for pattern in block.patterns or (None,):
            if pattern is not None:
                lower[position] = TINY * scale[position] if np.trace(pattern) > 0 else -np.inf
            position += 1
    return np.where(has_prior, np.maximum(lower, TINY * scale), lower)


def _start_of_patterns(theta: Array, lower: Array) -> Array:
    """Covariances (without a lower bound) start at zero."""
    return np.where(np.isneginf(lower), 0.0, theta)


def _is_silent(state: State, scale: Array) -> Flags:
    """Variances of which the rows say nothing: P V_j = 0, as with the level of an only driver."""
    return np.asarray(state.traces * scale < NOTHING)


def _finish(
    rows: Rows,
    objective: Objective,
    state: State,
    path: list[float],
    count: int,
    lower: Array,
    scale: Array,
) -> Fit:
    gradient = objective.gradient(state)
    hessian = objective.hessian(state)
    free = free_parameters(state.theta, gradient, lower, scale)
    _, decrement = newton(objective, state, gradient, free)
    cov_theta, definite = _inverse_over(hessian, free)
    message = _why_not(state, definite, decrement)
    p = state.p
    names = rows.names or tuple(f"theta{j}" for j in range(rows.n_parameters))
    at_zero = (state.theta <= np.maximum(lower, 0) + TINY * scale) & ~np.isneginf(lower)
    return Fit(
        names=names,
        theta=state.theta,
        beta=state.beta,
        u=state.coefficients[p : p + state.sorted_rows.q],
        criterion=state.criterion,
        gradient=gradient,
        hessian=hessian,
        information=state.expected,
        cov_theta=cov_theta,
        at_zero=at_zero,
        converged=not message,
        message=message or "converged",
        evaluations=count,
        decrement=decrement,
        path=tuple(path),
        state=state,
    )


def _inverse_over(hessian: Array, free: Flags) -> tuple[Array, bool]:
    """Twice the inverse of the free part, zero elsewhere; and whether it is definite."""
    out = np.zeros_like(hessian)
    if not free.any():
        return out, True
    B = hessian[np.ix_(free, free)]
    values, vectors, size = scaled_eigen(B)
    definite = bool(values[0] > 1e-10)
    values = np.maximum(values, 1e-8)
    inverse = (vectors / values) @ vectors.T / np.outer(size, size)
    out[np.ix_(free, free)] = 2 * inverse
    return out, definite


def _why_not(state: State, definite: bool, decrement: float) -> str:
    """Why this is no fit; '' if it is one."""
    if state.sorted_rows.n <= state.p:
        return f"{state.sorted_rows.n:.0f} rows are no more than the {state.p} fixed columns"
    if not definite:
        return "stopped where the likelihood is flat in a variance"
    # A thousandth of what a standard error of a variance would gain: no digit of it is printed.
    if decrement >= 1e-5:
        return f"stopped with {decrement:.2g} of -2 log-likelihood still to gain"
    return ""
