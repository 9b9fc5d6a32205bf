"""The Laplace approximation of a count model with random terms, and its analytic gradient.

Linear predictor: eta = offset + X beta + sum_k sigma_k Z_k u_k with u ~ N(0, I). The coefficients
v = (u_1, beta, u_2, ...) are at their joint mode; what is left,

    C(psi) = -loglik(eta) + u'u/2 + prior(beta) + log|H|/2,   H = B'WB + I,  B = [X, sigma_k Z_k],

is a function of psi = (sigma_1.., omega), omega^2 = alpha the NB2 dispersion. With beta among the
coefficients this is the restricted criterion (fixed columns integrated out too); with beta in the
offset it is the usual Laplace likelihood (Breslow and Clayton 1993; Pinheiro and Chao 2006).

Z_1, the term with most levels, is absorbed: its block of H is diagonal, so a season costs its
drivers and sessions, not its driver-at-meeting effects.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse, special

from pipeline.models.counts_family import (
    Array,
    DispersionSlopes,
    Pointwise,
    dispersion_slopes,
    evaluate_binomial,
    evaluate_log_link,
)

_MOST_STEPS = 100
_SMALLEST_DECREMENT = 1e-12


@dataclass(frozen=True)
class Model:
    """Frozen arrays of one fit.

    y, offset (n,); trials (n,) for the binomial, else None; R (n, m) dense or sparse: the fixed
    columns that are coefficients, then the random terms that are not absorbed, side by side;
    blocks: for each of those terms its slice of R; codes (n,) int, values (n,), levels q: the
    absorbed term, Z (n, q) its sparse design; places: where in psi the absorbed term and the
    others have their sigma, empty if there is no random term; log_f (n_fixed,): scale of the
    log-F(1,1) prior per fixed column, 0 for none.
    """

    y: Array
    offset: Array
    trials: Array | None
    dispersed: bool
    R: Any
    n_fixed: int
    blocks: tuple[slice, ...]
    codes: NDArray[np.intp]
    values: Array
    levels: int
    Z: Any
    places: tuple[int, ...]
    log_f: Array


@dataclass(frozen=True)
class Mode:
    """The joint mode at one psi: absorbed effects u (q,), other coefficients v (m,), eta (n,),
    the penalised minus log-likelihood there, whether Newton's steps got there, and how many."""

    u: Array
    v: Array
    eta: Array
    value: float
    converged: bool
    steps: int


@dataclass(frozen=True)
class Factor:
    """H by blocks: D = diag(d) (q,) of the absorbed term, C (q, m) beside it, and the Cholesky
    factor of the Schur complement S (m, m) of the rest."""

    d: Array
    C: Array
    S: tuple[Array, bool]

    @property
    def logdet(self) -> float:
        return float(np.sum(np.log(self.d)) + 2.0 * np.sum(np.log(np.diag(self.S[0]))))

    def solve(self, top: Array, rest: Array) -> tuple[Array, Array]:
        """H^-1 (top, rest) for vectors (q,), (m,)."""
        below = linalg.cho_solve(self.S, rest - self.C.T @ (top / self.d), check_finite=False)
        return (top - self.C @ below) / self.d, below

    def inverse_rest(self) -> Array:
        """The block of H^-1 that belongs to the columns of R, (m, m)."""
        return linalg.cho_solve(self.S, np.eye(self.C.shape[1]), check_finite=False)


@dataclass(frozen=True)
class Evaluation:
    """C(psi) and its gradient, with the mode, the factor and the rows' derivatives there."""

    value: float
    gradient: Array
    mode: Mode
    factor: Factor


def split(model: Model, psi: Array) -> tuple[float, Array, float]:
    """psi -> sigma of the absorbed term, scale of each column of R (m,), alpha."""
    scale = np.ones(model.R.shape[1])
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


def scale_rows(w: Array, R: Any) -> Any:
    return sparse.diags_array(w) @ R if sparse.issparse(R) else w[:, None] * R


def times(R: Any, dense: Array) -> Any:
    """R * dense, element by element."""
    return R.multiply(dense).tocsr() if sparse.issparse(R) else R * dense


def _sum_by_group(model: Model, per_row: Array) -> Array:
    """(n,) -> (q,) over the groups of the absorbed term."""
    return np.bincount(model.codes, per_row, model.levels).astype(np.float64)


def factorise(model: Model, w: Array, sigma: float, scale: Array, curvature: Array) -> Factor:
    """H at weights w (n,); curvature (n_fixed,) is the prior's."""
    wR = scale_rows(w, model.R)
    gram, beside = model.R.T @ wR, model.Z.T @ wR
    if sparse.issparse(gram):
        gram, beside = gram.toarray(), beside.toarray()
    squares = _sum_by_group(model, w * model.values**2)
    d = sigma**2 * squares + 1.0
    C = sigma * beside * scale
    S = scale[:, None] * gram * scale - C.T @ (C / d[:, None])
    ridge = np.ones(len(scale))
    ridge[: model.n_fixed] = curvature
    S[np.diag_indices_from(S)] += ridge
    return Factor(d, C, linalg.cho_factor(S, lower=True, check_finite=False))


def predictor(model: Model, sigma: float, scale: Array, u: Array, v: Array) -> Array:
    return model.offset + sigma * model.values * u[model.codes] + model.R @ (scale * v)


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
    here = _penalised(model, psi, u, v)
    steps, decrement = 0, np.inf
    while steps < _MOST_STEPS:
        du, dv, decrement = _newton_step(model, sigma, scale, here[2], u, v, held)
        if decrement < _SMALLEST_DECREMENT:
            break
        size, there = _halve_until_lower(model, psi, u, v, du, dv, here[0])
        if size == 0.0:
            break
        u, v, here = u + size * du, v + size * dv, there
        steps += 1
    return Mode(u, v, here[1], here[0], bool(decrement < 1e-7), steps)


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
    curvature = log_f_prior(np.zeros(model.n_fixed), model.log_f)[2]
    factor = factorise(model, rows.weight, sigma, scale, curvature)
    top = sigma * _sum_by_group(model, model.values * pull)
    return factor.solve(top, scale * (model.R.T @ pull))


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
    u: Array,
    v: Array,
    held: tuple[Array, float] | None,
) -> tuple[Array, Array, float]:
    k = model.n_fixed
    _, slope, curvature, _ = log_f_prior(v[:k], model.log_f)
    top = sigma * _sum_by_group(model, model.values * rows.score) - u
    rest = scale * (model.R.T @ rows.score) - np.concatenate([slope, v[k:]])
    factor = factorise(model, rows.weight, sigma, scale, curvature)
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


def criterion(
    model: Model, psi: Array, start: Mode | None = None, X: Array | None = None
) -> Evaluation:
    """C(psi) and dC/dpsi, (len(psi),).

    X (n, p): fixed columns of which X beta is in the offset; dC/dbeta then comes before dC/dpsi.
    """
    sigma, scale, alpha = split(model, psi)
    mode = find_mode(model, psi, start)
    rows = pointwise(model, mode.eta, alpha)
    _, _, curvature, third = log_f_prior(mode.v[: model.n_fixed], model.log_f)
    factor = factorise(model, rows.weight, sigma, scale, curvature)
    slopes = _Gradient(model, psi, mode, rows, factor, third)
    gradient = slopes.psi_part()
    if X is not None:
        gradient = np.concatenate([slopes.beta_part(X), gradient])
    return Evaluation(mode.value + 0.5 * factor.logdet, gradient, mode, factor)


class _Gradient:
    """dC/dpsi by the chain rule through the mode: one adjoint solve for all of psi."""

    def __init__(
        self, model: Model, psi: Array, mode: Mode, rows: Pointwise, factor: Factor, third: Array
    ) -> None:
        self.model, self.psi, self.mode, self.rows, self.factor = model, psi, mode, rows, factor
        self.sigma, self.scale, self.alpha = split(model, psi)
        self._leverages()
        self._adjoint(third)

    def _leverages(self) -> None:
        """b_i' H^-1 b_i per row, and its share per term; b_i is row i of B."""
        model, factor = self.model, self.factor
        self.E = factor.inverse_rest()
        G = factor.C / factor.d[:, None]
        F = -G @ self.E
        corner = 1.0 / factor.d - np.einsum("ij,ij->i", F, G)
        own = (self.sigma * model.values)[:, None] * F[model.codes]
        self.shares = times(model.R, model.R @ (self.scale[:, None] * self.E) + own)
        beside = times(model.R, F[model.codes]) @ self.scale
        self.absorbed = model.values * (corner[model.codes] * self.sigma * model.values + beside)
        self.h = self.sigma * self.absorbed + self.shares @ self.scale

    def _adjoint(self, third: Array) -> None:
        model = self.model
        self.q = self.h * self.rows.weight_slope
        top = self.sigma * _sum_by_group(model, model.values * self.q)
        rest = self.scale * (model.R.T @ self.q)
        k = model.n_fixed
        rest[:k] += np.diag(self.E)[:k] * third
        self.a_top, self.a_rest = self.factor.solve(top, rest)
        self.Ba = self.sigma * model.values * self.a_top[model.codes] + model.R @ (
            self.scale * self.a_rest
        )

    def psi_part(self) -> Array:
        gradient = np.zeros(len(self.psi))
        if self.model.places:
            sigmas = [self._absorbed_term(), *(self._term(block) for block in self.model.blocks)]
            gradient[list(self.model.places)] = sigmas
        if self.model.dispersed:
            gradient[-1] = self._dispersion()
        return gradient

    def _absorbed_term(self) -> float:
        model = self.model
        t = model.values * self.mode.u[model.codes]
        moved = _sum_by_group(model, model.values * self.rows.score)
        return self._sigma(t, float(self.a_top @ moved), self.absorbed)

    def _term(self, block: slice) -> float:
        columns = self.model.R[:, block]
        moved = float(self.a_rest[block] @ (columns.T @ self.rows.score))
        share = np.asarray(self.shares[:, block].sum(axis=1)).ravel()
        return self._sigma(columns @ self.mode.v[block], moved, share)

    def _sigma(self, t: Array, moved: float, share: Array) -> float:
        """t: the term's effect per row at sigma = 1; moved: a'(dB/dsigma)' score."""
        w, score = self.rows.weight, self.rows.score
        through_mode = self.q @ t + moved - (w * t) @ self.Ba
        return float(-score @ t + w @ share + 0.5 * through_mode)

    def _dispersion(self) -> float:
        slopes: DispersionSlopes = dispersion_slopes(self.model.y, self.mode.eta, self.alpha)
        through_mode = slopes.score @ self.Ba
        d_alpha = -slopes.loglik + 0.5 * (self.h @ slopes.weight + through_mode)
        return float(2.0 * self.psi[-1] * d_alpha)

    def beta_part(self, X: Array) -> Array:
        """dC/dbeta where X beta is in the offset, (p,)."""
        w, score = self.rows.weight, self.rows.score
        return -X.T @ score + 0.5 * (X.T @ (self.q - w * self.Ba))
