"""The Laplace criterion against an obvious dense twin, and its gradient against differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from pipeline.models.counts import build_model, fit_counts
from pipeline.models.counts_family import (
    dispersion_slopes,
    evaluate_binomial,
    evaluate_log_link,
)
from pipeline.models.counts_laplace import criterion
from pipeline.models.counts_rows import CountRows, Deviations, RandomTerm

PSI = np.array([0.5, 0.3, 0.7])


def season(seed: int = 0, binomial: bool = False, runs: int = 60) -> CountRows:
    """Drivers, a slope by meeting, and a level that half of the runs have."""
    rng = np.random.default_rng(seed)
    driver, meeting = rng.integers(0, 5, runs), rng.integers(0, 3, runs)
    level = rng.integers(0, 2, runs).astype(float)
    laps = rng.integers(10, 25, runs).astype(float)
    mean = laps * np.exp(-3.0 + 0.5 * rng.normal(size=5)[driver] + 0.3 * level)
    X = np.column_stack([np.ones(runs), level, rng.normal(size=runs)])
    terms = (RandomTerm(driver), RandomTerm(meeting, level))
    if binomial:
        return CountRows(rng.binomial(20, 0.2, runs), X, trials=np.full(runs, 20), terms=terms)
    return CountRows(rng.poisson(mean), X, exposure=laps, terms=terms)


def dense_criterion(rows: CountRows, family: str, psi: np.ndarray, scale: np.ndarray) -> float:
    """Minimise over all coefficients at once; the determinant of a numerical Hessian."""
    sigma = psi[: len(rows.terms)]
    alpha = psi[-1] ** 2
    designs = []
    for term, sd in zip(rows.terms, sigma, strict=True):
        values = np.ones(len(rows.y)) if term.values is None else term.values
        designs.append(sd * values[:, None] * np.eye(term.codes.max() + 1)[term.codes])
    B, p = np.hstack([rows.X, *designs]), rows.X.shape[1]
    offset = 0.0 if rows.exposure is None else np.log(rows.exposure)

    def loglik(eta: np.ndarray) -> float:
        if family == "binomial":
            return float(stats.binom.logpmf(rows.y, rows.trials, 1 / (1 + np.exp(-eta))).sum())
        if family == "poisson":
            return float(stats.poisson.logpmf(rows.y, np.exp(eta)).sum())
        share = 1 / (1 + alpha * np.exp(eta))
        return float(stats.nbinom.logpmf(rows.y, 1 / alpha, share).sum())

    def target(v: np.ndarray) -> float:
        x = scale * v[:p]
        prior = np.sum(np.log1p(np.exp(x)) - x / 2 - np.log(2))
        return float(-loglik(offset + B @ v) + v[p:] @ v[p:] / 2 + prior)

    start = np.zeros(B.shape[1])
    start[0] = np.log((rows.y + 0.1).mean()) - np.mean(offset)
    found = optimize.minimize(target, start, method="BFGS", options={"gtol": 1e-6})
    return target(found.x) + 0.5 * np.linalg.slogdet(numerical_hessian(target, found.x))[1]


def numerical_hessian(f, x: np.ndarray, h: float = 1e-3) -> np.ndarray:
    steps = h * np.eye(len(x))
    return np.array(
        [
            [
                (f(x + a + b) - f(x + a - b) - f(x - a + b) + f(x - a - b)) / (4 * h * h)
                for b in steps
            ]
            for a in steps
        ]
    )


@pytest.mark.parametrize("family", ["poisson", "nb2", "binomial"])
def test_criterion_is_the_dense_one(family: str) -> None:
    rows = season(binomial=family == "binomial")
    log_f = np.array([0.0, 1.0, 0.0])
    psi = PSI if family == "nb2" else PSI[:2]
    ours = criterion(build_model(rows, family, log_f), psi).value
    assert ours == pytest.approx(dense_criterion(rows, family, psi, log_f), abs=1e-4)


@pytest.mark.parametrize("family", ["poisson", "nb2", "binomial"])
@pytest.mark.parametrize("varies", [False, True])
def test_gradient_is_that_of_differences(family: str, varies: bool) -> None:
    """With the slope absorbed, and with it among the coefficients."""
    rows = season(1, binomial=family == "binomial")
    if varies:
        slopes = Deviations(rows.terms[1].design())
        rows = replace(rows, terms=rows.terms[:1], varying=(slopes,))
    model = build_model(rows, family, np.array([0.0, 1.0, 2.0]))
    psi = PSI if family == "nb2" else PSI[:2]
    steps = 1e-4 * np.eye(len(psi))
    wanted = [
        (criterion(model, psi + s).value - criterion(model, psi - s).value) / 2e-4 for s in steps
    ]
    np.testing.assert_allclose(criterion(model, psi).gradient, wanted, atol=1e-5)


def test_gradient_in_fixed_columns_of_the_plain_likelihood() -> None:
    rows = season(2)
    model = build_model(rows, "nb2", np.zeros(3), restricted=False)
    beta, steps = np.array([-2.5, 0.2, 0.1]), 1e-4 * np.eye(3)

    def at(beta: np.ndarray) -> float:
        moved = replace(model, offset=model.offset + rows.X @ beta)
        return criterion(moved, PSI).value

    here = replace(model, offset=model.offset + rows.X @ beta)
    wanted = [(at(beta + s) - at(beta - s)) / 2e-4 for s in steps]
    np.testing.assert_allclose(criterion(here, PSI, None, rows.X).gradient[:3], wanted, atol=1e-5)


@pytest.mark.parametrize("alpha", [0.0, 1e-8, 0.3, 2.0])
def test_log_link_derivatives(alpha: float) -> None:
    """Score, weight and slope of the weight by differences; likelihood against scipy's."""
    y, eta = np.array([0.0, 1.0, 3.0, 40.0]), np.array([-3.0, 0.5, 0.0, 3.0])
    here = evaluate_log_link(y, eta, alpha)
    if alpha < 1e-6:
        wanted = stats.poisson.logpmf(y, np.exp(eta)).sum()
    else:
        wanted = stats.nbinom.logpmf(y, 1 / alpha, 1 / (1 + alpha * np.exp(eta))).sum()
    assert here.loglik == pytest.approx(wanted, abs=1e-5)
    up, down = (evaluate_log_link(y, eta + s, alpha) for s in (1e-5, -1e-5))
    np.testing.assert_allclose((up.score - down.score) / -2e-5, here.weight, atol=1e-7)
    np.testing.assert_allclose((up.weight - down.weight) / 2e-5, here.weight_slope, atol=1e-7)
    assert (up.loglik - down.loglik) / 2e-5 == pytest.approx(here.score.sum(), abs=1e-6)


@pytest.mark.parametrize("alpha", [1e-4, 0.3, 2.0])
def test_dispersion_slopes(alpha: float) -> None:
    y, eta = np.array([0.0, 1.0, 3.0, 40.0]), np.array([-3.0, 0.5, 0.0, 3.0])
    h = 1e-3 * alpha
    here = dispersion_slopes(y, eta, alpha)
    up, down = (evaluate_log_link(y, eta, alpha + s) for s in (h, -h))
    assert here.loglik == pytest.approx((up.loglik - down.loglik) / (2 * h), rel=1e-4)
    np.testing.assert_allclose(here.score, (up.score - down.score) / (2 * h), rtol=1e-4, atol=1e-9)
    np.testing.assert_allclose(
        here.weight, (up.weight - down.weight) / (2 * h), rtol=1e-4, atol=1e-9
    )


def test_binomial_likelihood() -> None:
    y, eta, trials = np.array([0.0, 3.0]), np.array([-1.0, 0.4]), np.array([5.0, 4.0])
    here = evaluate_binomial(y, eta, trials)
    assert here.loglik == pytest.approx(stats.binom.logpmf(y, trials, 1 / (1 + np.exp(-eta))).sum())


def test_order_of_terms_and_rows_does_not_matter() -> None:
    rows = season(3)
    shuffled = np.random.default_rng(0).permutation(len(rows.y))
    terms = tuple(
        RandomTerm(t.codes[shuffled], None if t.values is None else t.values[shuffled])
        for t in reversed(rows.terms)
    )
    other = CountRows(rows.y[shuffled], rows.X[shuffled], rows.exposure[shuffled], terms=terms)
    one, two = fit_counts(rows), fit_counts(other)
    np.testing.assert_allclose(one.beta, two.beta, atol=1e-5)
    np.testing.assert_allclose(one.sigma, two.sigma[::-1], atol=1e-4)
    np.testing.assert_allclose(one.cov_beta, two.cov_beta, atol=1e-5)
