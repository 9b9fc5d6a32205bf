"""Projected Newton steps on the REML criterion: rescaling while far off, the average information
on the way, the observed Hessian where it is cheap."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.models.engine.arrow import NotPositiveError
from pipeline.models.engine.criterion import State
from pipeline.models.engine.parts import Flags
from pipeline.models.engine.rows import Array

NOTHING = 1e-8  # of -2 log-likelihood, for a variance of the response's own size
MOST_STEPS = 100
MOST_HALVINGS = 30
FEW_HALVINGS = 4  # where what is left to gain is of the size of rounding
CHEAP_CELLS = 20_000  # rows times columns up to which the exact Hessian costs next to nothing
DECREMENT = 1e-12  # of -2 log-likelihood, still to be gained, where the Hessian is exact
ROUGH_DECREMENT = 1e-9  # the same where each step costs more
ROUNDING = 1e-14  # of the criterion: less than this cannot be seen in it
NEAR = 1.0  # of -2 log-likelihood: close enough for the exact Hessian to pay
FAR = 100.0  # of -2 log-likelihood: so far off, rescaling is surer than Newton's step
ROUGH_STEPS = 15  # by then the average information has arrived, unless the rows do not fit it


@dataclass(frozen=True)
class Objective:
    """Criterion with the log-normal priors of the SDs that have one.

    Such a prior adds precision x (log SD - centre)^2 to -2 log-likelihood. centre, precision:
    (parameters,), a precision of zero for none.
    """

    evaluate: Callable[[Array], State]
    centre: Array
    precision: Array

    def state(self, theta: Array) -> State:
        return self.evaluate(theta)

    @property
    def has_prior(self) -> Flags:
        return self.precision > 0

    def _off_centre(self, state: State) -> Array:
        return np.log(state.theta[self.has_prior]) / 2 - self.centre[self.has_prior]

    def value(self, state: State) -> float:
        penalty = self.precision[self.has_prior] @ self._off_centre(state) ** 2
        return state.criterion + float(penalty)

    def gradient(self, state: State) -> Array:
        out, on = state.gradient.copy(), self.has_prior
        out[on] += self.precision[on] * self._off_centre(state) / state.theta[on]
        return out

    def rough(self, state: State) -> Array:
        """Average information with the priors' curvature over log SD, both positive."""
        return self._with_curvature(state.average, state, 0.5)

    def hessian(self, state: State) -> Array:
        """Of `value`."""
        return self._with_curvature(state.hessian, state, 0.5 - self._off_centre(state))

    def _with_curvature(self, matrix: Array, state: State, size: Array | float) -> Array:
        out, on = matrix.copy(), np.flatnonzero(self.has_prior)
        out[on, on] += self.precision[on] * size / state.theta[on] ** 2
        return out


def minimise(
    objective: Objective, state: State, lower: Array, scale: Array
) -> tuple[State, list[float], int]:
    path = [objective.value(state)]
    count = 1
    for number in range(MOST_STEPS):
        gradient = objective.gradient(state)
        free = free_parameters(state.theta, gradient, lower, scale)
        near = ROUGH_DECREMENT if number < ROUGH_STEPS else NEAR
        step, decrement = newton(objective, state, gradient, free, near)
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


def free_parameters(theta: Array, gradient: Array, lower: Array, scale: Array) -> Flags:
    """Parameters that may move: inside, or at a bound with the criterion falling inwards."""
    held = (theta <= np.maximum(lower, 0) + 1e-14 * scale) & ~np.isneginf(lower)
    held &= gradient * scale >= -NOTHING
    return ~held


def _rescaling(objective: Objective, state: State, free: Flags) -> Array:
    """Step of each variance to theta y'P V_j P y / tr(P V_j), where its own gradient would vanish
    if both went with 1/theta (Wood and Fasiolo 2017, from memory)."""
    theta = state.theta
    moving = free & (theta > 0) & (state.traces > 0)
    wanted = theta[moving] * (state.traces - state.gradient)[moving]
    step = np.zeros(len(theta))
    step[moving] = np.maximum(wanted / state.traces[moving], theta[moving] / 100) - theta[moving]
    return step


def newton(
    objective: Objective, state: State, gradient: Array, free: Flags, near: float = NEAR
) -> tuple[Array, float]:
    """Descent step over the free parameters and half its expected gain.

    The average information, which is nearly always positive definite, until less than `near` is
    to be gained by it; then, and where it is cheap, the observed Hessian, for quadratic
    convergence and the proof.
    """
    if not free.any():
        return np.zeros(len(gradient)), 0.0
    if not _is_cheap(state):
        rough = _step(objective.rough(state), gradient, free)
        if rough[1] > near:
            return rough[:2]
    sharp = _step(objective.hessian(state), gradient, free)
    if sharp[2] > 1e-8:
        return sharp[:2]
    return _step(objective.rough(state), gradient, free)[:2]


def _step(matrix: Array, gradient: Array, free: Flags) -> tuple[Array, float, float]:
    """Newton step, half its gain, and the smallest eigenvalue of the scaled matrix."""
    step = np.zeros(len(gradient))
    g = gradient[free]
    values, vectors, size = scaled_eigen(matrix[np.ix_(free, free)])
    used = np.maximum(values, 1e-6 * max(values[-1], 1e-6))
    step[free] = -(vectors @ ((vectors.T @ (g / size)) / used)) / size
    return step, float(-g @ step[free]) / 2, float(values[0])


def _is_cheap(state: State) -> bool:
    return state.sorted_rows.cells <= CHEAP_CELLS


def scaled_eigen(B: Array) -> tuple[Array, Array, Array]:
    """Eigenvalues and vectors of B / (size size'), with size the roots of its diagonal."""
    diagonal = np.abs(np.diag(B))
    size = np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    values, vectors = np.linalg.eigh(B / size / size[:, None])
    return values, vectors, size


def _search(
    objective: Objective,
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
    # A prior keeps its parameters off the bound: a step to it would have to be climbed back.
    lower = np.where(objective.has_prior, np.maximum(lower, theta / 10), lower)
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
