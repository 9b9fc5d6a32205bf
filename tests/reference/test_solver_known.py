"""Known sampling variances in the solver: meta-analysis and models of log SD, against metafor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.models.engine.inference import contrast
from pipeline.models.engine.solver import Fit, fit_rows
from tests.reference import problems, published
from tests.reference.problems import Problem


def fitted(problem: Problem) -> Fit:
    fit = fit_rows(problems.rows(problem))
    assert fit.converged, fit.message
    return fit


def errors(fit: Fit) -> np.ndarray:
    return np.sqrt(np.diag(fit.cov_beta))


def test_bcg_vaccine() -> None:
    """Thirteen trials: -0.7145 (0.1798), tau2 0.3132, as Viechtbauer 2010 prints them."""
    check = published.check("bcg_meta_analysis")
    fit, wanted = fitted(problems.bcg()), check["values"]["log_risk_ratio"]["REML"]
    assert fit.theta[0] == pytest.approx(wanted["tau2"], rel=1e-5)
    assert fit.beta[0] == pytest.approx(wanted["coef"], rel=1e-6)
    assert errors(fit)[0] == pytest.approx(wanted["se"], rel=1e-6)
    printed = check["published"]["log_rr_REML"]
    found = [fit.beta[0], errors(fit)[0], fit.theta[0]]
    np.testing.assert_allclose(found, [printed[k] for k in ("mu", "se", "tau2")], atol=5.1e-5)


def test_bcg_vaccine_by_latitude() -> None:
    fit = fitted(problems.bcg(latitude=True))
    wanted = published.values("bcg_meta_analysis")["log_risk_ratio_latitude_REML"]
    np.testing.assert_allclose(fit.beta, wanted["coef"], rtol=1e-6)
    np.testing.assert_allclose(errors(fit), wanted["se"], rtol=1e-6)
    assert fit.theta[0] == pytest.approx(wanted["tau2"], rel=1e-5)


def test_a_group_for_every_row_is_a_variance_on_the_diagonal() -> None:
    """Two ways of writing tau2 give the same fit."""
    rows = problems.rows(problems.bcg())
    other = replace(rows, levels=(), diagonal=np.ones((len(rows.y), 1)))
    one, two = fit_rows(rows), fit_rows(other)
    assert one.criterion == pytest.approx(two.criterion, abs=1e-9)
    np.testing.assert_allclose(one.theta, two.theta, rtol=1e-6)


def test_spread_of_schools() -> None:
    """One level; the method is Raudenbush and Bryk's (1987, from memory), figures computed."""
    fit, values = fitted(problems.hsb()), published.values("lnsd_meta_regression_hsb")
    wanted = [values["intercept_public"], values["catholic_minus_public"]]
    np.testing.assert_allclose(fit.beta, wanted, rtol=1e-6)
    np.testing.assert_allclose(errors(fit), values["se"], rtol=1e-6)
    assert fit.theta[0] == pytest.approx(values["tau2"], rel=1e-5)
    alone = fitted(problems.hsb(sector=False))
    assert alone.beta[0] == pytest.approx(values["no_moderator"]["mu"], rel=1e-6)
    assert alone.theta[0] == pytest.approx(values["no_moderator"]["tau2"], rel=1e-5)


def test_spread_of_classes_in_schools() -> None:
    """Two levels and unequal n, as runs of drivers: the shape of the spread model."""
    fit, values = fitted(problems.star()), published.values("lnsd_nested_star")
    names = problems.star().names
    np.testing.assert_allclose(fit.beta, [values["coef"][name] for name in names], rtol=1e-5)
    np.testing.assert_allclose(errors(fit), values["se"], rtol=1e-5)
    wanted = [values["var_school"], values["var_class"]]
    np.testing.assert_allclose(fit.theta, wanted, rtol=1e-3)
    assert fit.criterion == pytest.approx(values["minus2_restricted_loglik"], abs=1e-6)
    for term, small in values["small_sample_own_formulas"].items():
        unit = np.eye(len(names))[names.index(term)]
        assert contrast(fit, unit).df == pytest.approx(small["satterthwaite_df"], rel=1e-3)
        other = contrast(fit, unit, method="kenward-roger")
        assert other.df == pytest.approx(small["kr_df"], rel=1e-3)
        assert other.std_error == pytest.approx(small["kr_se"], rel=1e-5)


def test_all_variances_zero_with_three_laps_a_cell() -> None:
    fit, values = fitted(problems.machines_log_sd()), published.values("lnsd_boundary_machines")
    wanted = [values["coef"][name] for name in problems.machines_log_sd().names]
    np.testing.assert_allclose(fit.beta, wanted, rtol=1e-5)
    np.testing.assert_allclose(errors(fit), values["se"], rtol=1e-4)
    assert (fit.theta <= 1e-5).all()
    assert fit.at_zero.all()
