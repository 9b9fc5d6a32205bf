"""The joint mode of a count model's coefficients at given SDs, by Newton's method.

Z_1, the random term with most levels, is absorbed: its block of the Hessian is diagonal, so a
season costs its drivers and sessions, not its driver-at-meeting effects. The letters are those
of counts_laplace.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.models.counts_columns import Columns, Factor
from pipeline.models.counts_family import (
    Array,
    Pointwise,
    evaluate_binomial,
    evaluate_log_link,
)

_MOST_STEPS = 100
_SMALLEST_DECREMENT = 1e-12


@dataclass(frozen=True)
class Model:
    """Frozen arrays of one fit.

    y, offset (n,); trials (n,) for the binomial, else None; names: of the random terms; columns:
    R, of which the first n_fixed are fixed; blocks: for each random term that is not absorbed its
    slice of R; codes (n,) int, values (n,), levels q: the absorbed term; places: where in psi the
    absorbed term and the others have their sigma, empty if there is no random term; log_f
    (n_fixed,): scale of the log-F(1,1) prior per fixed column, 0 for none.
    """

    y: Array
    offset: Array
    trials: Array | None
    family: str
    names: tuple[str, ...]
    columns: Columns
    n_fixed: int
    blocks: tuple[slice, ...]
    codes: NDArray[np.intp]
    values: Array
    levels: int
    places: tuple[int, ...]
    log_f: Array

    @property
    def dispersed(self) -> bool:
        """It has the NB2 dispersion."""
        return self.family == "nb2"


@dataclass(frozen=True)
class Mode:
    """The joint mode at one psi: absorbed effects u (q,), other coefficients v (m,), eta (n,),
    the penalised minus log-likelihood there, the rows' derivatives and the Hessian, whether
    Newton's steps got there, and how many."""

    u: Array
    v: Array
    eta: Array
    value: float
    rows: Pointwise
    factor: Factor
    converged: bool
    steps: int


def split(model: Model, psi: Array) -> tuple[float, Array, float]:
    """psi -> sigma of the absorbed term, scale of each column of R (m,), alpha."""
    scale = np.ones(model.columns.width)
    for place, block in zip(model.places[1:], model.blocks, strict=True):
        scale[block] = psi[place]
    absorbed = float(psi[model.places[0]]) if model.places else 0.0
    return absorbed, scale, float(psi[-1] ** 2) if model.dispersed else 0.0


def pointwise(model: Model, eta: Array, alpha: float) -> Pointwise:
    if model.trials is None:
        return evaluate_log_link(model.y, eta, alpha)
    return evaluate_binomial(model.y, eta, model.trials)


def log_f_prior(beta: Array, scale: Array) -> tuple[float, Array, Array, Array]:
    """Minus log density of log-F(1,1) on scale * beta, and its three derivatives, (p,) each.

    It acts as half an event on either side of the contrast, which keeps a ratio finite where a
    level has no event at all (Greenland and Mansournia 2015, from memory).
    """
    x = scale * beta
    share = special.expit(x)
    value = float(np.sum(np.logaddexp(0.0, x) - x / 2.0 - np.log(2.0)))
    curvature = share * (1.0 - share)
    return (
        value,
        scale * (share - 0.5),
        scale**2 * curvature,
        scale**3 * curvature * (1 - 2 * share),
    )


def sum_by_group(model: Model, per_row: Array) -> Array:
    """(n,) -> (q,) over the groups of the absorbed term."""
    return np.bincount(model.codes, per_row, model.levels).astype(np.float64)


def factorise(model: Model, w: Array, sigma: float, scale: Array, curvature: Array) -> Factor:
    """H at weights w (n,); curvature (n_fixed,) is the prior's."""
    ridge = np.ones(len(scale))
    ridge[: model.n_fixed] = curvature
    return model.columns.factorise(w, sigma, scale, ridge)


def predictor(model: Model, sigma: float, scale: Array, u: Array, v: Array) -> Array:
    return model.offset + sigma * model.values * u[model.codes] + model.columns.at(scale * v)


def find_mode(
    model: Model, psi: Array, start: Mode | None = None, held: tuple[Array, float] | None = None
) -> Mode:
    """Newton's method with halving, from `start` or from the counts themselves.

    held: (L, c) keeps L'beta = c, with L (n_fixed,): the constrained mode of a profile.
    """
    sigma, scale, _ = split(model, psi)
    u, v = _first_guess(model, psi, _crude_eta(model) if start is None else start.eta)
    if held is not None:
        v = _move_onto(v, held)
    value, eta, rows = _penalised(model, psi, u, v)
    for steps in range(_MOST_STEPS):  # noqa: B007
        factor = _factor_at(model, sigma, scale, rows, v)
        du, dv, decrement = _newton_step(model, sigma, scale, rows, factor, u, v, held)
        if decrement < _SMALLEST_DECREMENT:
            break
        size, there = _halve_until_lower(model, psi, u, v, du, dv, value)
        if size == 0.0:
            break
        u, v, (value, eta, rows) = u + size * du, v + size * dv, there
    return Mode(u, v, eta, value, rows, factor, bool(decrement < 1e-7), steps)


def _factor_at(model: Model, sigma: float, scale: Array, rows: Pointwise, v: Array) -> Factor:
    curvature = log_f_prior(v[: model.n_fixed], model.log_f)[2]
    return factorise(model, rows.weight, sigma, scale, curvature)


def _crude_eta(model: Model) -> Array:
    eta = np.log(model.y + 0.5)
    return eta if model.trials is None else eta - np.log(model.trials - model.y + 0.5)


def _first_guess(model: Model, psi: Array, eta: Array) -> tuple[Array, Array]:
    """One step of weighted least squares from a linear predictor.

    It starts from eta and not from effects, which mean something else at another psi.
    """
    sigma, scale, alpha = split(model, psi)
    rows = pointwise(model, eta, alpha)
    pull = rows.weight * (eta - model.offset) + rows.score
    factor = _factor_at(model, sigma, scale, rows, np.zeros(model.columns.width))
    top = sigma * sum_by_group(model, model.values * pull)
    return factor.solve(top, scale * model.columns.back(pull))


def _penalised(model: Model, psi: Array, u: Array, v: Array) -> tuple[float, Array, Pointwise]:
    sigma, scale, alpha = split(model, psi)
    eta = predictor(model, sigma, scale, u, v)
    rows = pointwise(model, eta, alpha)
    k = model.n_fixed
    prior = log_f_prior(v[:k], model.log_f)[0]
    return -rows.loglik + 0.5 * float(u @ u + v[k:] @ v[k:]) + prior, eta, rows


def _newton_step(
    model: Model,
    sigma: float,
    scale: Array,
    rows: Pointwise,
    factor: Factor,
    u: Array,
    v: Array,
    held: tuple[Array, float] | None,
) -> tuple[Array, Array, float]:
    k = model.n_fixed
    slope = log_f_prior(v[:k], model.log_f)[1]
    top = sigma * sum_by_group(model, model.values * rows.score) - u
    rest = scale * model.columns.back(rows.score) - np.concatenate([slope, v[k:]])
    du, dv = factor.solve(top, rest)
    if held is not None:
        along = np.zeros_like(v)
        along[:k] = held[0]
        eu, ev = factor.solve(np.zeros_like(u), along)
        share = (along @ dv) / (along @ ev)
        du, dv = du - share * eu, dv - share * ev
    return du, dv, float(top @ du + rest @ dv)


def _move_onto(v: Array, held: tuple[Array, float]) -> Array:
    L, c = held
    moved = v.copy()
    moved[: len(L)] += L * (c - L @ v[: len(L)]) / (L @ L)
    return moved


def _halve_until_lower(
    model: Model, psi: Array, u: Array, v: Array, du: Array, dv: Array, before: float
) -> tuple[float, tuple[float, Array, Pointwise]]:
    size = 1.0
    for _ in range(40):
        there = _penalised(model, psi, u + size * du, v + size * dv)
        if there[0] <= before + 1e-10 * (1.0 + abs(before)):
            return size, there
        size /= 2.0
    return 0.0, there
