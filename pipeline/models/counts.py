"""Generalised linear mixed models for counts: incidents a lap, with few drivers or a season.

fit = fit_counts(CountRows(y, X, exposure=laps, terms=(RandomTerm(driver),)), "nb2")
fit_interval(fit, L)       # in counts_interval: a log ratio with its t interval
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

from pipeline.models.counts_columns import Columns
from pipeline.models.counts_family import FAMILIES, Array
from pipeline.models.counts_laplace import Evaluation, criterion
from pipeline.models.counts_limits import without_limit
from pipeline.models.counts_mode import Mode, Model, log_f_prior
from pipeline.models.counts_optimise import LogNormalSd, Optimum, SdPrior, minimise
from pipeline.models.counts_rows import CountRows, RandomTerm

# A deviation of 0.1 % of the rate, on the log scale: nobody can tell it from none.
_AT_ZERO = 1e-3
# By measurement: without it, the dispersion of 16 runs is too often taken for zero (table in
# tests/models/counts_days.py).
SD_PRIOR = SdPrior(exponent=0.5, scale=1.0)
# How much a log ratio differs between meetings. TODO
VARYING_PRIOR = LogNormalSd(median=0.25, log_sd=1.0)


@dataclass(frozen=True)
class CountFit:
    """A complete fit.

    coefficients (c,): the p fixed columns', then all deviations; cov_given (c, c): their
    covariance at given SDs; names, sigma: of each random term and set of deviations, and its SD on
    the log (or logit) scale; alpha: NB2 dispersion (variance mu + alpha mu^2), 0 for the others;
    at_zero: for each of sigma (and sqrt alpha); loglik: Laplace log-likelihood, restricted if
    `restricted`; psi (k,): (sigma.., sqrt alpha), psi_cov (k, k) its covariance; slopes (c, k),
    cov_slopes (k, c, c): derivatives of coefficients and cov_given in psi; gradient: largest entry
    of the criterion's, where it ended.
    """

    coefficients: Array
    cov_given: Array
    n_fixed: int
    names: tuple[str, ...]
    sigma: tuple[float, ...]
    alpha: float
    at_zero: tuple[bool, ...]
    loglik: float
    restricted: bool
    family: str
    n_rows: int
    evaluations: int
    gradient: float
    converged: bool
    message: str
    psi: Array = field(repr=False)
    psi_cov: Array = field(repr=False)
    slopes: Array = field(repr=False)
    cov_slopes: Array = field(repr=False)
    model: Model = field(repr=False)
    mode: Mode = field(repr=False)

    @property
    def beta(self) -> Array:
        """The fixed columns' coefficients, (p,)."""
        return self.coefficients[: self.n_fixed]

    @cached_property
    def cov(self) -> Array:
        """Covariance of the coefficients, with what the SDs' own uncertainty adds: that of the
        joint Hessian (Kass and Steffey 1989, from memory), (c, c)."""
        return self.cov_given + self.slopes @ self.psi_cov @ self.slopes.T

    @property
    def cov_beta(self) -> Array:
        """The fixed columns' part of cov, (p, p)."""
        return self.cov[: self.n_fixed, : self.n_fixed]


def fit_counts(
    rows: CountRows,
    family: str = "nb2",
    restricted: bool = True,
    penalised: NDArray[np.bool_] | None = None,
    sd_prior: SdPrior | None = SD_PRIOR,
    start: CountFit | None = None,
) -> CountFit:
    """Fit by the Laplace approximation.

    family: poisson or nb2 (log link), binomial (logit). restricted: fixed columns integrated
    out too, which is to a GLMM what REML is to a linear one; False gives the plain likelihood,
    without priors unless `penalised` says so. penalised (p,): columns with a log-F(1,1) prior
    on their effect over the column's range; default: all but the constant. sd_prior: on each
    SD and on sqrt alpha; None for none. start: a fit of the same terms,
    where there is one. ValueError where no event was counted at all.
    """
    if family not in FAMILIES:
        raise ValueError(f"family {family!r} is not one of {', '.join(FAMILIES)}")
    if not rows.y.any():
        raise ValueError("no event in any row: there is nothing to compare")
    if penalised is None:
        penalised = np.ptp(rows.X, axis=0) > 0 if restricted else np.zeros(rows.X.shape[1], bool)
    log_f = np.where(penalised, np.ptp(rows.X, axis=0), 0.0)
    fit = _fit_restricted(rows, family, log_f, sd_prior if restricted else None, start)
    return _limited(rows, log_f, fit if restricted else _fit_plain(rows, family, log_f, fit))


def _limited(rows: CountRows, log_f: Array, fit: CountFit) -> CountFit:
    """The fit; not converged where an effect without a prior has no limit."""
    free = np.flatnonzero(log_f == 0.0)
    if not np.ptp(rows.X[:, free], axis=0).any():
        return fit
    endless = free[without_limit(rows.X[:, free], rows.y, rows.trials)]
    if not len(endless):
        return fit
    named = ", ".join(map(str, endless))
    message = f"no event in some level: the effect of column {named} has no limit"
    return replace(fit, converged=False, message=message)


def build_model(rows: CountRows, family: str, log_f: Array, restricted: bool = True) -> Model:
    """The arrays of the Laplace criterion; the term with most levels is absorbed."""
    n, first = len(rows.y), len(rows.terms)
    by_levels = sorted(range(first), key=lambda k: -rows.terms[k].levels)
    absorbed = RandomTerm(np.zeros(n, np.intp), np.zeros(n))
    if by_levels:
        absorbed = rows.terms[by_levels[0]]
    others = [rows.terms[k] for k in by_levels[1:]]
    fixed = rows.X if restricted else rows.X[:, :0]
    parts = [*(one.columns for one in rows.varying), *(term.design() for term in others)]
    ends = np.cumsum([fixed.shape[1], *(part.shape[1] for part in parts)])
    codes = np.asarray(absorbed.codes, np.intp)
    values = np.ones(n) if absorbed.values is None else np.asarray(absorbed.values, float)
    R = sparse.hstack([sparse.csr_array(fixed), *parts], format="csr")
    varying = range(first, first + len(rows.varying))
    return Model(
        y=rows.y,
        offset=np.zeros(n) if rows.exposure is None else np.log(rows.exposure),
        trials=_trials(rows, family),
        family=family,
        names=(*(term.name for term in rows.terms), *(one.name for one in rows.varying)),
        columns=Columns.of(R, codes, values, absorbed.levels),
        n_fixed=fixed.shape[1],
        blocks=tuple(slice(a, b) for a, b in pairwise(ends)),
        codes=codes,
        values=values,
        levels=absorbed.levels,
        places=(*by_levels[:1], *varying, *by_levels[1:]),
        log_f=log_f if restricted else log_f[:0],
    )


def _trials(rows: CountRows, family: str) -> Array | None:
    if family != "binomial":
        return None
    if rows.trials is None:
        raise ValueError("the binomial needs trials")
    return rows.trials


def _fit_restricted(
    rows: CountRows, family: str, log_f: Array, sd_prior: SdPrior | None, start: CountFit | None
) -> CountFit:
    model = build_model(rows, family, log_f)

    def evaluate(psi: Array, mode: Mode | None) -> Evaluation:
        return criterion(model, psi, mode)

    first, unit = np.full(len(model.places) + model.dispersed, 0.4), None
    if start is not None:
        first, unit = start.psi, np.sqrt(np.diag(start.psi_cov)).clip(1e-3)
    priors = None
    if sd_prior is not None:
        priors = [sd_prior] * len(rows.terms) + [VARYING_PRIOR] * len(rows.varying)
        priors += [sd_prior] * model.dispersed
    kept = model.n_fixed + sum(one.levels for one in rows.varying)
    found = minimise(evaluate, first, 0, priors, kept, unit)
    here = found.evaluation
    cov = here.covariance(kept)
    return _pack(model, found, here.coefficients(kept), cov, _inverse(found.hessian))


def _fit_plain(rows: CountRows, family: str, log_f: Array, start: CountFit) -> CountFit:
    model = build_model(rows, family, log_f, restricted=False)
    p, X = rows.X.shape[1], rows.X

    def at(beta: Array) -> Model:
        return replace(model, offset=model.offset + X @ beta)

    def evaluate(x: Array, mode: Mode | None) -> Evaluation:
        prior, slope, _, _ = log_f_prior(x[:p], log_f)
        here = criterion(at(x[:p]), x[p:], mode, X)
        gradient = here.gradient + np.concatenate([slope, np.zeros(len(x) - p)])
        return replace(here, value=here.value + prior, gradient=gradient)

    found = minimise(evaluate, np.concatenate([start.beta, start.psi]), p)
    cov, beta = _inverse(found.hessian), found.x[:p]
    # The inverse of the joint Hessian holds already what the SDs' uncertainty adds.
    nothing = np.zeros((p, len(found.x) - p)), np.zeros((len(found.x) - p, p, p))
    found = replace(found, x=found.x[p:], slopes=nothing[0], cov_slopes=nothing[1])
    return _pack(at(beta), found, beta, cov[:p, :p], cov[p:, p:])


def _pack(
    model: Model, found: Optimum, coefficients: Array, cov: Array, psi_cov: Array
) -> CountFit:
    psi, settled = found.x, found.settled
    return CountFit(
        coefficients=coefficients,
        cov_given=cov,
        n_fixed=model.n_fixed or len(coefficients),
        names=model.names,
        sigma=tuple(float(sigma) for sigma in psi[: len(model.places)]),
        alpha=float(psi[-1] ** 2) if model.dispersed else 0.0,
        at_zero=tuple(bool(sd < _AT_ZERO) for sd in psi),
        loglik=0.5 * model.n_fixed * float(np.log(2.0 * np.pi)) - found.evaluation.value,
        restricted=bool(model.n_fixed),
        family=model.family,
        n_rows=len(model.y),
        evaluations=found.evaluations,
        gradient=float(np.max(np.abs(found.gradient), initial=0.0)),
        converged=settled,
        message="" if settled else "the SDs of the count model did not settle",
        psi=psi,
        psi_cov=psi_cov,
        slopes=found.slopes,
        cov_slopes=found.cov_slopes,
        model=model,
        mode=found.evaluation.mode,
    )


def _inverse(hessian: Array) -> Array:
    """Of the curved directions alone: an SD at zero that the data do not hold has none."""
    return np.asarray(linalg.pinvh(hessian, atol=1e-8)) if len(hessian) else hessian
