"""Counts and rates: the library functions that the project leans on, against printed values."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from tests.reference import published


def in_order(found: pd.Series, wanted: dict[str, float]) -> tuple[np.ndarray, list[float]]:
    """Coefficients found and wanted, in the order of values.json (both list them alike)."""
    assert len(found) == len(wanted)
    return found.to_numpy(), list(wanted.values())


def animals() -> pd.DataFrame:
    """cbpp (Lesnoff et al. 2004, in lme4) as one row an animal: 842 rows of 0 and 1."""
    d = published.data("cbpp")
    rows = d.loc[d.index.repeat(d["size"])].reset_index(drop=True)
    place = d["size"].map(np.arange).explode().to_numpy(int)
    return rows.assign(y=(place < rows.incidence).astype(int))


@pytest.mark.parametrize(
    ("correlation", "key"),
    [
        (sm.cov_struct.Independence(), "independence"),
        (sm.cov_struct.Exchangeable(), "exchangeable_pearson_df_corrected"),
    ],
)
def test_cbpp_gee(correlation: object, key: str) -> None:
    """Computed (statsmodels and own code); geepack's other estimator of alpha is 1 % away."""
    wanted = published.values("cbpp_gee")[key]
    model = smf.gee(
        "y ~ C(period)", "herd", animals(), cov_struct=correlation, family=sm.families.Binomial()
    )
    found = model.fit(ctol=1e-12, maxiter=500)
    np.testing.assert_allclose(*in_order(found.params, wanted["coef"]), rtol=1e-6)
    np.testing.assert_allclose(*in_order(found.bse, wanted["se_robust"]), rtol=1e-6)


def test_epil_gee() -> None:
    """Coefficients and errors printed in statsmodels' documentation; data Thall and Vail 1990."""
    check = published.check("epil_gee")
    model = smf.gee(
        "y ~ age + trt + base",
        "subject",
        published.data("epil"),
        cov_struct=sm.cov_struct.Exchangeable(),
        family=sm.families.Poisson(),
    )
    found = model.fit(ctol=1e-10, maxiter=500)
    wanted = check["values"]["moment_estimator_df_corrected"]
    terms = ["Intercept", "age", "trt[T.progabide]", "base"]
    np.testing.assert_allclose(*in_order(found.params[terms], wanted["coef"]), rtol=1e-6)
    np.testing.assert_allclose(*in_order(found.bse[terms], wanted["se_robust"]), rtol=1e-6)
    printed = list(check["published"]["coef"].values())
    np.testing.assert_allclose(found.params[terms], printed, atol=5.1e-5)


def test_quine_negative_binomial() -> None:
    """Printed by glm.nb: theta 1.275, 2 log-likelihood -1093.151 (Venables and Ripley 2002)."""
    check = published.check("quine_negative_binomial")
    wanted = check["values"]
    model = smf.negativebinomial("Days ~ Eth + Sex + Age + Lrn", published.data("quine"))
    found = model.fit(method="newton", tol=1e-12, disp=False)
    np.testing.assert_allclose(*in_order(found.params[:-1], wanted["coef"]), rtol=1e-5)
    assert 1 / found.params["alpha"] == pytest.approx(wanted["theta"], rel=1e-4)
    assert 1 / found.params["alpha"] == pytest.approx(check["published"]["theta"], abs=5e-4)
    assert 2 * found.llf == pytest.approx(check["published"]["twice_loglik"], abs=6e-4)


def test_ships_poisson_exposure() -> None:
    """McCullagh and Nelder 1989, section 6.3.2 (printed values from memory)."""
    check = published.check("ships_poisson_exposure")
    d = published.data("ships").query("service > 0")
    found = smf.glm(
        "incidents ~ type + C(year) + C(period)",
        d,
        family=sm.families.Poisson(),
        offset=np.log(d.service),
    ).fit(tol=1e-14)
    wanted, printed = check["values"], check["published"]
    np.testing.assert_allclose(*in_order(found.params, wanted["coef"]), rtol=1e-6)
    np.testing.assert_allclose(*in_order(found.bse, wanted["se_poisson"]), rtol=1e-6)
    np.testing.assert_allclose(found.params, list(printed["coef"].values()), atol=5.1e-3)
    assert found.deviance == pytest.approx(printed["deviance"], abs=0.05)
    assert found.pearson_chi2 / found.df_resid == pytest.approx(printed["dispersion"], abs=5e-3)
