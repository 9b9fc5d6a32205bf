"""The solver and its inference against lme4, lmerTest and pbkrtest, and what books print.

Tolerances: criterion 1e-6, fixed effects 1e-6, standard errors 1e-5, variances 1e-4, degrees
of freedom 1e-3 (Satterthwaite, whose Hessian lmerTest takes numerically) and 1e-4
(Kenward-Roger). Sources and standing: README.md.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from pipeline.models.engine.inference import contrast
from pipeline.models.engine.solver import Fit, fit_rows
from tests.reference import problems, published
from tests.reference.joint import kenward_roger_f


@cache
def fitted(name: str) -> Fit:
    return fit_rows(problems.rows(problems.MIXED[name]()))


def in_order(name: str, key: str) -> list[float]:
    """Values of values.json in the order of the problem's fixed columns."""
    return [published.values(name)[key][term] for term in problems.MIXED[name]().names]


@pytest.mark.parametrize("name", problems.MIXED)
def test_criterion_and_variances(name: str) -> None:
    fit, values = fitted(name), published.values(name)
    assert fit.converged, fit.message
    assert fit.criterion == pytest.approx(values["reml_criterion"], abs=1e-6)
    wanted = [values["variance_or_covariance"][part] for part in fit.names]
    np.testing.assert_allclose(fit.theta, wanted, rtol=1e-4)


@pytest.mark.parametrize("name", problems.MIXED)
def test_fixed_effects_and_standard_errors(name: str) -> None:
    fit = fitted(name)
    np.testing.assert_allclose(fit.beta, in_order(name, "fixed"), rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov_beta)), in_order(name, "se"), rtol=1e-5)


@pytest.mark.parametrize("name", problems.MIXED)
def test_satterthwaite_of_lmertest(name: str) -> None:
    fit = fitted(name)
    found = [contrast(fit, column) for column in np.eye(len(fit.beta))]
    np.testing.assert_allclose([f.df for f in found], in_order(name, "satterthwaite_df"), rtol=1e-3)
    p_values = in_order(name, "satterthwaite_p")
    np.testing.assert_allclose([f.p_value for f in found], p_values, rtol=5e-3, atol=1e-12)


@pytest.mark.parametrize("name", problems.MIXED)
def test_kenward_roger_of_pbkrtest(name: str) -> None:
    fit = fitted(name)
    found = [contrast(fit, column, method="kenward-roger") for column in np.eye(len(fit.beta))]
    np.testing.assert_allclose([f.df for f in found], in_order(name, "kr_df"), rtol=1e-4)
    np.testing.assert_allclose([f.std_error for f in found], in_order(name, "kr_se"), rtol=1e-5)


JOINT = {
    "machines_unbalanced": {"Machine": ["MachineB", "MachineC"]},
    "oats_unbalanced": {
        "Variety": ["VarietyMarvellous", "VarietyVictory"],
        "N": ["N0.2", "N0.4", "N0.6"],
    },
    "oats_variety_nitro": {"Variety": ["VarietyMarvellous", "VarietyVictory"], "nitro": ["nitro"]},
    "beets_split_plot": {
        "harvest": ["harvestharv2"],
        "sow": ["sowsow2", "sowsow3", "sowsow4", "sowsow5"],
    },
}


@pytest.mark.parametrize(("name", "term"), [(name, term) for name in JOINT for term in JOINT[name]])
def test_joint_kenward_roger_tests(name: str, term: str) -> None:
    """Halekoh and Hojsgaard 2014 for the beets (from memory): F 15.21 on 1 and 2, p 0.0599."""
    names = problems.MIXED[name]().names
    columns = np.eye(len(names))[:, [names.index(part) for part in JOINT[name][term]]]
    value, k, df, p = kenward_roger_f(fitted(name), columns)
    wanted = published.values(name)["F_kenward_roger"][term]
    assert k == wanted["num_df"]
    assert value == pytest.approx(wanted["F"], rel=1e-5)
    assert df == pytest.approx(wanted["den_df"], rel=1e-4)
    assert p == pytest.approx(wanted["p"], rel=1e-3)


def test_split_plot_of_the_help_page() -> None:
    """Oats, full factorial: F 1.485, 37.686, 0.303 printed by MASS's ?oats (Yates 1935).

    Balanced, so that each F is the mean of squared t over orthogonal contrasts.
    """
    fit = fitted("oats_factorial")
    published_f = published.check("oats_factorial")["published"]["F"]
    names = problems.MIXED["oats_factorial"]().names
    both = [i for i, name in enumerate(names) if ":" in name]
    beta, cov = fit.beta[both], fit.cov_beta[np.ix_(both, both)]
    assert beta @ np.linalg.solve(cov, beta) / 6 == pytest.approx(
        published_f["interaction"], abs=1e-3
    )
    assert contrast(fit, np.eye(len(names))[both[0]]).df == pytest.approx(45, rel=1e-3)


def test_printed_figures_of_books_and_manuals() -> None:
    """Bates et al. 2015 (sleepstudy), lme4's tests (Dyestuff), Pinheiro and Bates 2000."""
    sleep = fitted("sleepstudy_correlated_slope")
    np.testing.assert_allclose(sleep.theta[:3], [654.94, 612.10, 35.07], rtol=1e-4)
    np.testing.assert_allclose(np.sqrt(np.diag(sleep.cov_beta)), [6.825, 1.546], rtol=5e-4)
    dyes = fitted("dyestuff")
    assert dyes.criterion == pytest.approx(319.654276842342, abs=1e-9)
    assert dyes.cov_beta[0, 0] == pytest.approx(375.7147, rel=1e-5)
    machines = np.sqrt(fitted("machines_nested").theta)
    np.testing.assert_allclose(machines, [0.9615766, 4.78105, 3.729532], rtol=2e-6)


@pytest.mark.parametrize(
    ("name", "pairs"),
    [
        ("dyestuff", {"Batch_variance": 1, "residual_variance": 0}),
        ("penicillin_crossed", {"plate_variance": 1, "sample_variance": 2, "residual_variance": 0}),
        ("pastes_nested", {"batch_variance": 1, "cask_in_batch_variance": 2}),
        ("machines_nested", {"worker_variance": 1, "worker_machine_variance": 2}),
    ],
)
def test_closed_forms_of_balanced_designs(name: str, pairs: dict[str, int]) -> None:
    """REML equals the ANOVA estimators where the design is balanced."""
    closed = published.values(name)["closed_form"]
    for key, place in pairs.items():
        assert fitted(name).theta[place] == pytest.approx(closed[key], rel=1e-6)


def test_a_variance_of_exactly_zero() -> None:
    """Dyestuff2 (Box and Tiao 1973): lme4's tests print 5.6656 and 0.67838803150."""
    fit = fit_rows(problems.rows(problems.dyestuff("Dyestuff2")))
    values = published.values("dyestuff2_boundary")
    assert fit.converged, fit.message
    assert fit.at_zero.tolist() == [False, True]
    assert fit.variance("Batch_(Intercept)") <= 1e-6 * values["residual_variance"]
    assert fit.variance("residual") == pytest.approx(values["residual_variance"], rel=1e-6)
    assert fit.criterion == pytest.approx(values["reml_criterion"], abs=1e-6)
    assert np.sqrt(fit.cov_beta[0, 0]) == pytest.approx(0.67838803150, rel=1e-6)


def test_nist_sirstv_by_reml() -> None:
    """The closed form from NIST's certified mean squares."""
    fit = fit_rows(problems.rows(problems.sirstv()))
    values = published.values("nist_sirstv")
    assert fit.theta[0] == pytest.approx(values["reml_residual_variance"], rel=1e-5)
    between = values["reml_instrument_variance_from_certified"]
    assert fit.theta[1] == pytest.approx(between, rel=1e-5)
    assert np.sqrt(fit.cov_beta[0, 0]) == pytest.approx(values["reml_se_mean"], rel=1e-6)
