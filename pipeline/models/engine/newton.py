"""Projected Newton steps on the REML criterion: rescaling while far off, the average information
on the way, the observed Hessian where it is near or cheap, carried on from there by secants."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.models.engine.arrow import NotPositiveError
from pipeline.models.engine.criterion import State
from pipeline.models.engine.parts import Flags
from pipeline.models.engine.rows import Array

LEAST_EIGEN = 1e-8  # of a scaled matrix: below, no minimum lies where it points
NOTHING = 1e-8  # of -2 log-likelihood, for a variance of the response's own size
MOST_STEPS = 100
MOST_HALVINGS = 30
FEW_HALVINGS = 4  # where what is left to gain is of the size of rounding
CHEAP_CELLS = 20_000  # rows times columns up to which the exact Hessian costs next to nothing
DECREMENT = 1e-12  # of -2 log-likelihood, still to be gained, where the Hessian is exact
ROUGH_DECREMENT = 1e-9  # the same where each step costs more
ROUNDING = 1e-14  # of the criterion: less than this cannot be seen in it
# Of -2 log-likelihood: close enough for the exact Hessian to pay. By trial on a season of 1,900
# runs 0.1 takes 8 evaluations and two Hessians, 1 and 0.01 take 9 to 10, none at all takes 20.
NEAR = 0.1
FAR = 100.0  # of -2 log-likelihood: so far off, rescaling is surer than Newton's step
LEAST_CURVED = 1e-3  # of what the carried Hessian says: less, and a secant tells nothing of it


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
    """The state at the minimum, the values on the way there, and how many states were looked at."""
    path, carried = [objective.value(state)], None
    count = 1
    for _ in range(MOST_STEPS):
        gradient = objective.gradient(state)
        free = free_parameters(state.theta, gradient, lower, scale)
        step, decrement, carried = _next_step(objective, state, gradient, free, carried)
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
        if carried is not None:
            turned = objective.gradient(moved) - gradient
            carried = _by_secant(carried, moved.theta - state.theta, turned)
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


def newton(objective: Objective, state: State, gradient: Array, free: Flags) -> tuple[Array, float]:
    """Descent step over the free parameters and half its expected gain, see `_next_step`."""
    return _next_step(objective, state, gradient, free, None)[:2]


def _next_step(
    objective: Objective, state: State, gradient: Array, free: Flags, carried: Array | None
) -> tuple[Array, float, Array | None]:
    """Descent step over the free parameters, half its expected gain, and the Hessian it came from.

    The average information, which is nearly always positive definite, until less than `NEAR` is
    to be gained by it; then the observed Hessian, which is carried on until it sees nothing more
    to gain: that is proved by the Hessian there. Where it is cheap, it is never carried.
    """
    if not free.any():
        return np.zeros(len(gradient)), 0.0, carried
    cheap = _is_cheap(state)
    if not cheap:
        matrix = objective.rough(state) if carried is None else carried
        rough = _step(matrix, gradient, free)
        if rough[1] > (NEAR if carried is None else ROUGH_DECREMENT):
            return *rough[:2], carried
    sharp = _step(objective.hessian(state), gradient, free)
    if sharp[2] > LEAST_EIGEN:
        return *sharp[:2], None if cheap else objective.hessian(state)
    return *_step(objective.rough(state), gradient, free)[:2], None


def _by_secant(B: Array, moved: Array, turned: Array) -> Array:
    """The Hessian B as a step `moved` that turned the gradient so far corrects it: the update of
    Broyden, Fletcher, Goldfarb and Shanno (1970), which keeps it positive."""
    expected = B @ moved
    size, seen = float(moved @ expected), float(moved @ turned)
    if size <= 0 or seen <= LEAST_CURVED * size:
        return B
    return np.asarray(B - np.outer(expected, expected) / size + np.outer(turned, turned) / seen)


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
