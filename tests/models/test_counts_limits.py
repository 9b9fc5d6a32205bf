"""The plain likelihood: signs, variances at zero, effects without a limit; priors of SDs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from pipeline.models.counts import fit_counts
from pipeline.models.counts_limits import without_limit
from pipeline.models.counts_optimise import LogNormalSd, SdPrior
from pipeline.models.counts_rows import CountRows, Deviations, RandomTerm


def alike(seed: int = 0, cars: int = 12, runs: int = 10) -> CountRows:
    """Cars that do not differ: each has the same counts in another order."""
    rng = np.random.default_rng(seed)
    level = np.repeat([0.0, 1.0], runs // 2)
    y = np.concatenate([rng.permutation([0, 1, 0, 2, 1, 3, 1, 2, 2, 4]) for _ in range(cars)])
    X = np.column_stack([np.ones(cars * runs), np.tile(level, cars)])
    laps = np.full(cars * runs, 20.0)
    return CountRows(y, X, exposure=laps, terms=(RandomTerm(np.repeat(np.arange(cars), runs)),))


def test_coefficients_keep_their_sign_where_a_variance_is_zero() -> None:
    """At an SD of zero the model is a Poisson regression, and so are its errors: statsmodels."""
    rows = alike()
    fit = fit_counts(rows, "poisson", restricted=False)
    assert fit.at_zero == (True,)
    assert fit.beta[0] < -2
    other = sm.GLM(rows.y, rows.X, sm.families.Poisson(), exposure=rows.exposure).fit()
    np.testing.assert_allclose(fit.beta, other.params, rtol=1e-6)
    np.testing.assert_allclose(fit.cov_beta, other.cov_params(), rtol=1e-4)
    assert fit.converged


@pytest.mark.parametrize("reference", [False, True], ids=["level", "reference"])
def test_a_level_without_event_is_said(reference: bool) -> None:
    rows = alike()
    empty = (rows.X[:, 1] == 0) if reference else (rows.X[:, 1] == 1)
    rows = CountRows(np.where(empty, 0, rows.y), rows.X, rows.exposure, terms=rows.terms)
    fit = fit_counts(rows, "poisson", restricted=False)
    assert not fit.converged
    assert "has no limit" in fit.message
    held = fit_counts(rows)
    assert held.converged and np.isfinite(held.cov).all()
    assert abs(held.beta[1]) < 10


def endless(X: np.ndarray, y: np.ndarray, trials: np.ndarray | None) -> bool:
    """Does the likelihood rise on and on? By following it for a long way."""

    def minus(beta: np.ndarray) -> float:
        eta = np.clip(X @ beta, -500, 500)
        if trials is None:
            return float(np.exp(eta).sum() - y @ eta)
        return float(trials @ np.logaddexp(0, eta) - y @ eta)

    far = optimize.minimize(minus, np.zeros(X.shape[1]), bounds=[(-60, 60)] * X.shape[1])
    return bool(np.abs(far.x).max() > 12)


@pytest.mark.parametrize("binomial", [False, True])
@pytest.mark.parametrize("seed", range(25))
def test_what_has_no_limit_is_what_a_long_walk_finds(seed: int, binomial: bool) -> None:
    rng = np.random.default_rng(seed)
    level = rng.integers(0, 4, 24)
    X = np.column_stack([np.ones(24), *(level == k for k in (1, 2, 3)), rng.integers(0, 2, 24)])
    mean = np.where(level == rng.integers(0, 6), 0.0, rng.uniform(0.1, 1.5))
    trials = np.full(24, 3) if binomial else None
    y = rng.binomial(3, np.minimum(mean, 1.0)) if binomial else rng.poisson(mean)
    X = X[:, [j for j in range(5) if X[:, j].any()]].astype(float)
    assert bool(len(without_limit(X, y, trials))) == endless(X, y, trials)


def test_the_columns_without_limit_are_named() -> None:
    level = np.repeat([0, 1, 2], 4)
    X = np.column_stack([np.ones(12), level == 1, level == 2]).astype(float)
    assert list(without_limit(X, np.where(level == 2, 0, 1))) == [2]
    assert list(without_limit(X, np.where(level == 0, 0, 1))) == [0, 1, 2]
    assert list(without_limit(X, np.ones(12))) == []


@pytest.mark.parametrize("prior", [LogNormalSd(0.25, 1.0), SdPrior(0.5, 1.0)])
def test_priors_are_their_densities(prior: LogNormalSd | SdPrior) -> None:
    """Up to a constant: the log-normal that of log SD, by scipy; the other by its formula."""
    sds = np.array([0.01, 0.2, 1.3])
    if isinstance(prior, LogNormalSd):
        wanted = -stats.norm.logpdf(np.log(sds), np.log(prior.median), prior.log_sd)
    else:
        wanted = -np.log(sds**prior.exponent * np.exp(-(sds**2) / 2))
    ours = np.array([prior.minus_log(sd)[0] for sd in sds])
    np.testing.assert_allclose(np.diff(ours), np.diff(wanted), rtol=1e-10)
    h = 1e-6
    slopes = [(prior.minus_log(s + h)[0] - prior.minus_log(s - h)[0]) / (2 * h) for s in sds]
    np.testing.assert_allclose([prior.minus_log(sd)[1] for sd in sds], slopes, rtol=1e-5)


def test_an_sd_with_a_log_normal_prior_alone_is_its_median() -> None:
    """Of one meeting, nothing is known of how meetings differ."""
    rows = alike(cars=3)
    slope = Deviations(RandomTerm(np.zeros(len(rows.y), int), rows.X[:, 1]).design())
    fit = fit_counts(replace(rows, varying=(slope,)))
    assert fit.sigma[1] == pytest.approx(0.25, abs=0.02)


def test_deviations_that_do_not_fit_are_refused() -> None:
    rows = alike()
    slopes = Deviations(RandomTerm(rows.terms[0].codes, rows.X[:, 1]).design())
    with pytest.raises(ValueError, match="beside them"):
        replace(rows, terms=(), varying=(slopes,))
    with pytest.raises(ValueError, match="one row a row"):
        replace(rows, varying=(Deviations(slopes.columns[:5]),))
