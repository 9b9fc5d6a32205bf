"""Penalised splines in the solver against mgcv (bs="ps", REML), computed with mgcv 1.8.41.

Tolerances: criterion 1e-4, coefficients 1e-5, standard errors 1e-4, effective degrees of
freedom 1e-3, variance of a smooth 1e-2 (its likelihood is flat).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from pipeline.models.engine.inference import contrast, contrasts
from pipeline.models.engine.solver import Fit, fit_rows
from tests.reference import problems, published

MAKERS = {
    "pspline_mcycle": problems.mcycle,
    "pspline_dietox_nested": problems.dietox,
    "pspline_wheat2_two_trends": problems.wheat,
}


@cache
def fitted(name: str) -> Fit:
    fit = fit_rows(problems.rows(MAKERS[name]()))
    assert fit.converged, fit.message
    return fit


def effective_df(fit: Fit, name: str) -> float:
    """1 for the straight line and the rest of the smooth: theta tr(P Z Z')."""
    place = fit.names.index(name)
    return 1 + float(fit.theta[place] * fit.state.traces[place])


@pytest.mark.parametrize("name", MAKERS)
def test_coefficients_errors_and_criterion(name: str) -> None:
    fit, values = fitted(name), published.values(name)
    assert fit.criterion == pytest.approx(values["minus2_restricted_loglik"], abs=1e-4)
    names = MAKERS[name]().names
    for term in set(values["coef"]) - {"(Intercept)"}:
        place = names.index(term)
        assert fit.beta[place] == pytest.approx(values["coef"][term], rel=1e-5)
        se = np.sqrt(fit.cov_beta[place, place])
        assert se == pytest.approx(values["se_bayesian"][term], rel=1e-4)


@pytest.mark.parametrize("name", ["pspline_mcycle", "pspline_dietox_nested"])
def test_smoothness_of_one_trend(name: str) -> None:
    fit, values = fitted(name), published.values(name)
    assert fit.variance("residual") == pytest.approx(values["residual_variance"], rel=1e-4)
    assert fit.variance("smooth") == pytest.approx(values["var_smooth"], rel=1e-2)
    assert effective_df(fit, "smooth") == pytest.approx(values["edf_smooth"], rel=1e-3)


def test_nested_groups_beside_a_trend() -> None:
    """Pigs in litters, weighed over time: the shape of runs of drivers under grip."""
    fit, values = fitted("pspline_dietox_nested"), published.values("pspline_dietox_nested")
    assert fit.variance("Litter") == pytest.approx(values["var_Litter"], rel=1e-3)
    assert fit.variance("Pig") == pytest.approx(values["var_Pig"], rel=1e-3)


def test_smoothness_of_two_trends() -> None:
    """56 treatments in four plots each on a drifting field; mgcv warns of a step failure here."""
    fit, values = fitted("pspline_wheat2_two_trends"), published.values("pspline_wheat2_two_trends")
    for name, variance in values["variance"].items():
        assert fit.variance(name) == pytest.approx(variance, rel=1e-2)
    for name in ("latitude", "longitude"):
        assert effective_df(fit, name) == pytest.approx(values["edf"][f"s({name})"], rel=1e-3)


def test_curve_and_its_band() -> None:
    """mgcv's fitted curve at eight times, and its standard errors (Wahba 1983; Nychka 1988)."""
    fit, grid = fitted("pspline_mcycle"), published.values("pspline_mcycle")["grid"]
    seen = published.data("mcycle").times
    times = np.array(grid["times"], float)
    fixed = np.vstack([np.ones(len(times)), times])
    basis = problems.spline_columns(times, seen.min(), seen.max(), 20)
    found = contrasts(fit, fixed, basis.T)
    np.testing.assert_allclose([f.estimate for f in found], grid["fit"], rtol=1e-4)
    np.testing.assert_allclose([f.std_error for f in found], grid["se"], rtol=1e-4)


@pytest.mark.parametrize("method", ["satterthwaite", "kenward-roger"])
def test_small_sample_df_beside_a_smooth(method: str) -> None:
    """Computed with formulas written out in R; no package gives these."""
    fit, name = fitted("pspline_dietox_nested"), "pspline_dietox_nested"
    names = MAKERS[name]().names
    for term, wanted in published.values(name)["small_sample_own_formulas"].items():
        found = contrast(fit, np.eye(len(names))[names.index(term)], method=method)
        key = "satterthwaite_df" if method == "satterthwaite" else "kr_df"
        assert found.df == pytest.approx(wanted[key], rel=1e-3)
        if method == "kenward-roger":
            assert found.std_error == pytest.approx(wanted["kr_se"], rel=1e-5)
