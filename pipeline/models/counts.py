"""Generalised linear mixed models for counts: incidents a lap, with few drivers or a season.

fit = fit_counts(CountRows(y, X, exposure=laps, terms=(RandomTerm(driver),)), "nb2")
fit_interval(fit, L)       # in counts_interval: a log ratio with its t interval
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

from pipeline.models.counts_columns import Columns, DenseColumns
from pipeline.models.counts_family import FAMILIES, Array
from pipeline.models.counts_grouped import grouped_columns
from pipeline.models.counts_laplace import Evaluation, criterion
from pipeline.models.counts_mode import Mode, Model, log_f_prior
from pipeline.models.counts_optimise import Optimum, SdPrior, minimise

# A deviation of 0.1 % of the rate, on the log scale: nobody can tell it from none.
_AT_ZERO = 1e-3
# By measurement: without it, the dispersion of 16 runs is too often taken for zero (table in
# tests/models/counts_days.py).
SD_PRIOR = SdPrior(exponent=0.5, scale=1.0)
# Cells of the absorbed term's design up to which dense algebra is the quicker.
_DENSE_UP_TO = 60_000


@dataclass(frozen=True)
class RandomTerm:
    """Effects N(0, sigma^2), one per group: codes (n,) whole numbers from 0; values (n,) makes
    it a random slope of that column."""

    codes: NDArray[np.intp]
    values: Array | None = None


@dataclass(frozen=True)
class CountRows:
    """One row a run. y (n,) whole counts; X (n, p) fixed columns with the constant among them;
    exposure (n,) laps, the log of which is the offset; trials (n,) for the binomial; terms: the
    random terms. ValueError where these do not fit together."""

    y: Array
    X: Array
    exposure: Array | None = None
    trials: Array | None = None
    terms: tuple[RandomTerm, ...] = ()

    def __post_init__(self) -> None:
        for name in ("y", "X", "exposure", "trials"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, np.asarray(getattr(self, name), float))
        if self.X.shape[:1] != self.y.shape or not len(self.y):
            raise ValueError(f"y has shape {self.y.shape} and X {self.X.shape}")
        self._check_counts()
        if not np.isfinite(self.X).all() or np.linalg.matrix_rank(self.X) < self.X.shape[1]:
            raise ValueError("a fixed column is not finite, or a combination of the others")
        if any(np.shape(term.codes) != self.y.shape for term in self.terms):
            raise ValueError("a random term needs one code a row")

    def _check_counts(self) -> None:
        if not (self.y >= 0).all() or (self.y != np.floor(self.y)).any():
            raise ValueError("counts must be whole and not negative")
        if self.exposure is not None and not (self.exposure > 0).all():
            raise ValueError("exposure must be above zero in every row")
        if self.trials is not None and (self.y > self.trials).any():
            raise ValueError("more successes than trials")


@dataclass(frozen=True)
class CountFit:
    """A complete fit.

    beta (p,), cov_beta (p, p); sigma: SD of each random term, on the log (or logit) scale, in
    the order of the terms; alpha: NB2 dispersion (variance mu + alpha mu^2), 0 for the others;
    at_zero: for each of sigma (and sqrt alpha); loglik: Laplace log-likelihood, restricted if
    `restricted`; psi_cov (k, k) covariance of (sigma.., sqrt alpha), and cov_slopes (k, p, p)
    the derivatives of cov_beta in these, of which Satterthwaite degrees of freedom are made;
    gradient: largest entry of the criterion's, where it ended.
    """

    beta: Array
    cov_beta: Array
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
    cov_slopes: Array = field(repr=False)
    model: Model = field(repr=False)
    mode: Mode = field(repr=False)


def fit_counts(
    rows: CountRows,
    family: str = "nb2",
    restricted: bool = True,
    penalised: NDArray[np.bool_] | None = None,
    sd_prior: SdPrior | None = SD_PRIOR,
    start: Array | None = None,
) -> CountFit:
    """Fit by the Laplace approximation.

    family: poisson or nb2 (log link), binomial (logit). restricted: fixed columns integrated
    out too, which is to a GLMM what REML is to a linear one; False gives the plain likelihood,
    without priors unless `penalised` says so. penalised (p,): columns with a log-F(1,1) prior
    on their effect over the column's range; default: all but the constant. sd_prior: on each
    SD and on sqrt alpha; None for none. start: the psi of a fit of the same terms, where there
    is one. ValueError where no event was counted at all.
    """
    if family not in FAMILIES:
        raise ValueError(f"family {family!r} is not one of {', '.join(FAMILIES)}")
    if not rows.y.any():
        raise ValueError("no event in any row: there is nothing to compare")
    if penalised is None:
        penalised = np.ptp(rows.X, axis=0) > 0 if restricted else np.zeros(rows.X.shape[1], bool)
    log_f = np.where(penalised, np.ptp(rows.X, axis=0), 0.0)
    inner = build_model(rows, family, log_f)
    fit = _fit_restricted(inner, family, sd_prior if restricted else None, start)
    return fit if restricted else _fit_plain(rows, family, log_f, fit)


def build_model(rows: CountRows, family: str, log_f: Array, restricted: bool = True) -> Model:
    """The arrays of the Laplace criterion; the term with most levels is absorbed."""
    levels = [int(np.max(term.codes)) + 1 for term in rows.terms]
    places = tuple(int(k) for k in np.argsort(levels, kind="stable")[::-1])
    fixed = rows.X if restricted else rows.X[:, :0]
    ends = np.cumsum([fixed.shape[1], *(levels[k] for k in places[1:])])
    n = len(rows.y)
    absorbed = rows.terms[places[0]] if places else RandomTerm(np.zeros(n, np.intp), np.zeros(n))
    return Model(
        y=rows.y,
        offset=np.zeros(n) if rows.exposure is None else np.log(rows.exposure),
        trials=_trials(rows, family),
        dispersed=family == "nb2",
        columns=_columns(fixed, absorbed, [rows.terms[k] for k in places[1:]]),
        n_fixed=fixed.shape[1],
        blocks=tuple(slice(a, b) for a, b in pairwise(ends)),
        codes=np.asarray(absorbed.codes, np.intp),
        values=_values(absorbed),
        levels=levels[places[0]] if places else 1,
        places=places,
        log_f=log_f if restricted else log_f[:0],
    )


def _columns(fixed: Array, absorbed: RandomTerm, others: Sequence[RandomTerm]) -> Columns:
    """Grouped where that can be and is the quicker."""
    codes, values = np.asarray(absorbed.codes, np.intp), _values(absorbed)
    levels = int(codes.max()) + 1
    if len(codes) * levels > _DENSE_UP_TO and all(term.values is None for term in others):
        intercepts = [(np.asarray(t.codes, np.intp), int(np.max(t.codes)) + 1) for t in others]
        grouped = grouped_columns(fixed, intercepts, codes, values, levels)
        if grouped is not None:
            return grouped
    R = np.hstack([fixed, *(_design(term).toarray() for term in others)])
    Z = _design(absorbed)
    return DenseColumns(R, Z if np.prod(Z.shape) > _DENSE_UP_TO else Z.toarray(), codes, values)


def _design(term: RandomTerm) -> sparse.csr_array:
    n = len(term.codes)
    shape = (n, int(np.max(term.codes)) + 1)
    return sparse.csr_array((_values(term), (np.arange(n), term.codes)), shape=shape)


def _values(term: RandomTerm) -> Array:
    if term.values is None:
        return np.ones(len(term.codes))
    return np.asarray(term.values, float)


def _trials(rows: CountRows, family: str) -> Array | None:
    if family != "binomial":
        return None
    if rows.trials is None:
        raise ValueError("the binomial needs trials")
    return rows.trials


def _fit_restricted(
    model: Model, family: str, sd_prior: SdPrior | None, start: Array | None
) -> CountFit:
    def evaluate(psi: Array, mode: Mode | None) -> Evaluation:
        return criterion(model, psi, mode)

    k = model.n_fixed
    if start is None:
        start = np.full(len(model.places) + model.dispersed, 0.4)
    found = minimise(evaluate, start, 0, sd_prior)
    cov = found.evaluation.mode.factor.inverse_rest()[:k, :k]
    beta = found.evaluation.mode.v[:k]
    return _pack(model, family, found, beta, cov, _inverse(found.hessian))


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
    found = replace(found, x=found.x[p:], cov_slopes=np.zeros((len(found.x) - p, p, p)))
    return _pack(at(beta), family, found, beta, cov[:p, :p], cov[p:, p:])


def _pack(
    model: Model, family: str, found: Optimum, beta: Array, cov: Array, psi_cov: Array
) -> CountFit:
    p, psi = len(beta), found.x
    settled = found.settled
    return CountFit(
        beta=beta,
        cov_beta=cov,
        sigma=tuple(float(sigma) for sigma in psi[: len(model.places)]),
        alpha=float(psi[-1] ** 2) if model.dispersed else 0.0,
        at_zero=tuple(bool(sd < _AT_ZERO) for sd in psi),
        loglik=0.5 * model.n_fixed * float(np.log(2.0 * np.pi)) - found.evaluation.value,
        restricted=bool(model.n_fixed),
        family=family,
        n_rows=len(model.y),
        evaluations=found.evaluations,
        gradient=float(np.max(np.abs(found.gradient), initial=0.0)),
        converged=settled,
        message="" if settled else "the SDs of the count model did not settle",
        psi=psi,
        psi_cov=psi_cov,
        cov_slopes=found.cov_slopes[:, :p, :p],
        model=model,
        mode=found.evaluation.mode,
    )


def _inverse(hessian: Array) -> Array:
    """Of the curved directions alone: an SD at zero that the data do not hold has none."""
    return np.asarray(linalg.pinvh(hessian, atol=1e-8)) if len(hessian) else hessian
