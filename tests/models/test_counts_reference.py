"""Count models against published and computed values; each source stands in values.json."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from pipeline.models.counts import CountFit, fit_counts
from pipeline.models.counts_interval import wald_interval
from pipeline.models.counts_rows import CountRows, Deviations, RandomTerm
from tests.reference import published


def columns(*parts: Any) -> np.ndarray:
    return np.column_stack([np.ones(len(parts[0])), *parts]).astype(float)


def dummies(series: pd.Series, levels: list[Any]) -> list[np.ndarray]:
    return [(series == level).to_numpy() for level in levels]


def errors(fit: CountFit) -> np.ndarray:
    return np.sqrt(np.diag(fit.cov_beta))


def cbpp() -> CountFit:
    return fit_counts(cbpp_rows(), "binomial", restricted=False)


def epil_rows() -> CountRows:
    d = published.data("epil")
    treated = (d.trt == "progabide").to_numpy(float)
    X = columns(d.lbase, treated, d.lage, d.V4, d.lbase * treated)
    return CountRows(d.y, X, terms=(RandomTerm(pd.factorize(d.subject)[0]),))


def test_cbpp_reaches_the_laplace_optimum() -> None:
    """Computed with two packages, see values.json."""
    fit, wanted = cbpp(), published.values("cbpp_binomial_glmm")["laplace"]
    np.testing.assert_allclose(fit.beta, list(wanted["fixed"].values()), rtol=1e-5)
    np.testing.assert_allclose(errors(fit), list(wanted["se"].values()), rtol=1e-3)
    assert fit.sigma[0] == pytest.approx(wanted["sd_herd"], rel=1e-5)
    assert fit.loglik == pytest.approx(wanted["loglik"], abs=1e-6)


def test_cbpp_is_near_the_printed_values() -> None:
    """The printed values stop short of the optimum (note in values.json), so 1e-3."""
    fit, printed = cbpp(), published.check("cbpp_binomial_glmm")["published"]
    np.testing.assert_allclose(fit.beta, printed["fixed"], rtol=1e-3)
    np.testing.assert_allclose(errors(fit), printed["se"], rtol=2e-2)
    assert fit.sigma[0] == pytest.approx(printed["sd_herd"], rel=1e-3)
    assert fit.loglik == pytest.approx(printed["loglik"], abs=1e-3)


@pytest.mark.parametrize("family", ["poisson", "nb2"])
def test_epil_mixed_model(family: str) -> None:
    """Data Thall and Vail 1990, model Breslow and Clayton 1993; values computed."""
    fit = fit_counts(epil_rows(), family, restricted=False)
    wanted = published.values("epil_poisson_nb_glmm")[f"{family}_laplace"]
    np.testing.assert_allclose(fit.beta, list(wanted["fixed"].values()), rtol=1e-4)
    np.testing.assert_allclose(errors(fit), list(wanted["se"].values()), rtol=1e-3)
    assert fit.sigma[0] == pytest.approx(wanted["sd_subject"], rel=1e-4)
    assert fit.loglik == pytest.approx(wanted["loglik"], abs=1e-6)
    if family == "nb2":
        assert 1.0 / fit.alpha == pytest.approx(wanted["theta"], rel=1e-4)


def epil_slope_rows() -> CountRows:
    """The course over the visits, another for each subject."""
    d = published.data("epil")
    later = d.period.to_numpy(float) - 2.5
    subject = pd.factorize(d.subject)[0]
    slopes = Deviations(RandomTerm(subject, later).design())
    X = columns(d.trt == "progabide", later)
    return CountRows(d.y, X, terms=(RandomTerm(subject),), varying=(slopes,))


def epil_few_rows() -> CountRows:
    d = published.data("epil")
    d = d[d.subject.isin([*range(1, 7), *range(29, 35)])]
    term = RandomTerm(pd.factorize(d.subject)[0])
    return CountRows(d.y, columns(d.trt == "progabide", d.V4), terms=(term,))


def cbpp_rows() -> CountRows:
    d = published.data("cbpp")
    X = columns(*dummies(d.period, [2, 3, 4]))
    return CountRows(d.incidence, X, trials=d["size"], terms=(RandomTerm(pd.factorize(d.herd)[0]),))


RESTRICTED = {
    ("cbpp_binomial_glmm", "reml"): (cbpp_rows, "binomial"),
    ("epil_poisson_nb_glmm", "poisson_reml"): (epil_rows, "poisson"),
    ("epil_poisson_nb_glmm", "nb2_reml"): (epil_rows, "nb2"),
    ("epil_poisson_nb_glmm", "nb2_reml_few"): (epil_few_rows, "nb2"),
    ("epil_poisson_nb_glmm", "poisson_reml_slope"): (epil_slope_rows, "poisson"),
}


def restricted(check: str, key: str) -> tuple[CountFit, dict[str, Any]]:
    """Without priors, as the other program fits it."""
    rows, family = RESTRICTED[check, key]
    made = rows()
    none = np.zeros(made.X.shape[1], bool)
    fit = fit_counts(made, family, penalised=none, sd_prior=None)
    return fit, published.values(check)[key]


@pytest.mark.parametrize(("check", "key"), RESTRICTED)
def test_restricted_fits_and_their_full_errors(check: str, key: str) -> None:
    """Computed with glmmTMB (REML = TRUE), whose errors are those of the joint Hessian."""
    fit, wanted = restricted(check, key)
    np.testing.assert_allclose(fit.beta, list(wanted["fixed"].values()), rtol=5e-6)
    np.testing.assert_allclose(errors(fit), list(wanted["se"].values()), rtol=5e-6)
    np.testing.assert_allclose(fit.sigma, list(wanted["sd"].values()), rtol=5e-6)
    assert fit.loglik == pytest.approx(wanted["loglik"], abs=1e-6)
    if "theta" in wanted:
        assert 1.0 / fit.alpha == pytest.approx(wanted["theta"], rel=5e-6)


def test_errors_at_given_sds_fall_short() -> None:
    """What the check above is for: in 48 rows the SDs' own uncertainty is 0.3 % of an error."""
    fit, wanted = restricted("epil_poisson_nb_glmm", "nb2_reml_few")
    given = np.sqrt(np.diag(fit.cov_given))
    assert (given / list(wanted["se"].values())).min() < 0.997


@pytest.mark.parametrize("subject", ["1", "10", "25"])
def test_the_slope_of_one_subject(subject: str) -> None:
    """Fixed slope and deviation, with the error of both together, from TMB's joint precision."""
    fit, values = restricted("epil_poisson_nb_glmm", "poisson_reml_slope")
    L = np.zeros(len(fit.coefficients))
    L[[2, 3 + int(subject) - 1]] = 1.0
    found = wald_interval(fit, L)
    estimate, error = values["subjects"][subject]
    assert found.estimate == pytest.approx(estimate, rel=5e-6)
    assert found.std_error == pytest.approx(error, rel=5e-6)


def test_quine_without_random_terms() -> None:
    """Printed: theta 1.275, twice the log-likelihood -1093.151."""
    d = published.data("quine")
    X = columns(
        *dummies(d.Eth, ["N"]),
        *dummies(d.Sex, ["M"]),
        *dummies(d.Age, ["F1", "F2", "F3"]),
        *dummies(d.Lrn, ["SL"]),
    )
    fit = fit_counts(CountRows(d.Days, X), "nb2", restricted=False)
    wanted = published.values("quine_negative_binomial")
    np.testing.assert_allclose(fit.beta, list(wanted["coef"].values()), rtol=1e-5)
    full = list(wanted["se_full_observed_information"].values())
    np.testing.assert_allclose(errors(fit), full, rtol=1e-4)
    assert 1.0 / fit.alpha == pytest.approx(wanted["theta"], rel=1e-4)
    assert 2.0 * fit.loglik == pytest.approx(wanted["twice_loglik"], abs=1e-4)


def test_ships_with_exposure() -> None:
    """McCullagh and Nelder 1989, section 6.3.2 (from memory); computed to 1e-6."""
    d = published.data("ships").query("service > 0")
    X = columns(
        *dummies(d.type, list("BCDE")),
        *dummies(d.year, [65, 70, 75]),
        *dummies(d.period, [75]),
    )
    rows = CountRows(d.incidents, X, exposure=d.service)
    fit = fit_counts(rows, "poisson", restricted=False)
    wanted = published.values("ships_poisson_exposure")
    np.testing.assert_allclose(fit.beta, list(wanted["coef"].values()), rtol=1e-6)
    np.testing.assert_allclose(errors(fit), list(wanted["se_poisson"].values()), rtol=1e-6)
    second = sm.GLM(d.incidents, X, family=sm.families.Poisson(), exposure=d.service).fit(tol=1e-14)
    np.testing.assert_allclose(fit.beta, second.params, rtol=1e-6)


def test_restricted_without_random_terms_is_the_plain_estimate() -> None:
    """Integrating the fixed columns out moves no mode where there is no SD to estimate."""
    rows = epil_rows()
    rows = CountRows(rows.y, rows.X)
    plain = fit_counts(rows, "poisson", restricted=False)
    none = np.zeros(rows.X.shape[1], bool)
    restricted = fit_counts(rows, "poisson", penalised=none)
    np.testing.assert_allclose(restricted.beta, plain.beta, atol=1e-8)
    np.testing.assert_allclose(restricted.cov_beta, plain.cov_beta, rtol=1e-5, atol=1e-9)
