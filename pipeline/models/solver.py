"""REML fit of `Rows`: projected Newton steps with the average information, then a proof.

A fit is called converged only where the projected gradient is negligible beside the curvature
and the observed Hessian over the free parameters is positive definite.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.models.arrow import NotPositiveError
from pipeline.models.criterion import State, criterion_function
from pipeline.models.layout import SortedRows
from pipeline.models.rows import Array, Penalised, Rows
from pipeline.models.sorting import sort_rows

__all__ = ["Fit", "Penalised", "Rows", "fit_rows"]

Flags = NDArray[np.bool_]

MOST_STEPS = 100
MOST_HALVINGS = 30
FEW_HALVINGS = 4  # where what is left to gain is of the size of rounding
TINY = 1e-10  # a variance this small beside the response's is zero
NOTHING = 1e-8  # of -2 log-likelihood, for a variance of the response's own size
CHEAP_CELLS = 20_000  # rows times columns up to which the exact Hessian costs next to nothing
DECREMENT = 1e-12  # of -2 log-likelihood, still to be gained, where the Hessian is exact
ROUGH_DECREMENT = 1e-9  # the same where each step costs more
ROUNDING = 1e-14  # of the criterion: less than this cannot be seen in it
NEAR = 1.0  # of -2 log-likelihood: close enough for the exact Hessian to pay
FAR = 100.0  # of -2 log-likelihood: so far off, rescaling is surer than Newton's step
ROUGH_STEPS = 15  # by then the average information has arrived, unless the rows do not fit it


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


@dataclass(frozen=True)
class _Objective:
    """Criterion with the boundary-avoiding penalty of the parameters that ask for it."""

    evaluate: Callable[[Array], State]
    penalty: Array

    def state(self, theta: Array) -> State:
        return self.evaluate(theta)

    def value(self, state: State) -> float:
        on = self.penalty > 0
        return state.criterion - float(self.penalty[on] @ np.log(state.theta[on]))

    def gradient(self, state: State) -> Array:
        out = state.gradient.copy()
        on = self.penalty > 0
        out[on] -= self.penalty[on] / state.theta[on]
        return out

    def curved(self, matrix: Array, state: State) -> Array:
        out = matrix.copy()
        for j in np.flatnonzero(self.penalty):
            out[j, j] += self.penalty[j] / state.theta[j] ** 2
        return out


def fit_rows(rows: Rows, start: Array | None = None) -> Fit:
    """REML estimates of the variances and all that follows from them.

    start: (k,), first guess; by default the residual variance of least squares is shared out.
    Raises ValueError where X is not of full rank or shapes disagree.
    """
    sorted_rows = sort_rows(rows)
    scale = typical_scale(sorted_rows)
    lower = _lower_bounds(rows, scale)
    evaluate, asked = criterion_function(sorted_rows), _asked(rows)
    theta = scale / rows.n_parameters if start is None else np.asarray(start, float)
    theta = np.maximum(theta, np.where(lower > 0, lower, 0.0))
    state = evaluate(_start_of_patterns(theta, lower))
    silent = ((lower == 0) | asked) & _is_silent(state, scale)
    if silent.any():
        lower = np.where(silent, 0.0, lower)
        state = evaluate(np.where(silent, 0.0, state.theta))
    objective = _Objective(evaluate, (asked & ~silent).astype(float))
    state, path, count = _minimise(objective, state, lower, scale)
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


def _lower_bounds(rows: Rows, scale: Array) -> Array:
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
        for pattern in block.covariance_patterns:
            if not block.is_scalar:
                lower[position] = TINY * scale[position] if np.trace(pattern) > 0 else -np.inf
            position += 1
    return np.where(_asked(rows), np.maximum(lower, TINY * scale), lower)


def _asked(rows: Rows) -> Flags:
    """Parameters that are to be kept off zero."""
    if rows.avoid_zero is None:
        return np.zeros(rows.n_parameters, bool)
    return np.asarray(rows.avoid_zero, bool)


def _minimise(
    objective: _Objective, state: State, lower: Array, scale: Array
) -> tuple[State, list[float], int]:
    path = [objective.value(state)]
    count = 1
    for number in range(MOST_STEPS):
        gradient = objective.gradient(state)
        free = _free(state.theta, gradient, lower, scale)
        near = ROUGH_DECREMENT if number < ROUGH_STEPS else NEAR
        step, decrement = _newton(objective, state, gradient, free, near)
        if decrement > FAR and not _is_cheap(state):
            step = _rescaling(objective, state, free)
        enough = DECREMENT if _is_cheap(state) else ROUGH_DECREMENT
        if decrement < max(enough, ROUNDING * abs(path[-1])):
            break
        halvings = MOST_HALVINGS if decrement > ROUGH_DECREMENT else FEW_HALVINGS
        moved, tried = _search(objective, state, step, path[-1], lower, scale, halvings)
        count += tried
        if moved is None:
            break
        state = moved
        path.append(objective.value(state))
    return state, path, count


def _start_of_patterns(theta: Array, lower: Array) -> Array:
    """Covariances (without a lower bound) start at zero."""
    return np.where(np.isneginf(lower), 0.0, theta)


def _is_silent(state: State, scale: Array) -> Flags:
    """Variances of which the rows say nothing: P V_j = 0, as with the level of an only driver."""
    return np.asarray(state.traces * scale < NOTHING)


def _free(theta: Array, gradient: Array, lower: Array, scale: Array) -> Flags:
    """Parameters that may move: inside, or at a bound with the criterion falling inwards."""
    held = (theta <= np.maximum(lower, 0) + 1e-14 * scale) & ~np.isneginf(lower)
    held &= gradient * scale >= -NOTHING
    return ~held


def _rescaling(objective: _Objective, state: State, free: Flags) -> Array:
    """Step of each variance to theta y'P V_j P y / tr(P V_j), where its own gradient would vanish
    if both went with 1/theta (Wood and Fasiolo 2017, from memory)."""
    theta = state.theta
    moving = free & (theta > 0) & (state.traces > 0)
    wanted = theta[moving] * (state.traces - state.gradient)[moving] + objective.penalty[moving]
    step = np.zeros(len(theta))
    step[moving] = np.maximum(wanted / state.traces[moving], theta[moving] / 100) - theta[moving]
    return step


def _newton(
    objective: _Objective, state: State, gradient: Array, free: Flags, near: float = NEAR
) -> tuple[Array, float]:
    """Descent step over the free parameters and half its expected gain.

    The average information, which is nearly always positive definite, until less than `near` is
    to be gained by it; then, and where it is cheap, the observed Hessian, for quadratic
    convergence and the proof.
    """
    if not free.any():
        return np.zeros(len(gradient)), 0.0
    if not _is_cheap(state):
        rough = _step(objective.curved(state.average, state), gradient, free)
        if rough[1] > near:
            return rough[:2]
    sharp = _step(objective.curved(state.hessian, state), gradient, free)
    if sharp[2] > 1e-8:
        return sharp[:2]
    return _step(objective.curved(state.average, state), gradient, free)[:2]


def _step(matrix: Array, gradient: Array, free: Flags) -> tuple[Array, float, float]:
    """Newton step, half its gain, and the smallest eigenvalue of the scaled matrix."""
    step = np.zeros(len(gradient))
    g = gradient[free]
    values, vectors, size = _scaled_eigen(matrix[np.ix_(free, free)])
    used = np.maximum(values, 1e-6 * max(values[-1], 1e-6))
    step[free] = -(vectors @ ((vectors.T @ (g / size)) / used)) / size
    return step, float(-g @ step[free]) / 2, float(values[0])


def _is_cheap(state: State) -> bool:
    return state.sorted_rows.cells <= CHEAP_CELLS


def _scaled_eigen(B: Array) -> tuple[Array, Array, Array]:
    """Eigenvalues and vectors of B / (size size'), with size the roots of its diagonal."""
    diagonal = np.abs(np.diag(B))
    size = np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    values, vectors = np.linalg.eigh(B / size / size[:, None])
    return values, vectors, size


def _search(
    objective: _Objective,
    state: State,
    step: Array,
    value: float,
    lower: Array,
    scale: Array,
    halvings: int,
) -> tuple[State | None, int]:
    """The first of the halved steps that lowers the criterion; variances that pass their bound
    stop at it, and none grows or shrinks more than tenfold unless it goes to the bound."""
    theta = state.theta
    length = 1.0
    bounded = ~np.isneginf(lower)
    # The penalty keeps its parameters off the bound: a step to it would have to be climbed back.
    lower = np.where(objective.penalty > 0, np.maximum(lower, theta / 10), lower)
    for tried in range(1, halvings + 1):
        new = theta + length * step
        ceiling = 10 * np.maximum(theta, 1e-3 * scale)
        new = np.where(bounded, np.clip(new, lower, ceiling), new)
        try:
            moved = objective.state(new)
            if objective.value(moved) < value + 1e-12 * abs(value):
                gain = value - objective.value(moved)
                if gain > 0 or length < 1e-6:
                    return moved, tried
        except NotPositiveError:
            pass
        length /= 2
    return None, halvings


def _finish(
    rows: Rows,
    objective: _Objective,
    state: State,
    path: list[float],
    count: int,
    lower: Array,
    scale: Array,
) -> Fit:
    gradient = objective.gradient(state)
    hessian = objective.curved(state.hessian, state)
    free = _free(state.theta, gradient, lower, scale)
    _, decrement = _newton(objective, state, gradient, free)
    cov_theta, definite = _inverse_over(hessian, free)
    converged = bool(definite and decrement < 1e-5)
    message = "converged" if converged else _why_not(definite, decrement)
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
        converged=converged,
        message=message,
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
    values, vectors, size = _scaled_eigen(B)
    definite = bool(values[0] > 1e-10)
    values = np.maximum(values, 1e-8)
    inverse = (vectors / values) @ vectors.T / np.outer(size, size)
    out[np.ix_(free, free)] = 2 * inverse
    return out, definite


def _why_not(definite: bool, decrement: float) -> str:
    if not definite:
        return "stopped where the likelihood is flat in a variance"
    return f"stopped with {decrement:.2g} of -2 log-likelihood still to gain"
