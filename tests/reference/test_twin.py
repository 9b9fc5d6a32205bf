"""The slow twin at the published variances gives the published criterion and estimates.

This ties the twin, against which the solver is compared on random seasons, to values from
elsewhere. The sources and their standing are in README.md.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.models import twin
from tests.reference import problems, published


@pytest.mark.parametrize("name", problems.MIXED)
def test_criterion_and_estimates_of_lme4(name: str) -> None:
    problem, values = problems.MIXED[name](), published.values(name)
    theta = [values["variance_or_covariance"][part] for part in problem.variances]
    found = twin.evaluate(problem.dense(), theta)
    assert found.criterion == pytest.approx(values["reml_criterion"], abs=1e-9)
    beta, se = ([values[key][term] for term in problem.names] for key in ("fixed", "se"))
    np.testing.assert_allclose(found.beta, beta, rtol=1e-9)
    np.testing.assert_allclose(np.sqrt(np.diag(found.cov_beta)), se, rtol=1e-9)


@pytest.mark.parametrize("name", problems.MIXED)
def test_the_published_variances_are_an_optimum(name: str) -> None:
    problem, values = problems.MIXED[name](), published.values(name)
    theta = np.array([values["variance_or_covariance"][part] for part in problem.variances])
    slope = twin.finite_gradient(problem.dense(), theta)
    np.testing.assert_allclose(slope * np.abs(theta), 0, atol=1e-5)


def test_criterion_of_mgcv_with_a_smooth_and_nested_groups() -> None:
    values = published.values("pspline_dietox_nested")
    theta = [values[k] for k in ("residual_variance", "var_Litter", "var_Pig", "var_smooth")]
    found = twin.evaluate(problems.dietox().dense(), theta)
    assert found.criterion == pytest.approx(values["minus2_restricted_loglik"], abs=1e-7)


def test_criterion_with_known_variances() -> None:
    values = published.values("lnsd_nested_star")
    found = twin.evaluate(problems.star().dense(), [values["var_school"], values["var_class"]])
    assert found.criterion == pytest.approx(values["minus2_restricted_loglik"], abs=1e-9)
