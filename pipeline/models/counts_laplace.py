"""The Laplace approximation of a count model with random terms, and its analytic gradient.

Linear predictor: eta = offset + X beta + sum_k sigma_k Z_k u_k with u ~ N(0, I). The coefficients
v = (u_1, beta, u_2, ...) are at their joint mode; what is left,

    C(psi) = -loglik(eta) + u'u/2 + prior(beta) + log|H|/2,   H = B'WB + I,  B = [X, sigma_k Z_k],

is a function of psi = (sigma_1.., omega), omega^2 = alpha the NB2 dispersion. With beta among the
coefficients this is the restricted criterion (fixed columns integrated out too); with beta in the
offset it is the usual Laplace likelihood (Breslow and Clayton 1993; Pinheiro and Chao 2006).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.models.counts_family import Array, DispersionSlopes, dispersion_slopes
from pipeline.models.counts_mode import (
    Mode,
    Model,
    find_mode,
    log_f_prior,
    split,
    sum_by_group,
)


@dataclass(frozen=True)
class Evaluation:
    """C(psi), its gradient, the mode, and the scale of each column of R (m,) at psi."""

    value: float
    gradient: Array
    mode: Mode
    scale: Array

    def coefficients(self, first: int) -> Array:
        """Of the first columns of R, (first,)."""
        return (self.scale * self.mode.v)[:first]

    def covariance(self, first: int) -> Array:
        """Of these coefficients at given psi, (first, first)."""
        own = self.scale[:first]
        inverse = self.mode.factor.inverse_rest[:first, :first]
        return np.asarray(own[:, None] * inverse * own)


def criterion(
    model: Model, psi: Array, start: Mode | None = None, X: Array | None = None
) -> Evaluation:
    """C(psi) and dC/dpsi, (len(psi),).

    X (n, p): fixed columns of which X beta is in the offset; dC/dbeta then comes before dC/dpsi.
    """
    mode = find_mode(model, psi, start)
    slopes = _Gradient(model, psi, mode)
    gradient = slopes.psi_part()
    if X is not None:
        gradient = np.concatenate([slopes.beta_part(X), gradient])
    return Evaluation(mode.value + 0.5 * mode.factor.logdet, gradient, mode, slopes.scale)


class _Gradient:
    """dC/dpsi by the chain rule through the mode: one adjoint solve for all of psi."""

    def __init__(self, model: Model, psi: Array, mode: Mode) -> None:
        self.model, self.psi, self.mode, self.rows = model, psi, mode, mode.rows
        self.sigma, self.scale, self.alpha = split(model, psi)
        self.h = model.columns.leverages(mode.factor, self.sigma, self.scale)
        self.inverse = np.diag(mode.factor.inverse_rest)
        self._adjoint()

    def _adjoint(self) -> None:
        model = self.model
        self.q = self.h * self.rows.weight_slope
        top = self.sigma * sum_by_group(model, model.values * self.q)
        rest = self.scale * model.columns.back(self.q)
        k = model.n_fixed
        third = log_f_prior(self.mode.v[:k], model.log_f)[3]
        rest[:k] += self.inverse[:k] * third
        self.a_top, self.a_rest = self.mode.factor.solve(top, rest)
        self.Ba = self.sigma * model.values * self.a_top[model.codes]
        self.Ba += model.columns.at(self.scale * self.a_rest)

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
        moved = sum_by_group(model, model.values * self.rows.score)
        inverse = self.mode.factor.inverse_absorbed
        return self._sigma(t, float(self.a_top @ moved), _leverage(self.sigma, inverse))

    def _term(self, block: slice) -> float:
        columns = self.model.columns
        inside = np.zeros(columns.width)
        inside[block] = 1.0
        moved = float((inside * self.a_rest) @ columns.back(self.rows.score))
        sigma = float(self.scale[block][0])
        leverage = _leverage(sigma, self.inverse[block])
        return self._sigma(columns.at(inside * self.mode.v), moved, leverage)

    def _sigma(self, t: Array, moved: float, leverage: float) -> float:
        """t: the term's effect per row at sigma = 1; moved: a'(dB/dsigma)' score."""
        w, score = self.rows.weight, self.rows.score
        through_mode = self.q @ t + moved - (w * t) @ self.Ba
        return float(-score @ t + leverage + 0.5 * through_mode)

    def _dispersion(self) -> float:
        slopes: DispersionSlopes = dispersion_slopes(self.model.y, self.mode.eta, self.alpha)
        through_mode = slopes.score @ self.Ba
        d_alpha = -slopes.loglik + 0.5 * (self.h @ slopes.weight + through_mode)
        return float(2.0 * self.psi[-1] * d_alpha)

    def beta_part(self, X: Array) -> Array:
        """dC/dbeta where X beta is in the offset, (p,)."""
        w, score = self.rows.weight, self.rows.score
        return -X.T @ score + 0.5 * (X.T @ (self.q - w * self.Ba))


def _leverage(sigma: float, inverse: Array) -> float:
    """Half of d log|H| / d sigma at fixed weights: tr(I - H^-1) / sigma over a term's part of H^-1,
    of which this is the diagonal, since B'WB = H - I there."""
    return float(np.sum(1.0 - inverse) / sigma) if sigma else 0.0
